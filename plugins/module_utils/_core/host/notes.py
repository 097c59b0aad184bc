# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The findings of discovery on drives. Pure."""

from __future__ import annotations

from typing import AbstractSet, Any, Dict, List, Mapping, Optional, Sequence

from ..model import Drive, Finding, Unit
from ..partition.table import judge
from ..plain import amount
from .disks import Blocks, Disk
from .pairing import Group, LogicalUnit

BLOCK_SIZES = (512, 4096)
HOST_WIDE = ("udev_silent",)
"""Codes of findings that are not about a drive. An empty serial number and bay do not show that: a drive may have
neither."""


def finding(drive: Drive, code: str, severity: str, **details: Any) -> Finding:
    """A finding about *drive*; *details* are the other fields of `Finding`."""
    return Finding(code, severity, drive.serial, drive.bay.label if drive.bay else "", **details)


def bay_note(drive: Drive, claimed: str) -> Finding:
    """A drive whose bay is not clear although a source reports one."""
    return finding(
        drive,
        "bay_unclear",
        "error",
        found="{0}: {1}".format(drive.key, claimed),
        remedy="Correct the declared map of bays, or remove the wrong source from bay_sources"
        " (split_actuator_bay_sources).",
    )


def host_notes(drives: Sequence[Drive], blocks: Blocks) -> List[Finding]:
    """Findings that are about several drives, or about none."""
    found: List[Finding] = []
    by_serial: Dict[str, List[Drive]] = {}
    for drive in drives:
        by_serial.setdefault(drive.serial, []).append(drive)
    by_serial.pop("", None)
    for serial, same in by_serial.items():
        if len(same) > 1:
            where = "; ".join(sorted(_place(drive) for drive in same))
            found += [
                finding(
                    drive,
                    "serial_collision",
                    "error",
                    found="{0} drives report serial {1}: {2}".format(len(same), serial, where),
                    remedy="One of them reports a wrong serial; neither can be declared. Remove it and ask its"
                    " manufacturer.",
                )
                for drive in same
            ]
    if blocks.disks and not any(disk.id_path or disk.links for disk in blocks.disks):
        found.append(
            Finding(
                "udev_silent",
                "error",
                found="udev's database has no entry for any disk",
                remedy="Check that systemd-udevd runs, then run udevadm trigger --subsystem-match=block --settle.",
                about="udev",
            )
        )
    return found


def _place(drive: Drive) -> str:
    paths = [path.hctl or path.node for unit in drive.units for path in unit.paths]
    return "{0} ({1})".format(drive.bay.label if drive.bay else "bay unknown", ", ".join(paths))


def drive_notes(
    drive: Drive, group: Group, declared: Mapping[str, int], wanted_paths: int, mapped: AbstractSet[str]
) -> List[Finding]:
    """Findings about one drive and its units.

    *declared* has units by serial or model; *mapped* has the disks under multipath maps.
    """
    found: List[Finding] = []
    if not drive.serial:
        found.append(
            finding(
                drive,
                "serial_missing",
                _weight(drive),
                found="{0} reports no serial number".format(drive.key),
                remedy="It cannot be declared. Use another drive.",
            )
        )
    found += _count_notes(drive, declared)
    for unit in group.units:
        index = _index(drive, unit)
        found += _unit_notes(drive, unit, index)
        found += _path_notes(drive, unit, index, wanted_paths, unit.first.name in mapped)
    return found


def range_notes(drive: Drive, group: Group) -> List[Finding]:
    """Findings on the partitions and ranges of a range-split drive."""
    ranged = [unit for unit in drive.units if unit.unit_kind == "range"]
    if not ranged:
        return []
    disk = group.first
    found: List[Finding] = []
    if not disk.ranges:
        found.append(
            finding(
                drive,
                "ranges_unconfirmed",
                "info",
                found="the kernel reports no access ranges; {0} are taken from the inventory or from the"
                " partitions".format(len(ranged)),
                remedy="Do nothing if the declared ranges are those of the drive's data sheet. Linux 5.16 or newer and"
                " an adapter that passes on VPD page B9h would confirm them.",
            )
        )
    faults = judge(disk, tuple((unit.start, _end(drive, unit, disk) - unit.start) for unit in ranged)).faults
    if faults:
        found.append(
            finding(
                drive,
                "table_foreign",
                "warning",
                declared="one partition in each of {0} ranges".format(len(ranged)),
                found="; ".join(faults),
                remedy="Its ranges cannot be used as units. If its data is no longer needed, run the playbook partition"
                " with its serial in split_actuator_erase_serials.",
            )
        )
    return found


