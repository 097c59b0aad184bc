# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The assignment: which unit goes into which vdev. Pure.

`plan` keeps the invariants of a layout: no vdev holds two units of a drive unless the policy
allows it; the promises hold or a PromiseError says why not and what would do; among the
layouts that keep them the most usable capacity, then the fewest fatal sets, then the most
even spread over enclosures, then the order of the bays; the same drives in any order give
the same layout; what is placed stays; a spare is a whole drive.

How it is found, and why it is optimal: `cohorts` (alike drives), `supply` (capacity of any
drives), `blocks` (alignment of any drives), `placed` (pools that exist).
"""

from __future__ import annotations

from dataclasses import replace
from typing import List, Optional, Sequence, Tuple

from ..model import Drive, Layout, Member, SpareDrive, Unused, Vdev
from .bounds import least_fatal
from .fill import CAPACITY, FATAL_SETS, SPREAD, Filled, fill
from .limits import cannot_fill, check_bays, check_promises
from .placed import Kept, keep
from .policy import Policy
from .promise import Rule, rule_of, survives_drives, survives_enclosures
from .spares import Choice, choices, quick_choice
from .stock import Item, read_stock
from .supply import kinds_of, most_vdevs
from .widths import choose_width, make_vdev

MOST_SPARE_TIES = 4


def plan(
    drives: Sequence[Drive], policy: Policy, placed: Optional[Layout] = None, ashift: int = 12, whole_disk: bool = True
) -> Layout:
    """The layout for *drives* under *policy*.

    With *placed* (a layout that exists), its members and spares stay where they are: places whose
    drive is not among *drives* are filled anew, and the other drives extend the pool. Raises
    InputError (drives or policy), PromiseError (no layout keeps the promises).
    """
    policy.check()
    items = read_stock(drives)
    check_bays(items, policy)
    check_promises(policy)
    return (
        _fresh(items, _with_width(items, policy, ashift, whole_disk))
        if placed is None
        else _grown(items, policy, placed)
    )


def _fresh(items: Sequence[Item], chosen: Policy) -> Layout:
    filled, choice = _best(items, chosen)
    if not filled.groups:
        raise cannot_fill(items, chosen)
    return _layout(items, choice.spares, filled, chosen)


def _grown(items: Sequence[Item], policy: Policy, placed: Layout) -> Layout:
    kept = keep(items, policy, placed)
    chosen = policy.with_width(placed.vdevs[0].width)
    filled, choice = Filled((), 0, (CAPACITY, FATAL_SETS, SPREAD), "nothing to add"), Choice((), (), 0)
    wanted = max(0, policy.spares - len(kept.spares))
    if kept.free:
        fresh = replace(chosen, spares=min(wanted, _whole_drives(items, kept.free)))
        # Spares come first: what is then left need not fill a vdev.
        filled, choice = _best(kept.free, fresh) if len(kept.free) > fresh.spares else (filled, _all_spare(kept.free))
    return _layout(items, choice.spares, filled, chosen, kept)


def _whole_drives(items: Sequence[Item], free: Sequence[Item]) -> int:
    most = max(len(item.members) for item in items)
    return sum(1 for item in free if len(item.members) == most)


def _all_spare(free: Sequence[Item]) -> Choice:
    return Choice((), tuple(free), 0)


def _with_width(items: Sequence[Item], policy: Policy, ashift: int, whole_disk: bool) -> Policy:
    if policy.width:
        return policy
    # The spares are chosen for the width below; for the choice of the width the nearest guess does.
    kept = quick_choice(items, policy.spares).kept if policy.spares < len(items) else tuple(items)
    return policy.with_width(choose_width(kept, policy, ashift, whole_disk) or policy.least_width)


def _best(items: Sequence[Item], policy: Policy) -> Tuple[Filled, Choice]:
    """The best filling over the choices of spares that leave the most capacity.

    Spares that can stand in for every drive come first; where no choice can, `guarantee` tells.
    """
    rule = rule_of(policy)
    offered = choices(items, policy.spares, rule)
    found: List[Tuple[Filled, Choice]] = []
    lame: List[Tuple[Filled, Choice]] = []
    for choice in offered:
        if found and (choice.value < found[0][1].value or len(found) == MOST_SPARE_TIES):
            break
        filled = fill(choice.kept, rule, choice.most_size)
        if filled.groups:
            (found if _spares_do(filled, choice) else lame).append((filled, choice))
    if not found and not lame:
        return Filled((), 0, (), ""), offered[0]
    best, choice = min(found or lame[:1], key=lambda pair: pair[0].rank)
    return _owned_up(best, choice, offered, rule), choice


def _spares_do(filled: Filled, choice: Choice) -> bool:
    # Units are at least as large as counted on; a vdev of larger ones only must still have its spare.
    return not choice.spares or max(min(m.size for m in group) for group in filled.groups) <= choice.most_size


def _owned_up(filled: Filled, choice: Choice, offered: Sequence[Choice], rule: Rule) -> Filled:
    """Less proven, where other spares might do better."""
    ties = [other for other in offered if other.value == choice.value]
    proven = set(filled.proven)
    if not choice.proven or choice.value < offered[0].value:
        proven.discard(CAPACITY)
    if len(ties) > 1:
        proven.discard(SPREAD)
        if filled.fatal is None or any(filled.fatal > least_fatal(tie.kept, rule, tie.most_size) for tie in ties):
            proven.discard(FATAL_SETS)
    left = tuple(name for name in filled.proven if name in proven)
    note = "" if left == filled.proven else "; other spares were not all compared"
    return replace(filled, proven=left, proof=filled.proof + note)


def _layout(
    items: Sequence[Item], spares: Sequence[Item], filled: Filled, policy: Policy, kept: Optional[Kept] = None
) -> Layout:
    places = {item.serial: item.place for item in items}

    def order(members: Sequence[Member]) -> List[Tuple[object, ...]]:
        return [(places[member.serial], member.index) for member in members]

    groups = [sorted(group, key=lambda member: (places[member.serial], member.index)) for group in filled.groups]
    vdevs = tuple(make_vdev(group, policy) for group in sorted(groups, key=order))
    spare = tuple(SpareDrive(item.serial, item.members[0].bay, item.members) for item in spares)
    proof = filled.proof
    if kept is not None:
        vdevs, spare = kept.vdevs + vdevs, kept.spares + spare
        proof = "what was placed is kept, {0} places filled anew; added: {1}".format(kept.filled, proof)
    return Layout(
        vdevs=vdevs,
        spares=spare,
        unused=_unused(items, spare, vdevs, policy),
        survives_drives=survives_drives(vdevs),
        survives_enclosures=survives_enclosures(vdevs),
        proven=filled.proven,
        proof=proof,
    )


def _unused(
    items: Sequence[Item], spares: Sequence[SpareDrive], vdevs: Sequence[Vdev], policy: Policy
) -> Tuple[Unused, ...]:
    taken = {(member.serial, member.index) for vdev in vdevs for member in vdev.members}
    taken |= {(member.serial, member.index) for spare in spares for member in spare.members}
    left = [
        replace(item, members=rest)
        for item in items
        for rest in [tuple(member for member in item.members if (member.serial, member.index) not in taken)]
        if rest
    ]
    reason = _why_unused(left, rule_of(policy))
    return tuple(Unused(member, reason) for item in left for member in item.members)


def _why_unused(left: Sequence[Item], rule: Rule) -> str:
    units = sum(len(item.members) for item in left)
    told = "{0} of {1} left over".format(_count(units, "unit"), _count(len(left), "drive"))
    if sum(min(len(item.members), rule.per_drive) for item in left) < rule.width:
        different = " from different drives" if rule.per_drive == 1 else ""
        return "{0}: a further vdev takes {1}{2}".format(told, rule.width, different)
    if left and not most_vdevs(kinds_of(left), rule):
        return "{0} in too few enclosures: a vdev may hold {1} from each, or an enclosure's loss takes too many".format(
            told, rule.base
        )
    return "{0}: using them would make a vdev of smaller members and cost capacity elsewhere".format(told)


def _count(number: int, noun: str) -> str:
    return "{0} {1}{2}".format(number, noun, "" if number == 1 else "s")
