# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The assignment: which unit goes into which vdev. Pure.

`plan` keeps the invariants of a layout: no vdev holds two units of a drive unless the policy
allows it; the promises hold, or a PromiseError gives the reason and changes that would help; among the
layouts that keep them the most usable capacity, then the fewest fatal sets, then the most
even spread over enclosures, then the order of the bays; the same drives in any order give
the same layout; placed units stay in place; a spare is a whole drive.

How it is found, and why it is optimal: `cohorts` (alike drives), `supply` (capacity of any
drives), `blocks` (alignment of any drives), `placed` (pools that exist).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Dict, Iterator, List, Mapping, Optional, Sequence, Set, Tuple

from ..errors import CoreError
from ..model import Drive, Layout, Member, SpareDrive, Unused, Vdev
from .bounds import least_fatal
from .fill import CAPACITY, FATAL_SETS, SPREAD, WORK, Filled, fill
from .limits import cannot_fill, check_bays, check_kept, check_promises, most_tolerance
from .placed import Kept, keep
from .policy import Policy
from .promise import Rule, rule_of, survives_drives, survives_enclosures
from .spares import Choice, choice_of, choices, quick_choice
from .standins import Cover, Key, cover_of, exchanged, least_of, sizes_of, smallest_spare, spares_do
from .stock import Item, divisions, read_stock
from .supply import kinds_of, most_vdevs
from .widths import make_vdev, widths_by_preference

MOST_SPARE_TIES = 4
NO_SPARE = "the spares cannot stand in for these drives"


def plan(
    drives: Sequence[Drive],
    policy: Policy,
    placed: Optional[Layout] = None,
    ashift: int = 12,
    whole_disk: bool = True,
    work: int = WORK,
) -> Layout:
    """The layout for *drives* under *policy*. Its promises are counted from its members before it is returned.

    With *placed* (a layout that exists), its members and spares stay where they are: free drives take
    the places of those that are not among *drives*, and the rest extend the pool. Raises
    InputError (drives or policy), PromiseError (no layout keeps the promises).
    """
    policy.check()
    items = read_stock(drives)
    check_bays(items, policy)
    terms = _Terms(ashift, whole_disk, work)

    def works(items: Sequence[Item], policy: Policy) -> bool:
        return _tried(items, policy, terms, placed) is not None

    check_promises(items, policy, works)
    found = _attempt(items, policy, terms) if placed is None else _grown(items, policy, placed, terms)
    if found is None:
        raise cannot_fill(items, policy.with_width(policy.width or policy.promised_width), works)
    return _advised(check_kept(found, policy), items, policy, terms, placed is not None)


def possible(
    drives: Sequence[Drive], policy: Policy, ashift: int = 12, whole_disk: bool = True, work: int = WORK
) -> Optional[Layout]:
    """As `plan` for a new pool, but None when no layout was found. Cheaper, because it looks for no remedy."""
    return _tried(read_stock(drives), policy, _Terms(ashift, whole_disk, work))


@dataclass(frozen=True)
class _Terms:
    """What the width is chosen for, and how much work one assignment may take (see `shelf.Budget`)."""

    ashift: int
    whole_disk: bool
    work: int


def _attempt(items: Sequence[Item], policy: Policy, terms: _Terms) -> Optional[Layout]:
    """The layout of the first width that the drives other than the spares can fill; None when there is none."""
    ways = [tuple(items)] if policy.mixed_sizes else divisions(items)
    real = _by_key(items)
    for width in dict.fromkeys(width for way in ways for width in _widths(way, policy, terms)):
        chosen = policy.with_width(width)
        found = [pair for pair in (_best(way, real, chosen, terms.work) for way in ways) if pair[0].groups]
        if found:
            filled, choice = min(found, key=lambda pair: pair[0].rank)
            return _layout(items, choice.spares, filled, chosen, sure=len(ways) == 1)
    return None


