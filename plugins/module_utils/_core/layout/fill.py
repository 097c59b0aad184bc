# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Assigns drives to vdevs of one width, as well as possible: where the methods meet.

Where a vdev's units are alike, sizes that no drive connects are assigned separately, without loss: they
share neither units nor drives. Alike drives that come out even are dealt into cohorts (`cohorts`, closed form).
All others: the vdev counts of most capacity (`supply`, exact), then their drives (`blocks`), then the
values reached are compared with lower bounds (`bounds`), and the result says what is proven.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from math import comb
from typing import Dict, List, Optional, Sequence, Tuple

from ..model import Member
from .blocks import arrange, ways
from .bounds import fatal_or_none, least_fatal_sets, least_spread, room_for, spread
from .cohorts import deal
from .polish import polish
from .promise import Rule
from .shelf import Budget, Seat, consume
from .stock import Item
from .supply import Counts, best_counts, kinds_of, most_vdevs

PROOFS = CAPACITY, FATAL_SETS, SPREAD = "capacity", "fatal_sets", "spread"
CLOSED_FORM = "closed form: cohorts of identical drives"
CUT = "; the search stopped at its limit of work"
MOST_TIES = 4
WORK = 24_000
MOST_POLISHED = 3
MANY_DRIVES = 100

Group = Tuple[Member, ...]


@dataclass(frozen=True)
class Filled:
    """*groups*: the members of each vdev. *least*: the sum of the vdevs' smallest members, bytes.

    *proven* and *proof* are as in `Layout`; *fatal* (None where siblings share a vdev) and
    *spread* are the values reached, see `bounds`.
    """

    groups: Tuple[Group, ...]
    least: int
    proven: Tuple[str, ...]
    proof: str
    fatal: Optional[int] = 0
    spread: int = 0

    @property
    def rank(self) -> Tuple[int, int, int]:
        """Smaller is better."""
        return (-self.least, self.fatal or 0, self.spread)


@dataclass(frozen=True)
class _Found:
    """An arrangement and its values; *fatal* is None where siblings share a vdev."""

    seats: Tuple[Seat, ...]
    counts: Counts
    fatal: Optional[int]
    spread: int

    @property
    def rank(self) -> Tuple[int, int]:
        """Smaller is better."""
        return (self.fatal or 0, self.spread)


def fill(items: Sequence[Item], rule: Rule, most_size: int = 0, work: int = WORK) -> Filled:
    """The best assignment of *items* (in bay order) to vdevs; none when they cannot make one.

    No vdev counts on more than *most_size* bytes of a member (0: no limit). Where siblings
    may share a vdev they do so only as far as that gains capacity: every one that does makes
    smaller fatal sets.
    """
    if not rule.alike:
        return _fill(items, rule, most_size, work)
    parts = [_fill(part, rule, most_size, work) for part in _apart(items)]
    filled = _joined([part for part in parts if part.groups])
    if rule.tangled and not all(part.groups for part in parts):
        # That a part fills no vdev is not certain where not all divisions were tried.
        return replace(filled, proven=tuple(name for name in filled.proven if name != CAPACITY))
    return filled


def _apart(items: Sequence[Item]) -> List[Sequence[Item]]:
    """The items in parts that have no unit size in common, each in bay order."""
    part_of: Dict[int, int] = {}
    for item in items:
        sizes = set(item.sizes)
        part = min(part_of.get(size, size) for size in sizes)
        joined = {part_of.get(size, size) for size in sizes}
        part_of.update({size: part for size in (*part_of, *sizes) if part_of.get(size, size) in joined})
    parts: Dict[int, List[Item]] = defaultdict(list)
    for item in items:
        parts[part_of[item.sizes[0]]].append(item)
    return [parts[size] for size in sorted(parts, reverse=True)]


def _joined(parts: Sequence[Filled]) -> Filled:
    if len(parts) < 2:
        return parts[0] if parts else Filled((), 0, (), "")
    proven = [name for name in PROOFS if all(name in part.proven for part in parts)]
    proof = "; ".join("units of {0:,} bytes: {1}".format(_smallest(part), part.proof) for part in parts)
    fatal = [part.fatal for part in parts]
    return Filled(
        groups=tuple(group for part in parts for group in part.groups),
        least=sum(part.least for part in parts),
        proven=tuple(proven),
        proof=proof,
        fatal=None if None in fatal else sum(many or 0 for many in fatal),
        spread=sum(part.spread for part in parts),
    )


