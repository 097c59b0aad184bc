# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Which vdevs can be expanded, since all of their members have become larger. Pure.

EXPANDSZ of C(zpool list) is only updated when a vdev is reopened, so the vdev's size in the pool's labels is
compared with what its units could give.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import List, Mapping, Optional, Sequence, Tuple

from ..errors import InputError
from ..host.disks import Partition
from ..host.run import Command
from ..layout.capacity import pool_capacity
from ..model import Layout, Vdev
from ..partition.extents import ALIKE
from . import build, fitting
from .access import Holding
from .labels import LabelVdev
from .resolve import Pool, PoolMember, PoolVdev

# The partition that OpenZFS makes for its data, on a link or (sda1) on a node.
_FIRST = re.compile(r"^(/dev/[a-z]+)1$|-part1$")


@dataclass(frozen=True)
class Enlarged:
    """The vdevs that can grow: their *members* (vdev name, each member as a command names it), and their sizes
    *before* and *after* as lines.

    *moving* are the commands that first extend the partitions that were made to fit larger units in.
    *waiting* has a line for each vdev of which only some members are larger, or that cannot grow now.
    """

    members: Tuple[Tuple[str, Tuple[str, ...]], ...] = ()
    before: Tuple[str, ...] = ()
    after: Tuple[str, ...] = ()
    waiting: Tuple[str, ...] = ()
    moving: Tuple[Command, ...] = ()


def enlarged(
    pool: Pool,
    now: Layout,
    held: Mapping[build.Key, Holding],
    whole: Sequence[str],
    fitted: Mapping[str, Partition],
) -> Enlarged:
    """What can grow. *held* are the labels found; *whole* the nodes of units that are a vdev's as a whole.

    *fitted* has, by a unit's node, the partition that fits it into its vdev.
    """
    moving: List[Command] = []
    members: List[Tuple[str, Tuple[str, ...]]] = []
    before: List[str] = []
    after: List[str] = []
    waiting: List[str] = []
    data = [vdev for vdev in pool.vdevs if vdev.group == "data"]
    for vdev, placed in zip(data, now.vdevs):
        label = _label(placed, held)
        possible = _possible(placed, held, whole)
        if label is None or not possible:
            continue
        if possible - label.asize >= 1 << label.metaslab_shift:
            hindrance = _hindrance(pool, vdev)
            if hindrance:
                waiting.append("{0} could grow, but {1}".format(vdev.name, hindrance))
                continue
            members.append((vdev.name, tuple(_called(one, held, fitted) for one in vdev.members)))
            moving += _moving(vdev, held, fitted)
            before.append("{0}: {1} bytes to allocate".format(vdev.name, label.asize))
            after.append("{0}: {1} bytes to allocate".format(vdev.name, possible))
        waiting += _smaller(vdev, placed)
    return Enlarged(tuple(members), tuple(before), tuple(after), tuple(waiting), tuple(moving))


def _moving(vdev: PoolVdev, held: Mapping[build.Key, Holding], fitted: Mapping[str, Partition]) -> List[Command]:
    """The commands that extend the partitions of larger units to the units' ends."""
    commands: List[Command] = []
    for member in vdev.members:
        one = held.get((member.serial, member.index))
        part = fitted.get(one.unit.node) if one is not None else None
        if one is None or part is None:
            continue
        entry = fitting.full(one.unit, part, member.name)
        if entry is not None:
            label = "{0} (serial {1}) unit {2}".format(member.bay or "bay unknown", member.serial, member.index)
            commands += fitting.growing(one.unit, part.node, entry, label)
    return commands


def _called(member: PoolMember, held: Mapping[build.Key, Holding], fitted: Mapping[str, Partition]) -> str:
    """How C(zpool online -e) must be given a member: a whole disk by its device link, another by its GUID.

    On a whole disk it extends the partition first, and for that it opens the device that it was given
    (C(zpool_vdev_online) in OpenZFS's lib/libzfs/libzfs_pool.c).
    """
    one = held.get((member.serial, member.index))
    if one is not None and (one.unit.unit_kind == "range" or one.unit.node in fitted):
        return member.guid
    return _FIRST.sub(r"\1", member.path) or member.guid


def _label(placed: Vdev, held: Mapping[build.Key, Holding]) -> Optional[LabelVdev]:
    """The vdev as the newest label on its units has it."""
    found = [held[key].label for key in build.places(placed) if key in held]
    newest = max(found, key=lambda label: label.txg, default=None)
    return newest.vdev if newest is not None and newest.vdev.asize else None


def _possible(placed: Vdev, held: Mapping[build.Key, Holding], whole: Sequence[str]) -> int:
    """What the vdev could allocate on its units as they are; 0 where that is unknown."""
    for member in placed.members:
        one = held.get((member.serial, member.index))
        if one is None or not member.size or (one.unit.unit_kind != "range" and one.unit.node not in whole):
            return 0
    blocks = {held[key].unit.logical_block for key in build.places(placed)}
    try:
        return min(pool_capacity([placed], logical_block=block).vdevs[0].asize for block in blocks)
    except InputError:
        return 0


def _hindrance(pool: Pool, vdev: PoolVdev) -> str:
    if pool.scan.resilvering:
        return "a resilver is running; run this again when it has finished"
    if vdev.lost or any(len(slot.members) > 1 for slot in vdev.slots):
        return "not all of its members are available"
    return ""


def _smaller(vdev: PoolVdev, placed: Vdev) -> List[str]:
    least = min(member.size for member in placed.members)
    small = [member for member in placed.members if member.size < least + ALIKE]
    if len(small) == len(placed.members):
        return []
    return [
        "{0}: {1} of {2} members are larger; it grows once these are larger too: {3}".format(
            vdev.name,
            len(placed.members) - len(small),
            len(placed.members),
            ", ".join("{0} (serial {1})".format(member.name, member.serial) for member in small),
        )
    ]
