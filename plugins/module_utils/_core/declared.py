# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The declared inventory: what people say a host should have."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, replace
from typing import Any, Dict, List, Mapping, Optional, Sequence, Tuple

from .checks import choice, mapping, whole
from .errors import InputError, Refusal
from .model import Bay, Drive, Unit
from .names import WWN
from .partition.extents import ALIKE, Spec, read_spec

VARIABLE = "split_actuator_drives"

_KEYS = ("serial", "model", "unit_count", "unit_bytes", "wwns", "use", "ranges")
USES = ("data", "other")
_SERIAL = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.:-]{0,63}")
MOST_UNITS = 16
MOST_BYTES = 2**63 - 1


@dataclass(frozen=True)
class DeclaredDrive:
    """One line of C(split_actuator_drives): the drive that a bay should hold.

    *unit_count* is how many units it should show; *unit_bytes* their size, or their sizes in index order (none: as
    found); *wwns* are their designators in index order when known. With the last two, a missing drive can be planned
    for and named before it returns. *use* is C(data) for a drive whose units belong to the layout, C(other) for one
    that is only named and monitored. *ranges* are the access ranges of a drive for which the kernel reports none.
    """

    bay: str
    serial: str
    model: str = ""
    unit_count: int = 2
    unit_bytes: Tuple[int, ...] = ()
    wwns: Tuple[str, ...] = ()
    use: str = "data"
    ranges: Optional[Spec] = None

    def size_of(self, index: int) -> int:
        """The declared size of a unit; 0 where none is declared."""
        return size_at(self.unit_bytes, index)

    @property
    def by_range(self) -> bool:
        """Whether its units are ranges of one logical unit: they are declared, or share its WWN."""
        return self.ranges is not None or len(set(self.wwns)) < len(self.wwns)


def read_drives(data: Any, host: str = "") -> Tuple[DeclaredDrive, ...]:
    """The declared drives in bay order, from C(split_actuator_drives).

    *data* maps bay labels to C(serial), C(model), C(unit_count), C(unit_bytes), C(wwns), C(use) and C(ranges).
    InputError names host, key and value.
    """
    where = "{0}: {1}".format(host, VARIABLE) if host else VARIABLE
    if not isinstance(data, Mapping):
        raise InputError("{0!r} is not a dictionary of bays".format(data), subject=where)
    drives = [_read_drive(label, entry, where) for label, entry in data.items()]
    _refuse_twice(drives, where)
    return tuple(sorted(drives, key=lambda drive: Bay.parse(drive.bay)))


def _read_drive(label: Any, entry: Any, where: str) -> DeclaredDrive:
    place = "{0}.{1}".format(where, label)
    try:
        bay = Bay.parse(str(label)).label
    except InputError as exc:
        raise InputError(exc.message, subject=where, remedy=exc.remedy) from exc
    mapping(entry, _KEYS, place, remedy="Write {serial: ...}.")
    units = whole(entry.get("unit_count", 2), 1, MOST_UNITS, place + ".unit_count")
    return DeclaredDrive(
        bay=bay,
        serial=_text(entry.get("serial"), _SERIAL, place + ".serial", "letters, digits, _ . : - (64 at most)"),
        model=str(entry.get("model", "")),
        unit_count=units,
        unit_bytes=read_sizes(entry.get("unit_bytes", 0), units, place + ".unit_bytes"),
        wwns=_wwns(entry.get("wwns", []), place + ".wwns"),
        use=choice(entry.get("use", "data"), USES, place + ".use"),
        ranges=read_spec(entry["ranges"], place + ".ranges") if entry.get("ranges") else None,
    )


def read_sizes(value: Any, units: int, where: str) -> Tuple[int, ...]:
    """Sizes of units from one number for all, or from a list in index order; empty for 0. Raises InputError naming
    *where*.

    *units* is how many there should be, 0 where that is not known.
    """
    if not isinstance(value, (list, tuple)):
        size = whole(value, 0, MOST_BYTES, where)
        return (size,) if size else ()
    if len(value) > 1 and units and len(value) != units:
        raise InputError("{0} sizes are given for {1} units".format(len(value), units), subject=where)
    return tuple(whole(size, 1, MOST_BYTES, "{0}[{1}]".format(where, number)) for number, size in enumerate(value))


def size_at(sizes: Sequence[int], index: int) -> int:
    """The size of the unit *index* in the result of `read_sizes`; 0 where it is not declared."""
    if len(sizes) == 1:
        return sizes[0]
    return sizes[index] if index < len(sizes) else 0


def plain_sizes(sizes: Sequence[int]) -> Any:
    """As people write it: one number where one is enough."""
    return sizes[0] if len(sizes) == 1 else list(sizes) or 0


def _text(value: Any, form: re.Pattern[str], place: str, allowed: str) -> str:
    # A serial of digits only is read as a number by YAML unless it is quoted.
    if not isinstance(value, str) or not form.fullmatch(value):
        raise InputError(
            "{0!r} is not allowed".format(value), subject=place, remedy="Write quoted text: {0}.".format(allowed)
        )
    return value


def _wwns(value: Any, place: str) -> Tuple[str, ...]:
    if not isinstance(value, (list, tuple)):
        raise InputError("{0!r} is not a list".format(value), subject=place)
    return tuple(_text(item, WWN, place, "naa. or eui. and 16 to 32 lower-case hexadecimal digits") for item in value)


