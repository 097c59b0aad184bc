# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The objectives after capacity, counted exactly, and their lower bounds."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from math import comb
from typing import Dict, List, Optional, Sequence, Tuple

from .cohorts import water_fill
from .counting import survivor_polynomial
from .evenness import least_squares, squares
from .promise import Rule
from .stock import Item
from .supply import Counts, best_counts, kinds_of


@dataclass(frozen=True)
class Room:
    """What the drives can give to *vdevs* vdevs: drives in all, and drives that can give two units or more."""

    drives: int
    doubles: int
    most_units: int


def fatal_sets(vdevs: Sequence[Sequence[str]], size: int) -> int:
    """How many sets of *size* drives are fatal: contained in the drives of one vdev at least.

    *vdevs* holds the serials of each vdev's drives, none twice. Exact: where no drive is in more than
    two vdevs, the vdevs' own sets less those that two share; otherwise by `counting`.
    """
    places: Dict[str, List[int]] = defaultdict(list)
    for number, serials in enumerate(vdevs):
        for serial in serials:
            places[serial].append(number)
    if max(map(len, places.values())) <= 2:
        shared = Counter(tuple(found) for found in places.values() if len(found) == 2)
        return sum(comb(len(serials), size) for serials in vdevs) - sum(comb(x, size) for x in shared.values())
    parts = [Counter(found) for found in places.values()]
    survived = survivor_polynomial(parts, [size - 1] * len(vdevs), size)[size]
    return comb(len(places), size) - survived


def spread(vdevs: Sequence[Sequence[str]], homes: Dict[str, str]) -> int:
    """Sum over vdevs and enclosures of the square of the members there; smaller is more even."""
    return sum(many * many for serials in vdevs for many in Counter(homes[serial] for serial in serials).values())


def room_for(items: Sequence[Item], rule: Rule, counts: Counts) -> Room:
    """What *items* can give to the vdevs of *counts*."""
    wanted = [size for size, many in zip(counts.sizes, counts.vdevs) if many]
    singles: Dict[str, int] = defaultdict(int)
    doubles: Dict[str, int] = defaultdict(int)
    most = 1
    for item in items:
        fitting = sum(1 for size in item.sizes if any(rule.serves(size, least) for least in wanted))
        most = max(most, fitting)
        singles[item.enclosure] += 1 if fitting else 0
        doubles[item.enclosure] += 1 if fitting > 1 else 0
    room = rule.base * counts.total
    extra = rule.extra * counts.total
    drives = _capped(singles, room, extra)
    # A drive that gives two units takes two places of its enclosure.
    return Room(drives, _capped(doubles, room // 2, (extra + 1) // 2), most)


def _capped(found: Dict[str, int], room: int, extra: int) -> int:
    return sum(min(many, room) for many in found.values()) + min(
        extra, sum(max(0, many - room) for many in found.values())
    )


def least_fatal_sets(vdevs: int, rule: Rule, room: Room) -> int:
    """A lower bound on `fatal_sets` of size tolerance + 1 for *vdevs* vdevs.

    In general V C(w, f) / u for drives of u units. For u = 2 it is V C(w, f) less the most
    that pairs can share. With x_ij drives in vdevs i and j, they share the sum of C(x_ij, f);
    each row of x sums to w at most, all of x to no more than the drives with two units, and
    to no less than V w less all drives. C(x, f) is convex and C(w, f) >= 4 C(w / 2, f), so the
    maximum is at matchings; and where an odd vdev finds too few drives of its own, at
    matchings and one ring of three that share a, w - a and w - a.
    """
    size = rule.tolerance + 1
    whole = comb(rule.width, size)
    if room.most_units != 2:
        return -(-vdevs * whole // room.most_units)
    return vdevs * whole - min(_by_doubles(vdevs, rule, room, size), _by_parity(vdevs, rule, room, size))


def least_fatal(items: Sequence[Item], rule: Rule, most_size: int) -> int:
    """`least_fatal_sets` over all vdev counts of most capacity."""
    ties = best_counts(kinds_of(items), rule, most_size)
    return min((least_fatal_sets(counts.total, rule, room_for(items, rule, counts)) for counts in ties), default=0)


def _by_doubles(vdevs: int, rule: Rule, room: Room, size: int) -> int:
    doubles = min(room.doubles, vdevs * rule.width // 2)
    return doubles // rule.width * comb(rule.width, size) + comb(doubles % rule.width, size)


def _by_parity(vdevs: int, rule: Rule, room: Room, size: int) -> int:
    width, pairs = rule.width, vdevs // 2
    whole = comb(width, size)
    if vdevs % 2 == 0 or room.drives >= (pairs + 1) * width:
        return pairs * whole
    ring = range((width + 1) // 2, min(width, room.drives - pairs * width) + 1)
    return (pairs - 1) * whole + max((comb(a, size) + 2 * comb(width - a, size) for a in ring), default=whole)


def least_spread(items: Sequence[Item], rule: Rule, counts: Counts, aligned: int) -> int:
    """A lower bound on `spread`; when all vdevs are in cohorts of *aligned* alike ones (else 1), over such layouts.

    The members that each enclosure gives are chosen freely (as evenly as its drives allow) and
    shared out with remainders of one: the cost is convex in them.
    """
    wanted = [(size, many // aligned) for size, many in zip(counts.sizes, counts.vdevs) if many]
    if rule.alike:
        return sum(_least_spread(items, rule, [one], aligned) for one in wanted)
    return _least_spread(items, rule, wanted, aligned)


def _least_spread(items: Sequence[Item], rule: Rule, wanted: Sequence[Tuple[int, int]], aligned: int) -> int:
    groups = sum(many for _size, many in wanted)
    supply: Dict[str, List[int]] = defaultdict(lambda: [0] * len(wanted))
    for item in items:
        before = 0
        for k, (least, many) in enumerate(wanted):
            before += many
            fitting = sum(1 for size in item.sizes if rule.serves(size, least))
            supply[item.enclosure][k] += fitting >= aligned if aligned > 1 else min(fitting, before)
    taken = water_fill({name: room[-1] for name, room in supply.items()}, groups * rule.width)
    simple = sum(squares(many, groups) for many in taken.values())
    if len(wanted) > 1 and len(supply) > 1:
        most = rule.base + (1 if rule.extra else 0)
        finer = least_squares(supply, [many for _size, many in wanted], rule.width, most)
        simple = max(simple, finer or 0)
    return aligned * simple


def fatal_or_none(vdevs: Sequence[Sequence[str]], size: int) -> Optional[int]:
    """`fatal_sets`, or None where siblings share a vdev: the smallest fatal sets are then of another size."""
    if any(len(set(serials)) < len(serials) for serials in vdevs):
        return None
    return fatal_sets(vdevs, size)
