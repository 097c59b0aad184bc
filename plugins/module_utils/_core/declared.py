# Copyright: (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The declared inventory: what people say a host should have."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Dict, List, Mapping, Sequence, Tuple

from .errors import InputError
from .model import Bay, Drive

VARIABLE = "split_actuator_drives"

_KEYS = ("serial", "model", "units", "wwns")
_SERIAL = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.:-]{0,63}")
_WWN = re.compile(r"(?:naa|eui)\.[0-9a-f]{16,32}")
MOST_UNITS = 16


@dataclass(frozen=True)
class DeclaredDrive:
    """One line of C(split_actuator_drives): the drive that a bay should hold.

    *units* is how many units it should show; *wwns* are their designators in index order
    when known (they let a missing drive be named, and its links be made before it returns).
    """

    bay: str
    serial: str
    model: str = ""
    units: int = 2
    wwns: Tuple[str, ...] = ()


def read_drives(data: Any, host: str = "") -> Tuple[DeclaredDrive, ...]:
    """The declared drives in bay order, from C(split_actuator_drives).

    *data* maps bay labels to C(serial), C(model), C(units) and C(wwns). InputError names host,
    key and value.
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
    if not isinstance(entry, Mapping):
        raise InputError("{0!r} is not a dictionary".format(entry), subject=place, remedy="Write {serial: ...}.")
    unknown = sorted(str(key) for key in entry if key not in _KEYS)
    if unknown:
        raise InputError(
            "unknown key {0}".format(", ".join(unknown)),
            subject=place,
            remedy="Allowed: {0}.".format(", ".join(_KEYS)),
        )
    return DeclaredDrive(
        bay=bay,
        serial=_text(entry.get("serial"), _SERIAL, place + ".serial", "letters, digits, _ . : - (64 at most)"),
        model=str(entry.get("model", "")),
        units=_units(entry.get("units", 2), place + ".units"),
        wwns=_wwns(entry.get("wwns", []), place + ".wwns"),
    )


def _text(value: Any, form: re.Pattern[str], place: str, allowed: str) -> str:
    # A serial of digits only is read as a number by YAML unless it is quoted.
    if not isinstance(value, str) or not form.fullmatch(value):
        raise InputError("{0!r} is not allowed".format(value), subject=place, remedy="Quoted text: {0}.".format(allowed))
    return value


def _units(value: Any, place: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= MOST_UNITS:
        raise InputError("{0!r} is not a number from 1 to {1}".format(value, MOST_UNITS), subject=place)
    return value


def _wwns(value: Any, place: str) -> Tuple[str, ...]:
    if not isinstance(value, (list, tuple)):
        raise InputError("{0!r} is not a list".format(value), subject=place)
    return tuple(_text(item, _WWN, place, "naa. or eui. and 16 to 32 lower-case hexadecimal digits") for item in value)


def _refuse_twice(drives: Sequence[DeclaredDrive], where: str) -> None:
    seen: Dict[str, str] = {}
    bays: Dict[str, str] = {}
    for drive in drives:
        if drive.serial in seen:
            raise InputError(
                "serial {0} is declared for {1} and for {2}".format(drive.serial, seen[drive.serial], drive.bay),
                subject=where,
                remedy="A drive sits in one bay; correct one of the two.",
            )
        if drive.bay in bays:
            raise InputError("{0} is declared twice".format(drive.bay), subject=where)
        seen[drive.serial] = drive.bay
        bays[drive.bay] = drive.serial


def draft(drives: Sequence[Drive]) -> Dict[str, Dict[str, Any]]:
    """The declaration that describes found drives: bay label to entry, in bay order.

    Drives without a bay or a serial cannot be declared and are left out; `drive_info`
    reports them.
    """
    known: List[Drive] = [drive for drive in drives if drive.bay is not None and _SERIAL.fullmatch(drive.serial)]
    return {
        drive.bay.label: {
            "serial": drive.serial,
            "model": drive.model,
            "units": len(drive.units),
            "wwns": [unit.wwn for unit in drive.units if _WWN.fullmatch(unit.wwn)],
        }
        for drive in sorted(known, key=lambda drive: (drive.bay, drive.serial))
        if drive.bay is not None
    }
