# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Plans one round of the spares: what is released, corrected, taken over, and what must wait."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Dict, List, Mapping, Optional, Sequence, Tuple

from ..declared import DeclaredDrive
from ..host.run import Command
from ..model import Drive, Layout, Member, SpareDrive
from ..replacement import passes
from ..replacement.places import Place
from ..zfs import build
from ..zfs.access import Access, Holding
from ..zfs.build import Key
from ..zfs.pools import ZfsVersion
from ..zfs.resolve import Pool, PoolMember
from . import duty, idle
from .duty import Seat


@dataclass(frozen=True)
class Wish:
    """The request: which drives are the spares of a pool (*layout*), and the options.

    *lost* are serials of drives to stand in for although a unit of them still answers, or although somebody took them
    offline. *restart*: a running resilver may restart.
    """

    pool: str
    layout: Layout
    declared: Tuple[DeclaredDrive, ...] = ()
    lost: Tuple[str, ...] = ()
    restart: bool = False
    by_name: bool = False


@dataclass
class Plan:
    """The commands, in this order: *back*, *adding*, *resilvering*.

    *wwns* are those of the units that are added, *seated* the unit that is to stand in, by the GUID of the lost member.
    """

    back: List[Command] = field(default_factory=list)
    adding: List[Command] = field(default_factory=list)
    resilvering: List[Command] = field(default_factory=list)
    wwns: List[str] = field(default_factory=list)
    taken: List[str] = field(default_factory=list)
    returned: List[str] = field(default_factory=list)
    waiting: List[str] = field(default_factory=list)
    seated: Dict[str, Key] = field(default_factory=dict)

    @property
    def commands(self) -> Tuple[Command, ...]:
        """All of them."""
        return (*self.back, *self.adding, *self.resilvering)


@dataclass(frozen=True)
class Look:
    """One look at the host."""

    access: Access
    wish: Wish
    zfs: ZfsVersion
    drives: Sequence[Drive]
    pool: Pool
    held: Mapping[Key, Holding]

    @property
    def spares(self) -> Tuple[str, ...]:
        """Serials of the drives that are spares."""
        named = [spare.serial for spare in self.wish.layout.spares]
        named += [member.serial for member in self.pool.spares]
        return tuple(dict.fromkeys(serial for serial in named if serial))

    def drive(self, serial: str) -> Optional[Drive]:
        """The drive with this serial, when there is exactly one."""
        found = [drive for drive in self.drives if drive.serial == serial]
        return found[0] if len(found) == 1 else None

    def label(self, serial: str) -> str:
        """How messages name the drive with this serial."""
        found = self.drive(serial)
        return found.label if found else "serial {0}".format(serial)

    def idle_members(self, serial: str) -> List[PoolMember]:
        """The drive's units that are idle spares of the pool now."""
        return [member for member in self.pool.spares if member.serial == serial and member.state == "AVAIL"]