def _smallest(part: Filled) -> int:
    return min(member.size for group in part.groups for member in group)


def _fill(items: Sequence[Item], rule: Rule, most_size: int, work: int) -> Filled:
    if rule.per_drive == 1 and not rule.more:
        return _as_cohorts(items, rule, most_size) or _searched(items, rule, most_size, work)
    tries = [replace(rule, per_drive=most, more=0) for most in range(1, rule.per_drive + 1)]
    tries += [rule] if rule.more else []
    values = [_value(items, one, most_size) for one in tries]
    fitting = tries[values.index(max(values))]
    if fitting.per_drive == 1 and not fitting.more:
        return _fill(items, fitting, most_size, work)
    return _whole_drives(items, fitting, most_size) or _searched(items, fitting, most_size, work)


def _value(items: Sequence[Item], rule: Rule, most_size: int) -> int:
    ties = best_counts(kinds_of(items), rule, most_size)
    return ties[0].value if ties else 0


def _alike(items: Sequence[Item], most_size: int) -> bool:
    """Whether all drives have the same number of units, and all units one size that is counted on."""
    if not items:
        return False
    sizes = items[0].sizes
    return len(set(sizes)) == 1 and not 0 < most_size < sizes[0] and all(item.sizes == sizes for item in items)


def _as_cohorts(items: Sequence[Item], rule: Rule, most_size: int) -> Optional[Filled]:
    if not _alike(items, most_size):
        return None
    sizes = items[0].sizes
    vdevs = most_vdevs(kinds_of(items), rule)
    if vdevs % len(sizes):
        return None
    cohorts, _left = deal(items, vdevs // len(sizes), rule.width)
    groups: List[Group] = []
    for cohort in cohorts:
        groups += zip(*(item.members for item in cohort))
    fatal = len(cohorts) * comb(rule.width, rule.tolerance + 1)
    homes = {item.serial: item.enclosure for item in items}
    even = len(sizes) * spread([[item.serial for item in cohort] for cohort in cohorts], homes)
    return Filled(tuple(groups), vdevs * sizes[0], (CAPACITY, FATAL_SETS, SPREAD), CLOSED_FORM, fatal, even)


def _whole_drives(items: Sequence[Item], rule: Rule, most_size: int) -> Optional[Filled]:
    """Vdevs of all units of their drives: the most readable where siblings share a vdev anyway."""
    if not _alike(items, most_size):
        return None
    units = len(items[0].members)
    vdevs = most_vdevs(kinds_of(items), rule)
    if (
        rule.more
        or units > rule.per_drive
        or rule.width % units
        or rule.base < rule.width
        or vdevs * rule.width > units * len(items)
    ):
        return None
    cohorts, _left = deal(items, vdevs, rule.width // units)
    groups = tuple(tuple(member for item in cohort for member in item.members) for cohort in cohorts)
    proof = "capacity: closed form; fatal sets: not optimised where siblings share a vdev"
    return Filled(groups, vdevs * items[0].sizes[0], (CAPACITY,), proof, None)


def _searched(items: Sequence[Item], rule: Rule, most_size: int, work: int) -> Filled:
    ties = best_counts(kinds_of(items), rule, most_size)
    if not ties:
        return Filled((), 0, (), "")
    homes = {item.serial: item.enclosure for item in items}
    bound = min(least_fatal_sets(counts.total, rule, room_for(items, rule, counts)) for counts in ties)
    found: List[_Found] = []
    budget = Budget(work)
    for counts in ties[:MOST_TIES]:
        for way in ways(rule.width, sum(1 for many in counts.vdevs if many)):
            if found and budget.out:
                break
            found.append(_valued(arrange(items, rule, counts, way, budget), rule, counts, homes))
            if _enough(items, rule, found[-1], bound):
                break
    # Ways that came to the same arrangement count once.
    distinct = list({one.seats: one for one in sorted(found, key=lambda one: one.rank, reverse=True)}.values())[::-1]
    polished = [_polished(items, rule, one, bound, homes) for one in distinct[:MOST_POLISHED]]
    best = _result(items, rule, min(polished, key=lambda one: one.rank), bound)
    return replace(best, proof=best.proof + CUT) if budget.out and SPREAD not in best.proven else best


def _enough(items: Sequence[Item], rule: Rule, found: _Found, bound: int) -> bool:
    """Whether no further way need be tried: at the bounds, or nothing but the spread of many drives to gain."""
    if found.fatal is None:
        return True
    if found.fatal > bound:
        return False
    return len(items) > MANY_DRIVES or found.spread <= least_spread(items, rule, found.counts, _alignment(found))


def _result(items: Sequence[Item], rule: Rule, found: _Found, bound: int) -> Filled:
    proven, proof = _proof(items, rule, found, bound)
    return Filled(_seated(items, found.seats, rule), found.counts.value, proven, proof, found.fatal, found.spread)


def _valued(seats: Sequence[Seat], rule: Rule, counts: Counts, homes: Dict[str, str]) -> _Found:
    drives = [seat.serials for seat in seats]
    return _Found(tuple(seats), counts, fatal_or_none(drives, rule.tolerance + 1), spread(drives, homes))


def _polished(items: Sequence[Item], rule: Rule, found: _Found, bound: int, homes: Dict[str, str]) -> _Found:
    if found.fatal is None or max(len(item.members) for item in items) > 2:
        return found
    least = least_spread(items, rule, found.counts, _alignment(found)) if found.fatal <= bound else 0
    if found.rank <= (bound, least):
        return found
    return _valued(polish(items, rule, found.seats, (bound, least)), rule, found.counts, homes)


def _proof(items: Sequence[Item], rule: Rule, found: _Found, bound: int) -> Tuple[Tuple[str, ...], str]:
    proven, lines = [], []
    if found.counts.proven:
        proven.append(CAPACITY)
        lines.append("capacity: exact search with maximum flow")
    else:
        lines.append("capacity: not proven, the search stopped at its limit of states")
    if found.fatal is None:
        lines.append("fatal sets: not optimised where siblings may share a vdev")
        return tuple(proven), "; ".join(lines)
    size = rule.tolerance + 1
    if found.fatal <= bound:
        proven.append(FATAL_SETS)
        lines.append("fatal sets: {0} of {1} drives, the lower bound is met".format(found.fatal, size))
    else:
        lines.append("fatal sets: {0} of {1} drives, at least {2}; not proven".format(found.fatal, size, bound))
    if FATAL_SETS not in proven:
        return tuple(proven), "; ".join([*lines, "spread: {0}; not proven".format(found.spread)])
    least = least_spread(items, rule, found.counts, _alignment(found))
    if found.spread <= least:
        proven.append(SPREAD)
        lines.append("spread: the lower bound is met")
    else:
        lines.append("spread: {0}, at least {1}; not proven".format(found.spread, least))
    return tuple(proven), "; ".join(lines)


def _alignment(found: _Found) -> int:
    # How many vdevs each cohort has, when every vdev is in one, of one size, and cohorts share no drive.
    sharing: Dict[Tuple[int, Tuple[str, ...]], int] = defaultdict(int)
    for seat in found.seats:
        sharing[seat.least, tuple(sorted(seat.serials))] += 1
    drives = {serial for _least, serials in sharing for serial in serials}
    counts = set(sharing.values())
    return counts.pop() if len(counts) == 1 and len(drives) == sum(len(key[1]) for key in sharing) else 1


def _seated(items: Sequence[Item], seats: Sequence[Seat], rule: Rule) -> Tuple[Group, ...]:
    """The units for every vdev: vdevs in bay order take a drive's units in index order, as far as sizes allow."""
    places = {item.serial: item.place for item in items}
    ordered = sorted(seats, key=lambda seat: (sorted(places[serial] for serial in seat.serials), -seat.least))
    needs: Dict[str, List[Tuple[int, int]]] = defaultdict(list)
    for number, seat in enumerate(ordered):
        for serial in seat.serials:
            needs[serial].append((number, seat.least))
    groups: List[List[Member]] = [[] for dummy in ordered]
    for item in items:
        free = list(item.members)
        wanted = needs[item.serial]
        for position, (number, least) in enumerate(wanted):
            rest = [other for _number, other in wanted[position + 1 :]]
            member = next(one for one in free if rule.serves(one.size, least) and _does(free, one, rest, rule))
            free.remove(member)
            groups[number].append(member)
    return tuple(tuple(group) for group in groups)


def _does(free: Sequence[Member], chosen: Member, rest: Sequence[int], rule: Rule) -> bool:
    left = sorted((member.size for member in free if member is not chosen), reverse=True)
    return consume(tuple(left), tuple(rest), rule.alike) is not None
