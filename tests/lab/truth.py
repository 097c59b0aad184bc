# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""What a pool on a lab machine really is, told without any code of the collection.

The members come from C(zpool status), the drives from the lab's own description and the guest's
sysfs. C(python3 -m tests.lab.truth LAB built|pulled) checks the pool of the main job.
"""

from __future__ import annotations

import re
import sys
from collections import Counter
from dataclasses import dataclass

from .errors import LabError
from .lab import Lab

_ROW = re.compile(r"\t( *)(\S+) +([A-Z]+) +\d+ +\d+ +\d+")


@dataclass(frozen=True)
class Member:
    """A member as C(zpool status -P) prints it, and the drive and unit behind it (empty, -1: not there)."""

    path: str
    state: str
    serial: str
    unit: int


def members(lab: Lab, pool: str) -> dict[str, list[Member]]:
    """Each vdev with its members, traced through the guest's device nodes to the lab's drives."""
    behind: dict[str, tuple[str, int]] = {}
    units = {f"naa.{unit.wwn:016x}": (drive.serial, unit.index) for drive in lab.chassis.drives for unit in drive.units}
    for one in lab.guest_units():
        if one["wwid"] in units:
            behind[str(one["block"])] = units[one["wwid"]]
    stored = _rows(lab.run(["zpool", "status", "-P", pool]).out)
    leaves = [row[1] for row in stored if row[0] == 4]
    nodes = lab.run(["readlink", "-m", *leaves]).out.split()
    node_of = {leaf: re.sub(r"^/dev/|\d+$", "", node) for leaf, node in zip(leaves, nodes, strict=True)}
    found: dict[str, list[Member]] = {}
    for depth, name, state in stored:
        if depth == 2:
            found[name] = []
        elif depth == 4:
            serial, index = behind.get(node_of[name], ("", -1))
            found[list(found)[-1]].append(Member(name, state, serial, index))
    return found


def _rows(text: str) -> list[tuple[int, str, str]]:
    matches = [_ROW.match(line) for line in text.splitlines()]
    return [(len(match.group(1)), match.group(2), match.group(3)) for match in matches if match]


def check_built(lab: Lab, pool: str) -> None:
    """Every unit is a member once, no vdev holds two units of a drive, and no path is keyed by a serial number."""
    vdevs = members(lab, pool)
    seen = Counter((member.serial, member.unit) for found in vdevs.values() for member in found)
    wanted = Counter((drive.serial, unit.index) for drive in lab.chassis.drives for unit in drive.units)
    _require(seen == wanted, f"members {sorted(seen)}, drives {sorted(wanted)}")
    for name, found in vdevs.items():
        twice = [serial for serial, count in Counter(member.serial for member in found).items() if count > 1]
        _require(not twice, f"{name} holds two units of {twice}")
    for member in (member for found in vdevs.values() for member in found):
        keyed = [drive.serial for drive in lab.chassis.drives if drive.serial in member.path]
        _require(not keyed, f"{member.path} is keyed by a serial number")
        _require(re.search(r"/sd[a-z]+\d*$", member.path) is None, f"{member.path} is no stable name")


def check_pulled(lab: Lab, pool: str) -> None:
    """Every vdev has lost exactly one member, and all of those were units of the drive that was pulled."""
    gone = [slot.drive for slot in lab.state.slots if not slot.inside]
    _require(len(gone) == 1, f"pulled drives: {gone}")
    for name, found in members(lab, pool).items():
        lost = [member.path for member in found if member.state != "ONLINE"]
        _require(len(lost) == 1, f"{name} lost {lost}")
        _require(f"bay{gone[0].bay:02d}." in lost[0], f"{name} lost {lost[0]}, pulled was bay {gone[0].bay}")


def _require(condition: bool, otherwise: str) -> None:
    if not condition:
        raise LabError(otherwise)


if __name__ == "__main__":
    {"built": check_built, "pulled": check_pulled}[sys.argv[2]](Lab(name=sys.argv[1]), "archive")
    print(f"The pool is as it should be ({sys.argv[2]}).")