def _end(drive: Drive, unit: Unit, disk: Disk) -> int:
    """Where a range ends: where the next one begins."""
    return min([other.start for other in drive.units if other.start > unit.start] or [disk.size])


def _index(drive: Drive, unit: LogicalUnit) -> Optional[int]:
    """The unit's index; None for a range-split drive, whose one logical unit is the whole drive."""
    nodes = {disk.node for disk in unit.paths}
    same = [one.index for one in drive.units if {path.node for path in one.paths} == nodes]
    return same[0] if len(same) == 1 else None


def _weight(drive: Drive) -> str:
    """A missing name matters for drives with several units; for ordinary drives it is only information."""
    return "warning" if drive.expected_units > 1 else "info"


def _count_notes(drive: Drive, declared: Mapping[str, int]) -> List[Finding]:
    given = declared.get(drive.serial) or declared.get(drive.model)
    source = "declared" if given else "as most drives of the model"
    indices = [unit.index for unit in drive.units]
    missing = sorted(set(range(drive.expected_units)) - set(indices))
    found = [
        finding(
            drive,
            "half_visible",
            "error",
            index=index,
            declared="{0} ({1})".format(amount(drive.expected_units, "unit"), source),
            found="unit {0} is missing; found: {1}".format(index, ", ".join(str(one) for one in indices)),
            remedy="Rescan the adapter, then reseat the drive. A range-split drive needs a kernel and an adapter that"
            " report its ranges. If the unit stays missing, replace the drive.",
        )
        for index in missing
    ]
    if given and len(indices) > given:
        found.append(
            finding(
                drive,
                "more_units",
                "warning",
                declared=amount(given, "unit"),
                found=amount(len(indices), "unit"),
                remedy="Correct the declared number of units, or check that the right drive is in the bay.",
            )
        )
    return found


def _unit_notes(drive: Drive, unit: LogicalUnit, index: Optional[int]) -> List[Finding]:
    disk = unit.first
    found = [
        finding(
            drive,
            "unreadable_identity",
            "error",
            index=index,
            found=fault,
            remedy="Do not use the drive. The firmware of the drive or the adapter is at fault.",
        )
        for fault in disk.faults
    ]
    if unit.shared_name:
        found.append(
            finding(
                drive,
                "duplicate_wwn",
                "error",
                index=index,
                found="{0} is also reported by another unit".format(unit.name),
                remedy="A name made from it may point to either unit. Remove one of the drives and ask its"
                " manufacturer.",
            )
        )
    elif not unit.name:
        found.append(
            finding(
                drive,
                "wwn_missing",
                _weight(drive),
                index=index,
                found="the unit reports no WWN",
                remedy="It can only be named by its path.",
            )
        )
    return found + _format_notes(drive, disk, index)


def _format_notes(drive: Drive, disk: Disk, index: Optional[int]) -> List[Finding]:
    found: List[Finding] = []
    if disk.size == 0 or disk.logical_block not in BLOCK_SIZES:
        found.append(
            finding(
                drive,
                "sector_format",
                "error",
                index=index,
                found="size {0}, logical block {1} bytes".format(disk.size, disk.logical_block),
                remedy="No size usually means that the drive did not become ready, or has sectors of 520 or 528 bytes,"
                " as drives from disk arrays have (see sg_readcap --long). Reformatting to 512 or 4096 bytes destroys"
                " all data and takes hours. Follow the manufacturer's instructions and your site's rules.",
            )
        )
    if disk.protection:
        found.append(
            finding(
                drive,
                "protection_information",
                "warning",
                index=index,
                found="formatted with T10 protection type {0}".format(disk.protection),
                remedy="OpenZFS does not use it. Reformatting without it destroys all data. Follow the manufacturer's"
                " instructions and your site's rules. This collection does not reformat drives.",
            )
        )
    return found


def _path_notes(drive: Drive, unit: LogicalUnit, index: Optional[int], wanted: int, mapped: bool) -> List[Finding]:
    paths = ", ".join(disk.hctl or disk.node for disk in unit.paths)
    found: List[Finding] = []
    if len(unit.paths) > 1 and not mapped:
        found.append(
            finding(
                drive,
                "unmanaged_paths",
                "error",
                index=index,
                found="{0} paths ({1}) and no multipath device".format(len(unit.paths), paths),
                remedy="Set up multipath-tools for the drive, or connect it by one cable only.",
            )
        )
    if wanted and len(unit.paths) < wanted:
        found.append(
            finding(
                drive,
                "too_few_paths",
                "warning",
                index=index,
                declared=amount(wanted, "path"),
                found="{0} ({1})".format(len(unit.paths), paths),
                remedy="Check the other cable, expander or adapter.",
            )
        )
    return found