def _advised(layout: Layout, items: Sequence[Item], policy: Policy, terms: _Terms, grown: bool) -> Layout:
    """The layout with what one more spare would change for the drives left out for their spares; it is tried."""
    barred = [unused for unused in layout.unused if unused.reason.endswith(NO_SPARE)]
    more = _tried(items, replace(policy, spares=policy.spares + 1), terms, layout) if barred else None
    if more is None:
        return layout
    serials: Dict[str, Set[str]] = {}
    for unused in barred:
        serials.setdefault(unused.reason, set()).add(unused.member.serial)
    advice = {reason: _advice(serials[reason], layout, more) for reason in serials}
    when = "" if grown else "once the pool is built, "
    return replace(
        layout,
        unused=tuple(
            replace(unused, reason="{0}; {1}{2}".format(unused.reason, when, advice[unused.reason]))
            if unused.reason in advice
            else unused
            for unused in layout.unused
        ),
    )


def _advice(serials: Set[str], layout: Layout, more: Layout) -> str:
    chosen = {spare.serial for spare in more.spares[len(layout.spares) :]}
    added = {member.serial for vdev in more.vdevs[len(layout.vdevs) :] for member in vdev.members}
    if serials & chosen and added:
        return "raise policy.spares by one to keep one of these drives as a spare"
    if serials & added:
        return "raise policy.spares by one to add them"
    return "more such drives may be needed, one of them as a spare (raise policy.spares by one)"


def _tried(items: Sequence[Item], policy: Policy, terms: _Terms, placed: Optional[Layout] = None) -> Optional[Layout]:
    """A layout that keeps the promises, or None: what a remedy is tried with."""
    promised = policy.survive
    if max(promised.drives, promised.enclosures) > most_tolerance(policy) or policy.spares >= len(items):
        return None
    try:
        check_bays(items, policy)
        policy.check()
        found = _grown(items, policy, placed, terms) if placed else _attempt(items, policy, terms)
        return check_kept(found, policy) if found else None
    except CoreError:
        return None


def _grown(items: Sequence[Item], policy: Policy, placed: Layout, terms: _Terms) -> Layout:
    kept = keep(items, policy, placed)
    like = placed.vdevs[0]
    chosen = policy.with_width(like.width)
    if like.kind == "draid":
        chosen = replace(chosen, draid_data=like.data, draid_spares=like.spares)
    filled, choice = Filled((), 0, (CAPACITY, FATAL_SETS, SPREAD), "nothing to add"), Choice((), (), 0)
    sure = True
    wanted = max(0, policy.spares - len(kept.spares))
    most = max(len(item.members) for item in items)
    cover = cover_of(kept.vdevs, kept.spares, most) if policy.spares else None
    if kept.free:
        ways = [kept.free] if policy.mixed_sizes else divisions(kept.free)
        whole = len(cover.candidates(kept.free)) if cover else _whole_drives(kept.free, most)
        fresh = replace(chosen, spares=min(wanted, whole))
        # Spares come first: the drives left need not make a vdev.
        if len(kept.free) > fresh.spares:
            filled, choice = min(
                (_best(way, _by_key(items), fresh, terms.work, cover) for way in ways), key=lambda pair: pair[0].rank
            )
        else:
            choice = _all_spare(kept.free)
        sure = len(ways) == 1
    barred = _barred_at_first(items, policy, kept, filled, terms)
    if barred:
        filled = Filled((), 0, (), "nothing: the first plan of these drives leaves out the same ones")
    return _layout(items, choice.spares, filled, chosen, kept, sure, bool(cover) or barred)


def _barred_at_first(items: Sequence[Item], policy: Policy, kept: Kept, filled: Filled, terms: _Terms) -> bool:
    """Whether the pool is still the first plan of its drives: then what that plan left out stays out.

    The first plan asks every spare to stand in for every drive; growth asks for one spare for each drive.
    """
    if not filled.groups or not policy.spares or kept.filled or policy.spares != len(kept.spares):
        return False
    serials = {spare.serial for spare in kept.spares}
    others = tuple(item for item in items if item.serial not in serials)
    most = choice_of(others, [item for item in items if item.serial in serials]).most_size
    if not most or all(least_of(group) <= most for group in filled.groups):
        return False
    first = _attempt(items, policy, terms)
    return first is not None and (first.vdevs, first.spares) == (kept.vdevs, kept.spares)


def _by_key(items: Sequence[Item]) -> Dict[Key, Member]:
    return {(member.serial, member.index): member for item in items for member in item.members}


def _whole_drives(free: Sequence[Item], most: int) -> int:
    return sum(1 for item in free if len(item.members) == most)


def _all_spare(free: Sequence[Item]) -> Choice:
    return Choice((), tuple(free), 0)


