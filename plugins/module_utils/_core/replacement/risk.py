# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""How many failures a pool survives while a drive is out, and other reasons not to replace it now. Pure."""

from __future__ import annotations

from typing import AbstractSet, List, Sequence, Tuple

from ..errors import Refusal
from ..layout.margin import margins
from ..layout.survival import MemberState, VdevState
from ..zfs.report import holding
from ..zfs.resolve import Pool, PoolMember, PoolSlot, PoolVdev
from ..zfs.tree import Scan
from .places import Place
from .progress import Progress, words

INTERRUPTS = ("resilver", "scrub")


def margin_without(pool: Pool, places: Sequence[Place]) -> int:
    """How many further drive failures the worst vdev survives without these places; -1 when data is lost."""
    gone = frozenset(place.leaving.guid for place in places)
    return margins([_state(vdev, gone) for vdev in holding(pool)]).pool


def _state(vdev: PoolVdev, gone: AbstractSet[str]) -> VdevState:
    return VdevState(vdev.redundancy, tuple(_member(slot, gone) for slot in vdev.slots), vdev.name)


def _member(slot: PoolSlot, gone: AbstractSet[str]) -> MemberState:
    serving = _serving(slot, gone)
    first = (serving or list(slot.members))[0]
    return MemberState(first.serial or first.name, first.enclosure, bool(serving))


def _serving(slot: PoolSlot, gone: AbstractSet[str]) -> List[PoolMember]:
    return [member for member in slot.members if member.serving and member.guid not in gone]


def refuse_too_many_out(pool: Pool, places: Sequence[Place], scan: Scan, least: int, progress: Progress) -> None:
    """Refuses when taking out the units at *places* would exceed the redundancy of a vdev.

    *least* is how many further drive failures the worst vdev must still survive then. The remedy says what else can be
    done.
    """
    gone = frozenset(place.leaving.guid for place in places)
    reasons: List[str] = []
    lost: List[PoolMember] = []
    for vdev in holding(pool):
        state = _state(vdev, gone)
        if state.left >= least:
            continue
        out = [slot.members[-1] for slot in vdev.slots if not _serving(slot, frozenset())]
        leaving = [place.leaving.name for place in places if place.vdev == vdev.name and place.leaving.serving]
        reasons.append(_too_many(vdev, state, leaving, out, least))
        lost += [member for member in out if member.guid not in gone]
    if reasons:
        raise Refusal(
            "Taking this drive out would leave the pool with too little redundancy; nothing was changed.",
            reasons,
            _instead(lost, scan, progress),
        )


def _too_many(vdev: PoolVdev, state: VdevState, leaving: Sequence[str], out: Sequence[PoolMember], least: int) -> str:
    missing = vdev.redundancy - state.left
    text = "{0} tolerates {1} missing member{2}".format(vdev.name, vdev.redundancy, "" if vdev.redundancy == 1 else "s")
    if out:
        text += "; {0} serve{1} no data now".format(
            ", ".join("{0} ({1})".format(member.name, _state_words(member)) for member in out),
            "s" if len(out) == 1 else "",
        )
    if leaving:
        text += "; without {0}, {1} would be missing".format(", ".join(leaving), missing)
    if least and state.left >= 0:
        text += "; least_margin requires that it survives {0} more failure{1}".format(least, "" if least == 1 else "s")
    return text


def _state_words(member: PoolMember) -> str:
    return "resilvering" if member.state == "ONLINE" else member.state


def _instead(lost: Sequence[PoolMember], scan: Scan, progress: Progress) -> str:
    ways = [
        "Put the new drive into a free bay and name it in enter: the old one then serves until the resilver is done."
    ]
    if scan.running and scan.function == "resilver":
        ways.append("Or wait for the running resilver ({0}).".format(words(progress)))
    absent = sorted(
        {
            "{0} (serial {1})".format(one.bay or one.name, one.serial or "unknown")
            for one in lost
            if one.state != "ONLINE"
        }
    )
    if absent:
        ways.append("Or restore {0} first.".format(", ".join(absent)))
    return " ".join(ways)


def refuse_scan(pool: Pool, places: Sequence[Place], scan: Scan, interrupt: Sequence[str], progress: Progress) -> None:
    """Refuses while a scrub or a resilver of other units runs that a replacement would stop or restart."""
    if not scan.running or scan.function not in INTERRUPTS or scan.function in interrupt:
        return
    if scan.function == "resilver" and _only_ours(pool, places):
        return
    effect = "would delay or restart it" if scan.function == "resilver" else "would stop it"
    raise Refusal(
        "A {0} is running on pool {1}; nothing was changed.".format(scan.function, pool.name),
        ["{0}: {1}; replacing a drive now {2}".format(scan.function, words(progress), effect)],
        "Wait until it has finished, or allow the interruption with interrupt: [{0}].".format(scan.function),
    )


def _only_ours(pool: Pool, places: Sequence[Place]) -> bool:
    ours = {member.guid for place in places for member in (place.leaving, place.incoming) if member}
    resilvering = [
        member
        for vdev in pool.vdevs
        for member in vdev.members
        if member.role == "incoming" or (member.state == "ONLINE" and not member.serving)
    ]
    return bool(resilvering) and all(member.guid in ours for member in resilvering)


def siblings_words(places: Sequence[Place]) -> Tuple[str, ...]:
    """A note when a healthy unit is replaced along with a failed one."""
    well = [place for place in places if place.leaving.serving]
    ill = [place for place in places if not place.leaving.serving and place.leaving.state != "OFFLINE"]
    if not well or not ill:
        return ()
    return (
        "{0} and {1} are one drive: {2} is {3}, and {1}, which is healthy, is replaced as well".format(
            ", ".join(place.leaving.name for place in ill),
            ", ".join(place.leaving.name for place in well),
            ", ".join(place.leaving.name for place in ill),
            ", ".join(sorted({place.leaving.state for place in ill})),
        ),
    )