def _refuse_twice(drives: Sequence[DeclaredDrive], where: str) -> None:
    seen: Dict[str, str] = {}
    bays: Dict[str, str] = {}
    for drive in drives:
        if drive.serial in seen:
            raise InputError(
                "serial {0} is declared for {1} and for {2}".format(drive.serial, seen[drive.serial], drive.bay),
                subject=where,
                remedy="A drive is in one bay: correct one of the two.",
            )
        if drive.bay in bays:
            raise InputError("{0} is declared twice".format(drive.bay), subject=where)
        seen[drive.serial] = drive.bay
        bays[drive.bay] = drive.serial


def draft(drives: Sequence[Drive]) -> Dict[str, Dict[str, Any]]:
    """The declaration that describes found drives: bay label to entry, in bay order.

    Drives without a bay, without a serial or with a serial that another drive reports too cannot be declared and are
    left out; `drive_info` reports them. Ordinary drives get the use C(other): a layout consists of the units of
    drives with several units.
    """
    serials = Counter(drive.serial for drive in drives)
    placed = [(drive.bay, drive) for drive in drives if drive.bay is not None]
    return {
        bay.label: _draft_drive(drive)
        for bay, drive in sorted(placed, key=lambda pair: (pair[0], pair[1].serial))
        if _SERIAL.fullmatch(drive.serial) and serials[drive.serial] == 1
    }


def _draft_drive(drive: Drive) -> Dict[str, Any]:
    units = max(len(drive.units), drive.expected_units)
    entry: Dict[str, Any] = {
        "serial": drive.serial,
        "model": drive.model,
        "unit_count": units,
        "unit_bytes": plain_sizes(_sizes(drive, units)),
        "wwns": [unit.wwn for unit in drive.units if WWN.fullmatch(unit.wwn)],
    }
    if units == 1:
        entry["use"] = "other"
    return entry


def _sizes(drive: Drive, units: int) -> Tuple[int, ...]:
    """One size, the smallest, if all units have about the same; else the size of each, as ranges may differ; empty when
    not known."""
    found = [unit.size for unit in drive.units]
    least, most = min(found, default=0), max(found, default=0)
    if most - least <= ALIKE:
        return (least,) if least else ()
    return tuple(found) if len(found) == units and all(found) else ()


def merge(declared: Sequence[DeclaredDrive], found: Sequence[Drive]) -> Tuple[Drive, ...]:
    """The drives declared for data as `Drive`s in bay order, completed by what was found.

    A missing drive is completed from its declaration alone; it is refused if its size is not declared.
    """
    wanted = [drive for drive in declared if drive.use == "data"]
    present = {drive.serial for drive in found}
    reasons = [
        "{0} (serial {1}): not found on the host, and unit_bytes is not declared".format(drive.bay, drive.serial)
        for drive in wanted
        if drive.serial not in present and not all(drive.size_of(index) for index in range(drive.unit_count))
    ]
    if reasons:
        raise Refusal(
            "Declared drives are missing, and their size is not known.",
            reasons,
            "Declare unit_bytes (survey writes it), seat the drive, or correct the declaration.",
        )
    return complete(wanted, found)


def complete(declared: Sequence[DeclaredDrive], found: Sequence[Drive]) -> Tuple[Drive, ...]:
    """All declared drives in bay order, completed by those found; sizes and WWNs may stay unknown.

    Of drives that report one serial, only the one in the declared bay counts.
    """
    by_serial: Dict[str, List[Drive]] = {}
    for drive in found:
        by_serial.setdefault(drive.serial, []).append(drive)
    return tuple(_merge_drive(drive, _meant(drive, by_serial.get(drive.serial, []))) for drive in declared)


def _meant(declared: DeclaredDrive, found: Sequence[Drive]) -> Optional[Drive]:
    if len(found) > 1:
        found = [drive for drive in found if drive.bay is not None and drive.bay.label == declared.bay]
    return found[0] if len(found) == 1 else None


def _merge_drive(declared: DeclaredDrive, found: Optional[Drive]) -> Drive:
    units_found = {unit.index: unit for unit in found.units} if found else {}
    units = []
    for index in range(declared.unit_count):
        unit = units_found.get(index, Unit(index, unit_kind="range" if declared.by_range else "lun"))
        wwn = declared.wwns[index] if index < len(declared.wwns) else unit.wwn
        units.append(replace(unit, wwn=wwn, size=declared.size_of(index) or unit.size))
    return Drive(
        key=found.key if found else "",
        serial=declared.serial,
        units=tuple(units),
        vendor=found.vendor if found else "",
        model=declared.model or (found.model if found else ""),
        firmware=found.firmware if found else "",
        bay=Bay.parse(declared.bay),
        bay_source="declared",
        adapter=found.adapter if found else "",
        expected_units=declared.unit_count,
    )


def survey_notes(declared: Sequence[DeclaredDrive], found: Sequence[Drive]) -> Tuple[str, ...]:
    """How the declaration differs from what was found, one line for each bay; empty when they agree."""
    seen = {drive.bay.label: drive for drive in found if drive.bay is not None}
    where = {drive.serial: label for label, drive in seen.items()}
    wanted = {drive.bay: drive for drive in declared}
    lines = []
    for label in sorted(set(seen) | set(wanted), key=Bay.parse):
        here, there = seen.get(label), wanted.get(label)
        if here is None and there is not None:
            moved = where.get(there.serial)
            lines.append(
                "{0}: serial {1} is declared; {2}".format(
                    label, there.serial, "it is in " + moved if moved else "it was not found"
                )
            )
        elif there is None and here is not None:
            lines.append("{0}: holds serial {1}, which is not declared".format(label, here.serial))
        elif here is not None and there is not None and here.serial != there.serial:
            lines.append("{0}: serial {1} is declared, {2} was found".format(label, there.serial, here.serial))
    return tuple(lines)