def _widths(items: Sequence[Item], policy: Policy, terms: _Terms) -> Iterator[int]:
    """The requested width; or all possible ones, the preferred one first."""
    if policy.width:
        yield from [policy.width] if policy.width >= policy.promised_width else []
        return
    if policy.spares >= len(items):
        return
    # The spares are chosen for each width; for the order of the widths a guess is good enough.
    guessed = widths_by_preference(quick_choice(items, policy.spares).kept, policy, terms.ashift, terms.whole_disk)
    yield from guessed
    if policy.spares:
        every = widths_by_preference(items, policy, terms.ashift, terms.whole_disk)
        yield from (width for width in every if width not in guessed)


def _best(
    items: Sequence[Item], real: Mapping[Key, Member], policy: Policy, work: int, cover: Optional[Cover] = None
) -> Tuple[Filled, Choice]:
    """The best assignment over the choices of spares that leave the most capacity.

    *real*: the units with their own sizes; those of *items* have the sizes that they count as.

    Spares that can replace every drive come first; where no choice can, the guarantees say so.
    """
    rule = rule_of(policy)
    offered = cover.choices(items, policy.spares, rule) if cover else choices(items, policy.spares, rule)
    if not offered:
        return Filled((), 0, (), ""), Choice((), (), 0)
    found: List[Tuple[Filled, Choice]] = []
    partly: List[Tuple[Filled, Choice]] = []
    for choice in offered:
        if found and (choice.value < found[0][1].value or len(found) == MOST_SPARE_TIES):
            break
        filled, does = _beside(items, real, rule, choice, work, cover)
        if not filled.groups:
            continue
        if does:
            found.append((filled, choice))
        elif min(map(least_of, filled.groups)) <= smallest_spare(choice):
            # A vdev that has only larger units has no spare: the guarantees say so.
            partly.append((filled, choice))
    if not found and not partly:
        return Filled((), 0, (), ""), offered[0]
    best, choice = min(found or partly[:1], key=lambda pair: pair[0].rank)
    return _owned_up(best, choice, offered, rule), choice


def _beside(
    items: Sequence[Item], real: Mapping[Key, Member], rule: Rule, choice: Choice, work: int, cover: Optional[Cover]
) -> Tuple[Filled, bool]:
    """The best assignment beside these spares, and whether they can stand in for its drives."""
    filled = fill(choice.kept, rule, choice.most_size, work) if choice.kept else Filled((), 0, (), "")
    if filled.groups and cover:
        return cover.kept_to(filled, items, real, rule, choice), True
    if filled.groups and not spares_do(filled, real, choice):
        filled = exchanged(filled, choice.kept, real, rule, smallest_spare(choice))
    return filled, spares_do(filled, real, choice)


def _owned_up(filled: Filled, choice: Choice, offered: Sequence[Choice], rule: Rule) -> Filled:
    """With fewer objectives proven, where other spares might be better."""
    ties = [other for other in offered if other.value == choice.value]
    proven = set(filled.proven)
    if not choice.proven or choice.value < offered[0].value:
        proven.discard(CAPACITY)
    if len(ties) > 1:
        proven.discard(SPREAD)
        if filled.fatal is None or any(filled.fatal > least_fatal(tie.kept, rule, tie.most_size) for tie in ties):
            proven.discard(FATAL_SETS)
    left = tuple(name for name in filled.proven if name in proven)
    note = "" if left == filled.proven else "; not all choices of spares were compared"
    return replace(filled, proven=left, proof=filled.proof + note)


