# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Which spare drives are free, and for which drives they can stand in. Pure."""

from __future__ import annotations

from typing import Collection, Dict, FrozenSet, List, Mapping, Sequence, Tuple

from ..model import Content, Drive, Unit
from ..replacement.candidate import least, usable
from ..zfs.access import Holding
from ..zfs.build import Key
from ..zfs.resolve import Pool
from .duty import Seat

# Contents of an idle spare that is a spare of the pool now.
_IN_POOL = ("pool_label", "partition_table", "open")
# Contents of a former spare of a pool: its label names no pool, and it holds no data.
_WAS_SPARE = ("pool_label", "partition_table")


def members_of(pool: Pool) -> FrozenSet[str]:
    """The serials of drives that have a unit in one of the pool's vdevs now."""
    return frozenset(member.serial for vdev in pool.vdevs for member in vdev.members)


def unfit(
    drive: Drive,
    pool: Pool,
    contents: Mapping[Key, Sequence[Content]],
    held: Mapping[Key, Holding],
    begun: Collection[str],
    shaped: Collection[str],
) -> List[str]:
    """Why a spare drive cannot stand in for any drive, a line for each reason; empty when it can.

    *begun* are WWNs of units whose addition was interrupted, *shaped* the nodes that hold nothing but the two
    partitions of OpenZFS.
    """
    if len(drive.units) < drive.expected_units:
        return ["{0}: it shows {1} of its {2} units".format(drive.label, len(drive.units), drive.expected_units)]
    available = {(member.serial, member.index) for member in pool.spares if member.state == "AVAIL"}
    reasons = []
    for unit in drive.units:
        key = (drive.serial, unit.index)
        one = held.get(key)
        allowed: Tuple[str, ...] = ()
        if key in available:
            allowed = _IN_POOL
        elif one is not None and one.label.state == "spare":
            allowed = _WAS_SPARE
        elif unit.wwn in begun and unit.node in shaped:
            allowed = ("partition_table",)
        reasons += [
            "{0} unit {1}: {2} {3} on {4}".format(
                drive.label, unit.index, content.type.replace("_", " "), content.detail, content.node
            ).replace("  ", " ")
            for content in contents.get(key, ())
            if content.type not in allowed
        ]
    return reasons


def too_small(drive: Drive, lost: Sequence[Seat], drives: Sequence[Drive], held: Mapping[Key, Holding]) -> List[str]:
    """Why the drive's units do not fit into the places of a failed drive, by unit index."""
    sizes = {(one.serial, unit.index): unit for one in drives for unit in one.units}
    own: Dict[int, Unit] = {unit.index: unit for unit in drive.units}
    reasons = []
    for seat in lost:
        unit = own.get(seat.owner.index)
        needed = least(seat.vdev.members, sizes, held)
        if unit is None:
            reasons.append("{0} has no unit {1}".format(drive.label, seat.owner.index))
        elif usable(unit) < needed:
            reasons.append(
                "{0} unit {1} has {2} usable bytes, {3} needs {4}".format(
                    drive.label, unit.index, usable(unit), seat.vdev.name, needed
                )
            )
    return reasons


def nearest(free: Sequence[Drive], lost: Sequence[Seat]) -> List[Drive]:
    """The free spare drives, those of the failed drive's enclosure first, then in bay order."""
    home = lost[0].owner.enclosure

    def rank(drive: Drive) -> Tuple[bool, str, int, str]:
        enclosure = drive.bay.enclosure if drive.bay else ""
        return (enclosure != home, enclosure, drive.bay.slot if drive.bay else -1, drive.serial)

    return sorted(free, key=rank)
