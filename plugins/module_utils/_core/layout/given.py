# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Drives as people or `drive_info` give them to a plan."""

from __future__ import annotations

from typing import Any, List, Mapping, Tuple

from ..checks import mapping, whole
from ..errors import InputError
from ..model import Bay, Drive, Unit
from ..plain import from_plain

_SIMPLE = ("bay", "serial", "units", "unit_bytes", "adapter")
MOST_UNITS = 16


def read_drives(data: Any, where: str = "drives") -> Tuple[Drive, ...]:
    """Drives from plain data: as `plain.to_plain` writes them, or in the short form.

    The short form is C({bay: west-bay07, serial: ACS0007, units: [9000000000000, 9000000000000]}) or
    C(units: 2, unit_bytes: 9000000000000); bay and adapter may be left out. InputError names the
    place, the value and what is allowed.
    """
    if not isinstance(data, (list, tuple)):
        raise InputError("{0!r} is not a list".format(data), subject=where)
    return tuple(_read(entry, "{0}[{1}]".format(where, number)) for number, entry in enumerate(data))


def _read(entry: Any, where: str) -> Drive:
    if isinstance(entry, Mapping) and "key" in entry:
        return from_plain(Drive, dict(entry), where)
    mapping(entry, _SIMPLE, where, more="; or a whole drive as drive_info returns it")
    serial = entry.get("serial")
    if not isinstance(serial, str) or not serial:
        raise InputError("{0!r} is not a serial".format(serial), subject=where + ".serial", remedy="Give it as text.")
    label = entry.get("bay")
    sizes = _sizes(entry, where)
    return Drive(
        key=serial,
        serial=serial,
        units=tuple(Unit(index, size=size) for index, size in enumerate(sizes)),
        bay=None if label in (None, "") else Bay.parse(str(label)),
        bay_source="declared",
        adapter=str(entry.get("adapter") or ""),
        expected_units=len(sizes),
    )


def _sizes(entry: Mapping[str, Any], where: str) -> List[int]:
    units = entry.get("units", 2)
    if isinstance(units, (list, tuple)):
        return [whole(size, 1, 2**63 - 1, "{0}.units[{1}]".format(where, n)) for n, size in enumerate(units)]
    count = whole(units, 1, MOST_UNITS, where + ".units")
    return [whole(entry.get("unit_bytes"), 1, 2**63 - 1, where + ".unit_bytes")] * count