def _layout(
    items: Sequence[Item],
    spares: Sequence[Item],
    filled: Filled,
    policy: Policy,
    kept: Optional[Kept] = None,
    sure: bool = True,
    limited: bool = True,
) -> Layout:
    places = {item.serial: item.place for item in items}
    real = _by_key(items)
    alike = divisions(items)[0]
    taken = {item.serial for item in spares}

    def order(members: Sequence[Member]) -> List[Tuple[object, ...]]:
        return [(places[member.serial], member.index) for member in members]

    groups = [
        sorted((real[member.serial, member.index] for member in group), key=lambda one: (places[one.serial], one.index))
        for group in filled.groups
    ]
    vdevs = tuple(make_vdev(group, policy) for group in sorted(groups, key=order))
    spare = tuple(SpareDrive(item.serial, item.members[0].bay, item.members) for item in items if item.serial in taken)
    proven, proof = filled.proven, filled.proof
    if not sure:
        proven = tuple(name for name in proven if name != CAPACITY)
        proof += "; capacity: not proven, the sizes differ so little that they can be grouped in several ways"
    if kept is not None:
        vdevs, spare = kept.vdevs + vdevs, kept.spares + spare
        proof = "existing members stay, {0} places reassigned; added: {1}".format(kept.filled, proof)
    return Layout(
        vdevs=vdevs,
        spares=spare,
        unused=_unused(items, alike, spare, vdevs, policy, limited),
        survives_drives=survives_drives(vdevs),
        survives_enclosures=survives_enclosures(vdevs),
        proven=proven,
        proof=proof,
    )


def _unused(
    items: Sequence[Item],
    alike: Sequence[Item],
    spares: Sequence[SpareDrive],
    vdevs: Sequence[Vdev],
    policy: Policy,
    limited: bool,
) -> Tuple[Unused, ...]:
    taken = {(member.serial, member.index) for vdev in vdevs for member in vdev.members}
    taken |= {(member.serial, member.index) for spare in spares for member in spare.members}
    left = [
        replace(item, members=rest)
        for item in items
        for rest in [tuple(member for member in item.members if (member.serial, member.index) not in taken)]
        if rest
    ]
    # Where members must be alike, each size has its own reason.
    size_of = {
        (member.serial, member.index): 0 if policy.mixed_sizes else member.size
        for item in alike
        for member in item.members
    }
    sizes = {size_of[member.serial, member.index] for item in left for member in item.members}
    rule = rule_of(policy)
    held = {size: _of_size(left, size_of, size) for size in sizes}
    reasons = {size: _why_unused(held[size], rule, len(sizes) > 1) for size in sizes}
    if limited and spares:
        units = {item.serial: len(item.members) for item in items}
        for size in sizes:
            if _may_fill(held[size], rule) and _too_large(held[size], units, spares, rule):
                reasons[size] = "{0}: {1}".format(_left_over(held[size]), NO_SPARE)
    return tuple(
        Unused(member, reasons[size_of[member.serial, member.index]]) for item in left for member in item.members
    )


def _of_size(left: Sequence[Item], size_of: Mapping[Tuple[str, int], int], size: int) -> List[Item]:
    parts = [
        replace(item, members=tuple(one for one in item.members if size_of[one.serial, one.index] == size))
        for item in left
    ]
    return [item for item in parts if item.members]


def _may_fill(left: Sequence[Item], rule: Rule) -> bool:
    return most_vdevs(kinds_of(left), replace(rule, alike=False)) > 0


def _too_large(left: Sequence[Item], units: Mapping[str, int], spares: Sequence[SpareDrive], rule: Rule) -> bool:
    """Whether some spare cannot stand in for the drives of a vdev of these units."""
    sizes = [member.size for item in left for member in item.members]
    have = [sizes_of(spare) for spare in spares]
    # Where sizes mix, the smallest unit is what a vdev would count on.
    return (max(sizes) if rule.alike else min(sizes)) > min(spare[-1] for spare in have) or (
        max(units[item.serial] for item in left) > min(map(len, have))
    )


def _left_over(left: Sequence[Item]) -> str:
    units = sum(len(item.members) for item in left)
    return "{0} of {1} left over".format(_count(units, "unit"), _count(len(left), "drive"))


def _why_unused(left: Sequence[Item], rule: Rule, several: bool) -> str:
    what = _left_over(left)
    if sum(min(len(item.members), rule.per_drive) for item in left) < rule.width:
        different = " from different drives" if rule.per_drive == 1 else ""
        size = " of one size" if several else ""
        return "{0}: another vdev needs {1}{2}{3}".format(what, rule.width, size, different)
    if left and not _may_fill(left, rule):
        return "{0} in too few enclosures: to survive an enclosure failure, a vdev may hold only {1} from each".format(
            what, rule.base
        )
    return "{0}: using them would make a vdev of smaller members and cost capacity elsewhere".format(what)


def _count(number: int, noun: str) -> str:
    return "{0} {1}{2}".format(number, noun, "" if number == 1 else "s")
