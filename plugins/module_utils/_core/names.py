# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Stable names of units: the udev rules that make them. Pure.

Each unit gets C(/dev/disk/by-vdev/<bay>.<index>), partitions get C(-part<n>) behind it.
The directory is OpenZFS's own for names an administrator gives: searched first on import and
stripped in listings, so that C(zpool status) prints C(bay07.1). The rules are static
comparisons and start no program.

A range unit is a partition. All ranges of a drive share the logical unit's WWN, so they are keyed
on the partition's UUID, which `range_uuid` derives from the WWN: the rule can be written before the
drive is split, and while it is away.
"""

from __future__ import annotations

import re
import uuid
from typing import List, Sequence, Tuple

from .model import Bay, Drive, Unit

DIRECTORY = "/dev/disk/by-vdev"
RULES_FILE = "/etc/udev/rules.d/70-evenkeel-units.rules"

# The only form that may reach a rule: it comes from the drive, or from a person.
_WWN = re.compile(r"(?:naa|eui)\.[0-9a-f]{16,32}")
_UUID = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_RANGES = uuid.UUID("2aaced24-73e5-435f-861d-460632aeedd6")  # the name space of range_uuid
_NAME = re.compile(r"((?:[a-z][a-z0-9_]{0,15}-)?bay[0-9]{1,4})\.([0-9]{1,2})(?:-part[0-9]+)?")


def unit_name(bay: str, index: int) -> str:
    """The name of a unit: bay label, dot, index."""
    return "{0}.{1}".format(Bay.parse(bay).label, index)


def parse_unit_name(text: str) -> Tuple[str, int]:
    """Bay label and index from C(bay07.1), a link of that name or its C(-part1); C(("", -1)) otherwise."""
    match = _NAME.fullmatch(text.rsplit("/", 1)[-1])
    return (match.group(1), int(match.group(2))) if match else ("", -1)


def range_uuid(identity: str, index: int) -> str:
    """The partition UUID of a range unit: a name-based UUID (RFC 9562, version 5) of its logical unit.

    *identity* is the logical unit's WWN, or the drive's key where it has none.
    """
    return str(uuid.uuid5(_RANGES, "{0}/{1}".format(identity, index)))


def is_range(drive: Drive, unit: Unit) -> bool:
    """Whether a unit is an access range: it is found to be one, or another unit of the drive has its WWN."""
    same = sum(1 for other in drive.units if other.wwn == unit.wwn)
    return unit.kind == "range" or bool(unit.wwn and same > 1)


def udev_rules(drives: Sequence[Drive]) -> str:
    """The rules file for the declared drives, in bay order. Units whose WWN is not known get no rule."""
    lines: List[str] = [
        "# Made from the declared inventory by evenkeel.split_actuator; edits here are overwritten.",
        "# A unit's name is its drive's bay and its index. Keyed on the unit's own designator (for the",
        "# ranges of one logical unit: the partition's UUID), since all units of a drive report the same",
        "# serial number.",
        'SUBSYSTEM!="block", GOTO="evenkeel_units_end"',
        'ACTION=="remove", GOTO="evenkeel_units_end"',
    ]
    placed = [(drive.bay, drive) for drive in drives if drive.bay is not None]
    for bay, drive in sorted(placed, key=lambda pair: pair[0]):
        for unit in drive.units:
            if is_range(drive, unit):
                lines += _range_rules(drive, unit, unit_name(bay.label, unit.index))
            elif _WWN.fullmatch(unit.wwn):
                lines += _rules_of(unit.wwn, unit_name(bay.label, unit.index))
    lines.append('LABEL="evenkeel_units_end"')
    return "\n".join(lines) + "\n"


def _rules_of(wwn: str, name: str) -> List[str]:
    match = 'ENV{{ID_WWN_WITH_EXTENSION}}=="0x{0}"'.format(wwn.split(".", 1)[1])
    return [
        'ENV{{DEVTYPE}}=="disk", {0}, SYMLINK+="disk/by-vdev/{1}"'.format(match, name),
        'ENV{{DEVTYPE}}=="partition", {0}, SYMLINK+="disk/by-vdev/{1}-part%n"'.format(match, name),
    ]


def _range_rules(drive: Drive, unit: Unit, name: str) -> List[str]:
    found = unit.part_uuid.lower()
    identity = unit.wwn or drive.key
    if not _UUID.fullmatch(found):
        if not identity:
            return []
        found = range_uuid(identity, unit.index)
    # Also on the partitions that device-mapper makes on a multipath map, whose DEVTYPE is disk.
    return ['ENV{{ID_PART_ENTRY_UUID}}=="{0}", SYMLINK+="disk/by-vdev/{1}"'.format(found, name)]
