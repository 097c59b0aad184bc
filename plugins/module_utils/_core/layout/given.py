# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Drives, and a layout that exists, as people or `drive_info` give them to a plan."""

from __future__ import annotations

from typing import Any, List, Mapping, Tuple

from ..checks import mapping, refused, whole
from ..errors import InputError
from ..model import Bay, Drive, Layout, Member, Unit
from ..plain import from_plain

_SIMPLE = ("bay", "serial", "unit_count", "unit_bytes", "adapter")
MOST_UNITS = 16
MOST_INDEX = 16383  # the largest LUN of flat space addressing, 14 bits (SAM-5, 4.7.7.3); ranges have lower numbers
MOST_BYTES = 2**63 - 1  # what an off_t holds


def read_drives(data: Any, where: str = "drives") -> Tuple[Drive, ...]:
    """Drives from plain data: as `plain.to_plain` writes them, or in the short form.

    The short form is C({bay: west-bay07, serial: ACS0007, unit_count: 2, unit_bytes: 9000000000000}), where
    C(unit_bytes) is a list in index order when sizes differ; bay and adapter may be left out. InputError names the
    place, the value and what is allowed.
    """
    if not isinstance(data, (list, tuple)):
        raise InputError("{0!r} is not a list".format(data), subject=where)
    return tuple(_read(entry, "{0}[{1}]".format(where, number)) for number, entry in enumerate(data))


def _read(entry: Any, where: str) -> Drive:
    if isinstance(entry, Mapping) and "key" in entry:
        return check_drive(from_plain(Drive, dict(entry), where), where)
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
    sizes = entry.get("unit_bytes")
    place = where + ".unit_bytes"
    if not isinstance(sizes, (list, tuple)):
        count = whole(entry.get("unit_count", 2), 1, MOST_UNITS, where + ".unit_count")
        return [whole(sizes, 1, MOST_BYTES, place)] * count
    _check_count(len(sizes), place)
    count = whole(entry["unit_count"], 1, MOST_UNITS, where + ".unit_count") if "unit_count" in entry else len(sizes)
    if count != len(sizes):
        raise InputError("{0} sizes are given for {1} units".format(len(sizes), count), subject=place)
    return [whole(size, 1, MOST_BYTES, "{0}[{1}]".format(place, number)) for number, size in enumerate(sizes)]


def read_placed(data: Any, where: str = "placed") -> Layout:
    """The layout of a pool that exists, from plain data. InputError names the place in it that cannot be."""
    layout = from_plain(Layout, data, where)
    groups = [("{0}.vdevs[{1}]".format(where, n), vdev.members) for n, vdev in enumerate(layout.vdevs)]
    groups += [("{0}.spares[{1}]".format(where, n), spare.members) for n, spare in enumerate(layout.spares)]
    for place, members in groups:
        if not members:
            raise InputError("it has no members", subject=place + ".members", remedy="Give the units it consists of.")
        for number, member in enumerate(members):
            _check_member(member, "{0}.members[{1}]".format(place, number))
    return layout


def _check_member(member: Member, where: str) -> None:
    if not member.serial:
        raise InputError("a member has no serial", subject=where + ".serial", remedy="Name the drive it is on.")
    whole(member.index, 0, MOST_INDEX, where + ".index")
    whole(member.size, 1, MOST_BYTES, where + ".size")
    if member.bay:
        _check_bay(member.bay, where + ".bay")


def check_drive(drive: Drive, where: str) -> Drive:
    """Itself, when its numbers can be those of a drive; InputError otherwise."""
    _check_count(len(drive.units), where + ".units")
    for number, unit in enumerate(drive.units):
        place = "{0}.units[{1}]".format(where, number)
        whole(unit.index, 0, MOST_INDEX, place + ".index")
        whole(unit.size, 0, MOST_BYTES, place + ".size")
    if drive.bay:
        _check_bay(drive.bay.label, where + ".bay")
    return drive


def _check_count(units: int, where: str) -> None:
    if units > MOST_UNITS:
        raise refused("a list of {0}".format(units), where, "at most {0} units".format(MOST_UNITS))


def _check_bay(label: str, where: str) -> None:
    try:
        Bay.parse(label)
    except InputError as error:
        raise InputError(error.message, subject=where, remedy=error.remedy) from error
