# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""A resolved pool in words: which failures it survives, and which bays to visit. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Dict, List, Tuple

from ..layout.margin import Margins
from ..layout.margin import margins as margins_of
from ..layout.survival import MemberState, VdevState
from ..plain import to_plain
from .resolve import Pool, PoolMember, PoolSlot, PoolVdev


@dataclass(frozen=True)
class Visit:
    """A drive that a person should look at: its bay, serial, and its units with their states."""

    bay: str
    serial: str
    units: Tuple[Tuple[str, str], ...]

    def words(self) -> str:
        """One sentence for people."""
        units = ", ".join("{0} is {1}".format(name, state) for name, state in self.units)
        return "visit {0}: serial {1}, {2}".format(self.bay or "an unknown bay", self.serial or "unknown", units)


def margins(pool: Pool) -> Margins:
    """How many failures the pool, its vdevs, drives and enclosures survive now."""
    states = [
        VdevState(vdev.redundancy, tuple(_state(slot) for slot in vdev.slots), vdev.name) for vdev in holding(pool)
    ]
    return margins_of(states)


def facts(pool: Pool) -> Dict[str, Any]:
    """The pool as plain data, with its margins, the drives to visit, and its picture: what M(pool_info) returns."""
    found = margins(pool)
    plain: Dict[str, Any] = to_plain(pool)
    plain.update(
        margin=found.pool,
        margins={
            "vdevs": {vdev.name: margin for vdev, margin in zip(holding(pool), found.vdevs)},
            "drives": found.drives,
            "enclosures": {name: margin for name, margin in found.enclosures.items() if name},
        },
        visit=to_plain(visits(pool)),
        picture=picture(pool, found.pool),
    )
    return plain


def holding(pool: Pool) -> Tuple[PoolVdev, ...]:
    """The vdevs whose loss would lose data: all but cache devices."""
    return tuple(vdev for vdev in pool.vdevs if vdev.group != "cache")


def _state(slot: PoolSlot) -> MemberState:
    """A place in a vdev as the drive that it depends on now."""
    serving = [member for member in slot.members if member.serving] or list(slot.members)
    return MemberState(serving[0].serial or serving[0].name, serving[0].enclosure, slot.serving)


def visits(pool: Pool) -> Tuple[Visit, ...]:
    """The drives with a member that does not serve, in bay order. In a suspended pool ONLINE proves nothing."""
    ailing: Dict[Tuple[str, str, str], List[PoolMember]] = {}
    for member in members(pool):
        if not member.serving and member.state != "ONLINE":
            key = (member.bay, member.serial, "" if member.serial else member.name)
            ailing.setdefault(key, []).append(member)
    return tuple(
        Visit(bay, serial, tuple((member.name, member.state) for member in found))
        for (bay, serial, dummy), found in sorted(ailing.items())
    )


def members(pool: Pool) -> Tuple[PoolMember, ...]:
    """Every device of the pool: vdevs in order, then spares."""
    return tuple(member for vdev in pool.vdevs for member in vdev.members) + pool.spares


def picture(pool: Pool, margin: int) -> str:
    """The pool as text: one line for each vdev and for each bay to visit."""
    lines = ["pool {0}: {1}, {2}".format(pool.name, pool.state, margin_words(pool, margin))]
    for vdev in pool.vdevs:
        lines.append("  {0}".format(_vdev_words(vdev, pool.suspended)))
    if pool.spares:
        lines.append("  spares: {0}".format(" ".join(_member_words(member, pool.suspended) for member in pool.spares)))
    lines += ["  {0}".format(visit.words()) for visit in visits(pool)]
    return "\n".join(lines) + "\n"


def margin_words(pool: Pool, margin: int) -> str:
    """How many failures the pool survives now, as one clause."""
    if pool.suspended:
        return "suspended: no reads or writes until its drives are back"
    if margin < 0:
        return "margin {0}: more members are missing than the parity covers".format(margin)
    if margin == 0:
        return "margin 0: the next drive failure can lose data"
    return "margin {0}: any {0} further drive{1} may fail".format(margin, "" if margin == 1 else "s")


def _vdev_words(vdev: PoolVdev, suspended: bool) -> str:
    lost = "{0} of {1} members unavailable".format(vdev.lost, len(vdev.slots)) if vdev.lost else "all available"
    names = " ".join("+".join(_member_words(member, suspended) for member in slot.members) for slot in vdev.slots)
    return "{0} {1}, {2}: {3}".format(vdev.name, vdev.state, lost, names)


def _member_words(member: PoolMember, suspended: bool) -> str:
    if member.serving:
        return member.name
    # OpenZFS shows ONLINE for a member that is resilvering or, in a distributed spare, not verified by a scrub yet.
    more = ", incomplete" if member.state == "ONLINE" and not suspended else ""
    return "[{0} {1}{2}]".format(member.name, member.state, more)
