# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a host differs from what is declared, as findings with stable codes. Pure.

Codes here: C(drive_missing), C(drive_moved), C(drive_undeclared), C(bay_unknown), C(bays_unconfirmed),
C(model_differs), C(wwn_differs), C(unit_size), C(block_size_differs), C(firmware_differs), C(name_missing),
C(support_missing). Discovery adds its own (see `host.notes`).
"""

from __future__ import annotations

from collections import Counter
from typing import Any, Dict, Iterable, List, Mapping, Optional, Sequence, Tuple

from ..declared import DeclaredDrive, size_at
from ..host.discover import Found
from ..model import Drive, Finding, Unit
from ..names import DIRECTORY, unit_name
from ..partition.extents import ALIKE
from ..plain import amount
from ..server_class import ModelFacts, ServerClass

_HOST = ("udev_silent",)  # of discovery's codes, those about no drive
_CONFIRMING = ("enclosure", "sas", "map")


def inventory_findings(
    declared: Sequence[DeclaredDrive], found: Found, about: ServerClass, support: Iterable[str] = ()
) -> Tuple[Finding, ...]:
    """How the drives found on a host differ from those declared for it, in bay order.

    *support* has the WWNs of declared supporting vdevs. Undeclared ordinary drives, such as the system disk, are
    ignored.
    """
    same: Dict[str, List[Drive]] = {}
    for drive in found.drives:
        same.setdefault(drive.serial, []).append(drive)
    wanted = {drive.serial: drive for drive in declared}
    findings: List[Finding] = []
    for one in declared:
        findings += _declared(one, same.get(one.serial, []))
    by_bay = {one.bay: one for one in declared}
    ours = [
        drive for drive in found.drives if drive.serial in wanted or _is_split(drive) or _label(drive) in about.bays
    ]
    beside = set(support)
    for drive in ours:
        if drive.serial not in wanted and not any(unit.wwn in beside for unit in drive.units):
            findings.append(_undeclared(drive, by_bay.get(_label(drive))))
    known = [drive for drive in ours if drive.serial in wanted]
    findings += _differing(known, wanted, about)
    findings += _bays(known, wanted)
    findings += _support(beside, found.drives)
    findings += _about(found.findings, ours)
    return tuple(sorted(findings, key=_order))


def _order(one: Finding) -> Tuple[str, str, str, int, str]:
    return (one.bay, one.serial, one.code, -1 if one.index is None else one.index, one.found)


def _is_split(drive: Drive) -> bool:
    return max(len(drive.units), drive.expected_units) > 1


def _label(drive: Drive) -> str:
    return drive.bay.label if drive.bay is not None else ""


def _about(findings: Iterable[Finding], ours: Sequence[Drive]) -> List[Finding]:
    """Discovery's findings on our drives, and on the host."""
    places = {(drive.serial, _label(drive)) for drive in ours}
    return [one for one in findings if (one.serial, one.bay) in places or one.code in _HOST]


def _note(drive: Drive, code: str, severity: str, **details: Any) -> Finding:
    return Finding(code, severity, drive.serial, _label(drive), **details)


def _declared(wanted: DeclaredDrive, found: Sequence[Drive]) -> List[Finding]:
    """What is wrong with one declared drive, apart from what comparing with other drives shows."""
    if not found:
        return [
            Finding(
                "drive_missing",
                "error",
                wanted.serial,
                wanted.bay,
                declared="serial {0} in {1}".format(wanted.serial, wanted.bay),
                found="no drive with this serial",
                remedy="Look at {0}: seat the drive, or replace it. If another drive belongs there, run survey.".format(
                    wanted.bay
                ),
            )
        ]
    if len(found) > 1:
        return []  # serial_collision reports it
    drive = found[0]
    findings: List[Finding] = []
    if drive.bay_source in _CONFIRMING and _label(drive) != wanted.bay:
        findings.append(
            _note(
                drive,
                "drive_moved",
                "error",
                declared=wanted.bay,
                found="{0} (by {1})".format(_label(drive), drive.bay_source),
                remedy="Put it back, or run survey and then disk_inventory. Until then its units keep the names of"
                " {0}.".format(wanted.bay),
            )
        )
    if wanted.model and wanted.model != drive.model:
        findings.append(
            _note(
                drive,
                "model_differs",
                "warning",
                declared=wanted.model,
                found=drive.model,
                remedy="Correct the declaration, or check that the right drive is in the bay.",
            )
        )
    for unit in drive.units:
        findings += _unit(wanted, drive, unit)
    return findings


def _unit(wanted: DeclaredDrive, drive: Drive, unit: Unit) -> List[Finding]:
    findings: List[Finding] = []
    declared = wanted.wwns[unit.index] if unit.index < len(wanted.wwns) else ""
    if declared and declared != unit.wwn:
        findings.append(
            _note(
                drive,
                "wwn_differs",
                "error",
                index=unit.index,
                declared=declared,
                found=unit.wwn or "none",
                remedy="The unit has no name, or the name of another unit. If the drive is the right one, run survey to"
                " record its WWNs.",
            )
        )
    elif unit.index < wanted.unit_count and unit.node:
        name = "{0}/{1}".format(DIRECTORY, unit_name(wanted.bay, unit.index))
        moved = drive.bay_source in _CONFIRMING and _label(drive) != wanted.bay
        if not moved and not any(link == name or link.startswith(name + "-part") for link in unit.links):
            findings.append(
                _note(
                    drive,
                    "name_missing",
                    "warning",
                    index=unit.index,
                    declared=name,
                    found=", ".join(unit.links) or "no stable name",
                    remedy="Run the role disk_inventory. If it has run, find out what else claims the name.",
                )
            )
    return findings