class Planner:
    """Plans one round."""

    def __init__(self, look: Look) -> None:
        self._look = look
        self._pool = look.pool
        self._plan = Plan()
        self._name = look.wish.pool
        self._unfit: List[str] = []
        self._free = self._find_free()

    def plan(self) -> Plan:
        """The round."""
        freed = self._put_right()
        self._give_back()
        self._take_over(freed)
        self._take_out()
        return self._plan

    def _find_free(self) -> List[Drive]:
        """The spare drives that are whole, empty and in no vdev."""
        look, busy = self._look, idle.members_of(self._pool)
        drives = [look.drive(serial) for serial in look.spares if serial not in busy]
        found = [drive for drive in drives if drive is not None]
        keys = [(drive.serial, unit.index) for drive in found for unit in drive.units]
        needed = duty.gone(self._pool, look.wish.lost) or duty.doubled(self._pool)
        if not keys or not needed:
            return []
        contents = look.access.contents(keys)
        begun = look.access.begun(self._name)
        shaped = look.access.half_made([unit for drive in found for unit in drive.units])
        reasons = {drive.serial: idle.unfit(drive, self._pool, contents, look.held, begun, shaped) for drive in found}
        self._unfit = [line for lines in reasons.values() for line in lines]
        return [drive for drive in found if not reasons[drive.serial]]

    # --- back

    def _give_back(self) -> None:
        for serial, held in sorted(duty.returnable(self._pool).items()):
            if self._pool.scan.resilvering:
                self._plan.waiting.append(
                    "{0} is released once the resilver has finished".format(self._look.label(serial))
                )
                continue
            for seat in held:
                for spare in seat.spares:
                    if spare.serial == serial:
                        self._plan.back.append(self._detach(spare))
                        self._plan.back.append(self._remove(spare))
            owners = ", ".join(sorted({seat.label for seat in held}))
            self._plan.returned.append("{0} is released: {1} serves again".format(self._look.label(serial), owners))

    def _detach(self, spare: PoolMember) -> Command:
        return Command(("zpool", "detach", self._name, spare.guid), "detach the spare {0}".format(spare.name))

    def _remove(self, spare: PoolMember) -> Command:
        return Command(("zpool", "remove", self._name, spare.guid), "remove {0} from the pool".format(spare.name))

    def _take_out(self) -> None:
        """Remove idle spares from the pool, so that nothing uses one of their units alone."""
        used = set(self._plan.seated.values())
        for member in self._pool.spares:
            if member.state == "AVAIL" and not member.distributed and (member.serial, member.index) not in used:
                self._plan.back.append(self._remove(member))

    # --- put right

    def _put_right(self) -> List[Seat]:
        """Withdraw units of a spare drive beside a sibling where another spare drive can take their place."""
        freed: List[Seat] = []
        spare_drives = len(self._free)
        for serial, held in sorted(duty.doubled(self._pool).items()):
            main = duty.main_drive(duty.stand_ins(self._pool)[serial])
            stray = [seat for seat in held if seat.drive != main] or held[1:]
            owners = {seat.drive for seat in stray}
            if len(owners) > spare_drives or self._must_wait(stray, serial):
                self._plan.waiting.append(
                    "{0} keeps 2 units in one vdev until another spare drive is free and no resilver runs".format(
                        self._look.label(serial)
                    )
                )
                continue
            spare_drives -= len(owners)
            for seat in stray:
                for spare in seat.spares:
                    if spare.serial == serial:
                        self._plan.back += [self._detach(spare), self._remove(spare)]
            freed += stray
        return freed

    def _must_wait(self, wanted: Sequence[Seat], serial: str = "") -> bool:
        """Whether a resilver runs for anything but these places."""
        if not self._pool.scan.resilvering or self._look.wish.restart:
            return False
        drives = {seat.drive for seat in wanted}
        others = [
            member
            for seat in duty.seats(self._pool)
            for member in seat.slot.members
            if seat.drive not in drives and member.serial != serial and member.state == "ONLINE" and not member.serving
        ]
        return bool(others) or not any(seat.drive in drives and seat.spares for seat in duty.seats(self._pool))

    # --- take over

    def _take_over(self, freed: Sequence[Seat]) -> None:
        wanted = {
            drive: [seat for seat in held if not seat.spares]
            for drive, held in duty.gone(self._pool, self._look.wish.lost).items()
        }
        for seat in freed:
            wanted.setdefault(seat.drive, []).append(seat)
        for dummy, lost in sorted(wanted.items(), key=lambda pair: (pair[0][1], pair[0][0])):
            if lost:
                self._stand_in(lost)

    def _stand_in(self, lost: Sequence[Seat]) -> None:
        label = lost[0].label
        other = [
            drive for drive in self._look.drives
            if lost[0].owner.bay and drive.bay is not None and drive.bay.label == lost[0].owner.bay
            and drive.serial != lost[0].owner.serial
        ]  # fmt: skip
        if other and lost[0].owner.serial not in self._look.wish.lost:
            self._plan.waiting.append(
                "{0}: another drive is in its bay, {1}; run the playbook replace_drive".format(label, other[0].label)
            )
        elif self._must_wait(lost):
            self._plan.waiting.append(
                "{0}: a spare stands in once the running resilver ends, or now with restart_resilver".format(label)
            )
        else:
            self._seat(self._chosen(lost), lost)

    def _chosen(self, lost: Sequence[Seat]) -> Optional[Drive]:
        """The spare drive for these places: the one in use for the drive's other units, else the nearest."""
        begun = [
            serial for serial, held in duty.stand_ins(self._pool).items() if {s.drive for s in held} == {lost[0].drive}
        ]
        for serial in begun:
            drive = self._look.drive(serial)
            indices = {seat.owner.index for seat in lost}
            if drive is not None and {member.index for member in self._look.idle_members(serial)} >= indices:
                return drive
        for drive in idle.nearest(self._free, lost):
            reasons = idle.too_small(drive, lost, self._look.drives, self._look.held)
            if not reasons:
                self._free.remove(drive)
                return drive
            self._unfit += reasons
        return None

    def _seat(self, drive: Optional[Drive], lost: Sequence[Seat]) -> None:
        label = lost[0].label
        if drive is None:
            why = "; ".join(self._unfit) or "none is declared, or all are in use"
            self._plan.waiting.append("{0}: no spare drive can stand in: {1}".format(label, why))
            return
        members = tuple(
            Member(drive.serial, unit.index, drive.bay.label if drive.bay else "", unit.size, unit.unit_kind)
            for unit in drive.units
            if unit.index in {seat.owner.index for seat in lost}
        )
        paths = self._paths(drive, members)
        there = {member.index for member in self._look.idle_members(drive.serial)}
        fresh = [paths[member.index] for member in members if member.index not in there]
        if fresh:
            self._plan.adding.append(
                Command(("zpool", "add", self._name, "spare", *fresh), "add {0} as a spare".format(drive.label))
            )
            self._plan.wwns += [unit.wwn for unit in drive.units if unit.index not in there]
        found = [Place(seat.vdev.name, seat.vdev.redundancy, seat.owner) for seat in lost]
        found.sort(key=lambda place: place.index)
        self._plan.resilvering += passes.plan(self._look.access.run, self._name, found, paths)
        self._plan.seated.update({seat.owner.guid: (drive.serial, seat.owner.index) for seat in lost})
        self._plan.taken.append("{0} stands in for {1}".format(drive.label, label))

    def _paths(self, drive: Drive, members: Sequence[Member]) -> Dict[int, str]:
        layout = Layout((), (SpareDrive(drive.serial, members[0].bay, tuple(members)),))
        units = build.units_of(layout, self._look.drives)
        found = build.paths_by_name(layout, units) if self._look.wish.by_name else build.paths_as_found(units)
        return {index: path for (_serial, index), path in found.items()}
