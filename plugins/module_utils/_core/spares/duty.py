# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Which spare drive stands in for which failed drive, which one should, and what is wrong with spares. Pure.

A spare is a whole drive. While idle it is kept out of the pool, because OpenZFS's event daemon takes the pool's spares
one unit at a time, in their order, even a unit whose sibling is in that vdev already.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Dict, List, Sequence, Tuple

from ..drift.codes import note
from ..model import Finding
from ..zfs.resolve import Pool, PoolMember, PoolSlot, PoolVdev

# States of a member that failed or was pulled; somebody took out one that is OFFLINE.
GONE = ("REMOVED", "UNAVAIL", "FAULTED")


@dataclass(frozen=True)
class Seat:
    """A place in a data vdev, with its own member and the spare units that stand in, if any.

    *resilvering*: a new member other than the spare is resilvering in it.
    """

    vdev: PoolVdev
    slot: PoolSlot
    owner: PoolMember
    spares: Tuple[PoolMember, ...]
    resilvering: bool

    @property
    def drive(self) -> Tuple[str, str]:
        """The drive that the place belongs to: serial and bay."""
        return (self.owner.serial, self.owner.bay)

    @property
    def label(self) -> str:
        """How messages name that drive."""
        return "{0} (serial {1})".format(self.owner.bay or "bay unknown", self.owner.serial or "unknown")

    @property
    def served(self) -> bool:
        """Whether a member that is not a spare holds the data of the place."""
        return any(member.serving for member in self.slot.members if member.role != "spare")

    @property
    def lost(self) -> bool:
        """Whether the member is gone and no other one is resilvering in its place."""
        return not self.served and not self.resilvering and self.owner.state in GONE


def seats(pool: Pool) -> Tuple[Seat, ...]:
    """Every place of the data vdevs."""
    return tuple(
        Seat(
            vdev,
            slot,
            slot.members[0],
            tuple(member for member in slot.members if member.role == "spare"),
            any(member.role == "incoming" for member in slot.members),
        )
        for vdev in pool.vdevs
        if vdev.group == "data"
        for slot in vdev.slots
        if slot.members
    )


def stand_ins(pool: Pool) -> Dict[str, List[Seat]]:
    """The places in which units of each drive stand in, by the spare drive's serial."""
    found: Dict[str, List[Seat]] = {}
    for seat in seats(pool):
        for spare in seat.spares:
            found.setdefault(spare.serial, []).append(seat)
    return found


def doubled(pool: Pool) -> Dict[str, List[Seat]]:
    """The places in which a spare unit stands in although its sibling is in the same vdev, by serial."""
    found: Dict[str, List[Seat]] = {}
    for serial, held in stand_ins(pool).items():
        per_vdev = Counter(seat.vdev.name for seat in held)
        twice = [seat for seat in held if per_vdev[seat.vdev.name] > 1 or _else_in(seat, serial)]
        if serial and twice:
            found[serial] = twice
    return found


def _else_in(seat: Seat, serial: str) -> bool:
    """Whether the vdev holds a unit of this drive other than as a spare."""
    return any(
        member.serial == serial and member.role != "spare" for slot in seat.vdev.slots for member in slot.members
    )


def main_drive(held: Sequence[Seat]) -> Tuple[str, str]:
    """Of several drives for which a spare drive stands in, the one with most of its units."""
    counts = Counter(seat.drive for seat in held)
    return max(sorted(counts), key=lambda drive: counts[drive])


def gone(pool: Pool, given: Sequence[str] = ()) -> Dict[Tuple[str, str], List[Seat]]:
    """The places of drives that are lost as a whole; of the *given* serials, also when one unit still serves."""
    by_drive: Dict[Tuple[str, str], List[Seat]] = {}
    for seat in seats(pool):
        by_drive.setdefault(seat.drive, []).append(seat)
    return {
        drive: held
        for drive, held in by_drive.items()
        if all(seat.lost for seat in held) or (drive[0] in given and not any(seat.resilvering for seat in held))
    }


def returnable(pool: Pool) -> Dict[str, List[Seat]]:
    """The places of spare drives that can be released: a member serves each of their places again."""
    return {
        serial: held
        for serial, held in stand_ins(pool).items()
        if serial and all(seat.served and not seat.resilvering for seat in held)
    }


def findings(pool: Pool) -> Tuple[Finding, ...]:
    """What is wrong with the spares of a pool: C(spare_doubled), C(spare_divided), C(spare_exposed)."""
    found = []
    twice = doubled(pool)
    for serial, held in sorted(twice.items()):
        names = ", ".join(sorted({seat.vdev.name for seat in held}))
        found.append(
            note("spare_doubled", "2 of its units are in {0}; if the drive fails, both are lost".format(names),
                 "at most 1 unit of the drive in each vdev", serial=serial, bay=_bay(held, serial))
        )  # fmt: skip
    for serial, held in sorted(stand_ins(pool).items()):
        owners = sorted({seat.label for seat in held})
        if serial and len(owners) > 1 and serial not in twice:
            found.append(
                note("spare_divided", "its units stand in for {0}".format(" and ".join(owners)),
                     "a spare stands in for 1 drive, with all its units", serial=serial, bay=_bay(held, serial))
            )  # fmt: skip
    for member in pool.spares:
        if member.state == "AVAIL" and not member.distributed:
            found.append(
                note("spare_exposed", "it is in the pool, where OpenZFS's event daemon may use this unit alone",
                     "an idle spare is kept out of the pool", serial=member.serial, bay=member.bay,
                     index=member.index if member.serial else None,
                     about="" if member.serial else "pool {0}, {1}".format(pool.name, member.name))
            )  # fmt: skip
    return tuple(found)


def _bay(held: Sequence[Seat], serial: str) -> str:
    """The bay of a spare drive that stands in at these places."""
    return next((one.bay for seat in held for one in seat.spares if one.serial == serial and one.bay), "")