def _undeclared(drive: Drive, other: Optional[DeclaredDrive]) -> Finding:
    return _note(
        drive,
        "drive_undeclared",
        "warning",
        declared="serial {0}".format(other.serial) if other else "nothing",
        found="serial {0}, model {1}, {2} unit{3}".format(
            drive.serial or "none", drive.model or "none", len(drive.units), "" if len(drive.units) == 1 else "s"
        ),
        remedy="It is not named, monitored or used. Run survey to declare it, or remove it.",
    )


def _differing(drives: Sequence[Drive], wanted: Mapping[str, DeclaredDrive], about: ServerClass) -> List[Finding]:
    """Declared drives that differ from the declaration of their model, or else from most drives of the model."""
    models: Dict[Tuple[str, str], List[Drive]] = {}
    for drive in drives:
        models.setdefault((drive.vendor, drive.model), []).append(drive)
    findings: List[Finding] = []
    for (_vendor, model), alike in models.items():
        facts = about.models.get(model, ModelFacts())
        units = [unit for drive in alike for unit in drive.units if unit.size]
        sizes = _usual_sizes(units)
        block = facts.logical_block or _usual(unit.logical_block for unit in units)
        firmware = facts.firmware or _usual(drive.firmware for drive in alike)
        for drive in alike:
            if firmware is not None and drive.firmware != firmware:
                findings.append(_firmware(drive, str(firmware), bool(facts.firmware)))
            for unit in drive.units:
                declared = wanted[drive.serial].size_of(unit.index) or size_at(facts.unit_bytes, unit.index)
                findings += _size(drive, unit, declared or sizes.get(unit.index, 0), bool(declared))
                findings += _block(drive, unit, block or 0, bool(facts.logical_block))
    return findings


def _usual_sizes(units: Iterable[Unit]) -> Dict[int, int]:
    """The usual size of the units of each index: the ranges of a drive may differ."""
    found: Dict[int, List[int]] = {}
    for unit in units:
        found.setdefault(unit.index, []).append(unit.size)
    return {index: _usual(sizes) for index, sizes in found.items()}


def _usual(values: Iterable[Any]) -> Any:
    """The most frequent value, the greatest one of a tie; None for no values."""
    counts = Counter(values)
    return max(counts, key=lambda value: (counts[value], value)) if counts else None


def _source(declared: bool) -> str:
    return "as declared" if declared else "as most drives of the model"


def _firmware(drive: Drive, firmware: str, declared: bool) -> Finding:
    return _note(
        drive,
        "firmware_differs",
        "warning",
        declared="firmware {0} ({1})".format(firmware, _source(declared)),
        found="firmware {0}".format(drive.firmware or "unknown"),
        remedy="Ask the drive's manufacturer which firmware is right. This collection does not update firmware.",
    )


def _size(drive: Drive, unit: Unit, size: int, declared: bool) -> List[Finding]:
    # A size of 0 is the finding sector_format.
    if not size or not unit.size or abs(unit.size - size) <= ALIKE:
        return []
    small = unit.size < size
    return [
        _note(
            drive,
            "unit_size",
            "error" if small else "warning",
            index=unit.index,
            declared="{0} bytes ({1})".format(size, _source(declared)),
            found="{0} bytes".format(unit.size),
            remedy="It cannot replace another unit. Use a drive of the declared size."
            if small
            else "The space beyond the declared size is not used.",
        )
    ]


def _block(drive: Drive, unit: Unit, block: int, declared: bool) -> List[Finding]:
    if not block or not unit.size or unit.logical_block == block:
        return []
    return [
        _note(
            drive,
            "block_size_differs",
            "warning",
            index=unit.index,
            declared="blocks of {0} bytes ({1})".format(block, _source(declared)),
            found="blocks of {0} bytes".format(unit.logical_block),
            remedy="Reformatting destroys all data and takes hours. Follow the manufacturer's instructions and your"
            " site's rules. This collection does not reformat drives.",
        )
    ]


def _bays(declared: Sequence[Drive], wanted: Mapping[str, DeclaredDrive]) -> List[Finding]:
    """Declared drives whose bay nothing on the host reports."""
    silent = [drive for drive in declared if drive.bay_source not in _CONFIRMING]
    if not silent:
        return []
    if len(silent) == len(declared):
        return [
            Finding(
                "bays_unconfirmed",
                "info",
                declared=amount(len(declared), "drive") + " in bays",
                found="no source on the host reports bays, so a moved drive goes unnoticed",
                remedy="Declare split_actuator_bay_map for this class of servers.",
                about="bays",
            )
        ]
    return [
        Finding(
            "bay_unknown",
            "warning",
            drive.serial,
            wanted[drive.serial].bay,
            declared=wanted[drive.serial].bay,
            found="no source on the host reports its bay",
            remedy="Find out which source should report it: enclosure services, the adapter, or"
            " split_actuator_bay_map.",
        )
        for drive in silent
    ]


def _support(wanted: Iterable[str], drives: Sequence[Drive]) -> List[Finding]:
    there = {unit.wwn for drive in drives for unit in drive.units}
    return [
        Finding(
            "support_missing",
            "error",
            declared="{0} for a supporting vdev".format(wwn),
            found="no drive with this WWN",
            remedy="Seat or replace the device. After a replacement, declare the new WWN.",
            about="supporting device {0}".format(wwn),
        )
        for wwn in sorted(set(wanted) - there)
    ]
