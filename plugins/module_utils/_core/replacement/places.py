# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Where in a pool the units of one drive sit, and the commands that put another drive's units there. Pure.

Members are addressed by their GUIDs: a drive that was changed in its bay and the one before it have
the same unit names, and so the same device paths.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Dict, Iterable, List, Mapping, Optional, Sequence, Tuple

from ..errors import InputError
from ..host.run import Command
from ..names import parse_unit_name
from ..zfs.resolve import Pool, PoolMember, PoolSlot, PoolVdev

# Leaves in these states answer reads and can be taken offline.
_SERVING = ("ONLINE", "DEGRADED")
# What OpenZFS puts behind the path of a leaf that is replaced by one of the same path (module/zfs/spa.c).
_OLD = "/old"


@dataclass(frozen=True)
class Identity:
    """Whose unit a leaf of a pool is: serial of the drive, its bay (may be empty) and unit index."""

    serial: str
    bay: str
    index: int


@dataclass(frozen=True)
class Place:
    """A place in a vdev that a unit of the leaving drive holds.

    *leaving* is the member to be replaced. *incoming* is the member that is resilvering in its place, if any.
    *stale* are members that are resilvering and are to be detached first, because their drive leaves.
    """

    vdev: str
    redundancy: int
    leaving: PoolMember
    incoming: Optional[PoolMember] = None
    stale: Tuple[PoolMember, ...] = ()

    @property
    def index(self) -> int:
        """The unit index; the entering unit has the same."""
        return self.leaving.index


def identified(pool: Pool, known: Mapping[str, Identity], labelled: Mapping[str, Identity]) -> Pool:
    """The pool with its members identified by GUID where that says more than their paths.

    *known* is what was noted of leaves before, by GUID; *labelled* says on which unit of the host the label of a
    leaf is. A leaf that does not serve, and whose label is not on the unit that its path leads to, belongs to another
    drive. Only bay and index of that drive are known, from the path.
    """
    there = {(one.serial, one.index) for one in labelled.values()}

    def better(member: PoolMember) -> PoolMember:
        one = labelled.get(member.guid) or known.get(member.guid)
        if one is not None:
            return replace(member, serial=one.serial, bay=one.bay, index=one.index, name=_name(one, member))
        sure = bool(member.serial) and (member.serial, member.index) not in there
        if member.serving or member.role == "incoming" or sure:
            return member
        bay, index = parse_unit_name(member.path[: -len(_OLD)] if member.path.endswith(_OLD) else member.path)
        return replace(member, serial="", bay=bay, index=index) if bay else member

    return replace(
        pool,
        vdevs=tuple(
            replace(vdev, slots=tuple(replace(slot, members=tuple(map(better, slot.members))) for slot in vdev.slots))
            for vdev in pool.vdevs
        ),
        spares=tuple(map(better, pool.spares)),
    )


def _name(one: Identity, member: PoolMember) -> str:
    return "{0}.{1}".format(one.bay, one.index) if one.bay else member.name


def places_of(pool: Pool, serial: str = "", bay: str = "") -> Tuple[Place, ...]:
    """The places of the drive with this serial, by unit index; without a serial, of whatever *bay* held.

    Raises InputError when two places have one unit index: such a drive cannot be replaced unit by unit.
    """
    found: Dict[int, Place] = {}
    for vdev in pool.vdevs:
        for slot in vdev.slots:
            place = _place(vdev, slot, serial, bay)
            if place is None:
                continue
            if place.index in found:
                raise InputError(
                    "2 members of the pool are on its unit {0}".format(place.index),
                    subject="{0} (serial {1})".format(bay or place.leaving.bay, serial or "unknown"),
                    remedy="Run pool_info to see which unit each member is on.",
                )
            found[place.index] = place
    return tuple(found[index] for index in sorted(found))


def _place(vdev: PoolVdev, slot: PoolSlot, serial: str, bay: str) -> Optional[Place]:
    first, rest = slot.members[0], slot.members[1:]
    resilvering = [member for member in rest if member.role == "incoming"]

    def ours(member: PoolMember) -> bool:
        return member.serial == serial if serial else member.bay == bay and not member.serving

    if ours(first):
        return Place(vdev.name, vdev.redundancy, first, resilvering[0] if resilvering else None, tuple(resilvering[1:]))
    stale = tuple(member for member in resilvering if ours(member))
    return Place(vdev.name, vdev.redundancy, replace(first, index=stale[0].index), None, stale) if stale else None


def replacements(pool: str, places: Sequence[Place], paths: Mapping[int, str]) -> Tuple[Command, ...]:
    """The commands that put the units at *paths*, by unit index, into these places.

    Places that are resilvering already need none. Raises InputError when a unit index has no path.
    """
    missing = [place.index for place in places if place.incoming is None and place.index not in paths]
    if missing:
        raise InputError(
            "it has no unit {0}".format(", ".join(map(str, missing))),
            subject="the new drive",
            remedy="Each unit is replaced by the unit of the same index. Use a drive with the same number of units.",
        )
    out: List[Command] = []
    for place in places:
        if place.incoming is None:
            out += [detach(pool, member) for member in place.stale]
            out.append(
                Command(
                    ("zpool", "replace", pool, place.leaving.guid, paths[place.index]),
                    "replace {0} of {1}".format(place.leaving.name, place.vdev),
                )
            )
    return tuple(out)


def one_pass(pool: str) -> Command:
    """The command that resilvers every replacement begun so far in one pass.

    Without it OpenZFS defers what was begun while another resilver runs until that one ends
    (feature resilver_defer, zpool-features(7); zpool-resilver(8)).
    """
    return Command(("zpool", "resilver", pool), "resilver all units in one pass")


def offline(pool: str, places: Iterable[Place]) -> Tuple[Command, ...]:
    """The commands that take those leaving units offline that still answer."""
    return tuple(
        Command(("zpool", "offline", pool, place.leaving.guid), "take {0} offline".format(place.leaving.name))
        for place in places
        if place.leaving.state in _SERVING
    )


def online(pool: str, members: Iterable[PoolMember]) -> Tuple[Command, ...]:
    """The commands that bring members online."""
    return tuple(
        Command(("zpool", "online", pool, member.guid), "bring {0} online".format(member.name)) for member in members
    )


def detach(pool: str, member: PoolMember) -> Command:
    """The command that detaches a member, and so cancels its resilver."""
    return Command(("zpool", "detach", pool, member.guid), "detach {0}".format(member.name))


def release(pool: str, spares: Iterable[PoolMember]) -> Tuple[Command, ...]:
    """The commands that remove spares from the pool, so that their units can become members."""
    return tuple(
        Command(("zpool", "remove", pool, member.guid), "remove the spare {0} from the pool".format(member.name))
        for member in spares
    )
