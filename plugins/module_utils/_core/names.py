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
drive is partitioned, and while it is missing.
"""

from __future__ import annotations

import re
import uuid
from typing import List, Sequence, Tuple

from .model import Bay, Drive, Unit

DIRECTORY = "/dev/disk/by-vdev"
RULES_FILE = "/etc/udev/rules.d/70-evenkeel-units.rules"

# The only form of a unit's designator that may reach a rule or a file: it comes from the drive, or from a person.
WWN = re.compile(r"(?:naa|eui)\.[0-9a-f]{16,32}")
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


def fitted_uuid(wwn: str) -> str:
    """The UUID of the one partition that fits a larger unit into its vdev (see `zfs.fitting`), like `range_uuid`."""
    return str(uuid.uuid5(_RANGES, "{0}/fitted".format(wwn)))


def is_range(drive: Drive, unit: Unit) -> bool:
    """Whether a unit is an access range: it is found to be one, or another unit of the drive has its WWN."""
    same = sum(1 for other in drive.units if other.wwn == unit.wwn)
    return unit.unit_kind == "range" or bool(unit.wwn and same > 1)


def udev_rules(drives: Sequence[Drive]) -> str:
    """The rules file for the declared drives, in bay order. Units whose WWN is not known get no rule."""
    ranges: List[str] = []
    disks: List[str] = []
    maps: List[str] = []
    placed = [(drive.bay, drive) for drive in drives if drive.bay is not None]
    for bay, drive in sorted(placed, key=lambda pair: pair[0]):
        for unit in drive.units:
            name = unit_name(bay.label, unit.index)
            if is_range(drive, unit):
                ranges += _range_rules(drive, unit, name)
            elif WWN.fullmatch(unit.wwn):
                disks += _rules_of(unit.wwn, name)
                maps += _map_rules(unit.wwn, name)
    lines = [*_HEAD, *ranges, *_DISKS, *disks, *_MAPS, *maps, 'LABEL="evenkeel_units_end"']
    return "\n".join(lines) + "\n"


_HEAD = (
    "# Made from the declared inventory by evenkeel.split_actuator; edits here are overwritten.",
    "# A unit's name is its drive's bay and its index. Keyed on the unit's own designator (for the",
    "# ranges of one logical unit: the partition's UUID), since all units of a drive report the same",
    "# serial number.",
    'SUBSYSTEM!="block", GOTO="evenkeel_units_end"',
    'ACTION=="remove", GOTO="evenkeel_units_end"',
)
_DISKS = (
    "# Where a unit has several paths, the multipath map has its name, not one of the paths.",
    'KERNEL=="dm-*", GOTO="evenkeel_units_maps"',
    'ENV{DM_MULTIPATH_DEVICE_PATH}=="1", GOTO="evenkeel_units_end"',
)
_MAPS = (
    'GOTO="evenkeel_units_end"',
    'LABEL="evenkeel_units_maps"',
    'ENV{DM_UUID}!="*mpath-*", GOTO="evenkeel_units_end"',
)


def _rules_of(wwn: str, name: str) -> List[str]:
    kind, digits = wwn.split(".", 1)
    rules = _disk_rules('ENV{{ID_WWN_WITH_EXTENSION}}=="0x{0}"'.format(digits), name)
    # Of an NVMe namespace, udev gives the name in this form and no extension.
    return rules + (_disk_rules('ENV{{ID_WWN}}=="{0}"'.format(wwn), name) if kind == "eui" else [])


def _disk_rules(match: str, name: str) -> List[str]:
    return [
        'ENV{{DEVTYPE}}=="disk", {0}, SYMLINK+="disk/by-vdev/{1}"'.format(match, name),
        'ENV{{DEVTYPE}}=="partition", {0}, SYMLINK+="disk/by-vdev/{1}-part%n"'.format(match, name),
    ]


def _map_rules(wwn: str, name: str) -> List[str]:
    kind, digits = wwn.split(".", 1)
    # scsi_id puts a digit for the kind of designator before it: 3 for NAA, 2 for EUI-64.
    uuid_of_map = "mpath-{0}{1}".format("3" if kind == "naa" else "2", digits)
    return [
        'ENV{{DM_UUID}}=="{0}", SYMLINK+="disk/by-vdev/{1}"'.format(uuid_of_map, name),
        'ENV{{DM_UUID}}=="part*-{0}", ENV{{DM_PART}}=="?*", SYMLINK+="disk/by-vdev/{1}-part$env{{DM_PART}}"'.format(
            uuid_of_map, name
        ),
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
