# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Alignment of any drives: which vdevs share their drives, once their number and sizes are fixed.

Vdevs that hold the same drives share their fatal sets. A pair that has x drives in common
shares C(x, f) of them (f = tolerance + 1), a convex function of x: few large overlaps are
better than many small ones. So blocks of vdevs are assigned one after another, those
with the largest overlap first, each so that all other vdevs remain possible
(`supply.can_fill`, exact): no capacity is ever lost. Where no such block is found, an
integer flow over single vdevs and drives assigns the rest.

The result is counted exactly and compared with a lower bound (`bounds`). Where they are
equal it is optimal; otherwise the layout says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations_with_replacement
from typing import Dict, Iterator, List, Optional, Sequence, Tuple

from .cohorts import deal
from .flow import Network
from .promise import Rule
from .shelf import Budget, Seat, Shelf, Take, Wanted, prefixes, take_block
from .stock import Item
from .supply import ANYWHERE, Counts, kinds_of, second_homes


@dataclass(frozen=True)
class Way:
    """An order of trying. Blocks that are not aligned share no more than *widest* drives (0: no limit);
    vdevs of different sizes make a block before those of one size (*mixed_first*), small sizes
    before large ones (*small_first*); drives that can do more are left alone where possible (*thrifty*),
    even at the cost of an even spread.
    """

    widest: int = 0
    mixed_first: bool = False
    small_first: bool = False
    thrifty: bool = False


def ways(width: int, sizes: int) -> Iterator[Way]:
    """The orders worth trying for vdevs of *sizes* sizes, the most promising first."""
    for widest in (0, (width + 1) // 2):
        for thrifty in (False, True):
            yield Way(widest, False, False, thrifty)
            if sizes > 1:
                yield Way(widest, True, False, thrifty)
                yield Way(widest, False, True, thrifty)
                yield Way(widest, True, True, thrifty)


def arrange(items: Sequence[Item], rule: Rule, counts: Counts, way: Way, budget: Budget) -> List[Seat]:
    """All vdevs of *counts* with their drives. Once the budget is spent, they are assigned one by one."""
    shelf = Shelf(items, rule, counts.sizes, counts.vdevs, budget)
    widest = min(way.widest or rule.width, rule.width - 1)
    seats: List[Seat] = []
    together = min(max(len(item.members) for item in items), shelf.total)
    if rule.per_drive > 1 or rule.more:
        return _by_flow(shelf)
    for block in range(together, 1, -1):
        for size in sorted(shelf.vdevs, reverse=not way.small_first):
            seats += _aligned(shelf, size, block, way.thrifty)
        for shared in (rule.width, *range(widest, rule.tolerance, -1)):
            while not budget.out:
                take = _block(shelf, block, shared, way)
                if take is None:
                    break
                shelf.commit(take)
                seats += take.seats
    while shelf.vdevs:
        take = _block(shelf, 1, 0, way)
        if take is None:
            return seats + _by_flow(shelf)
        shelf.commit(take)
        seats += take.seats
    return seats


def _aligned(shelf: Shelf, size: int, block: int, thrifty: bool) -> List[Seat]:
    # As many whole cohorts of one size at once as can be; thousands of alike drives stay cheap.
    candidates = shelf.candidates((size,) * block)
    width = shelf.rule.width
    most = min(shelf.vdevs.get(size, 0) // block, len(candidates) // width)
    for cohorts in _falling(most):
        for pool in prefixes(shelf, candidates, thrifty):
            take = _cohorts(shelf, size, block, pool, cohorts) if len(pool) >= cohorts * width else None
            if take is not None:
                shelf.commit(take)
                return list(take.seats)
    return []


def _cohorts(shelf: Shelf, size: int, block: int, pool: Sequence[str], cohorts: int) -> Optional[Take]:
    in_order = sorted((shelf.items[serial] for serial in pool), key=lambda item: item.place)
    dealt, _rest = deal(in_order, cohorts, shelf.rule.width)
    if not all(shelf.rule.keeps([(item.serial, item.enclosure) for item in cohort]) for cohort in dealt):
        return None
    serials = [tuple(item.serial for item in cohort) for cohort in dealt]
    left = {serial: shelf.consume(shelf.left[serial], (size,) * block) or () for cohort in serials for serial in cohort}
    take = Take(tuple(Seat(size, cohort) for cohort in serials for dummy in range(block)), left)
    return take if shelf.leaves_enough(take, (size,) * (block * cohorts)) else None


def _falling(most: int) -> Iterator[int]:
    # The last few one by one, then by halves.
    step = most
    while step > 0:
        yield step
        step = step - 1 if step > most - 3 else step // 2


def _block(shelf: Shelf, block: int, shared: int, way: Way) -> Optional[Take]:
    if shelf.total < block:
        return None
    for wanted in _combinations(shelf, block, way):
        if block > 1 and shelf.budget.out:
            return None
        if len(shelf.candidates(wanted)) < shared:
            continue
        for take in _takes(shelf, wanted, shared, way.thrifty):
            if shelf.leaves_enough(take, wanted):
                return take
    return None


def _combinations(shelf: Shelf, block: int, way: Way) -> Iterator[Wanted]:
    found = [
        wanted
        for wanted in combinations_with_replacement(sorted(shelf.vdevs, reverse=True), block)
        if all(wanted.count(size) <= shelf.vdevs[size] for size in wanted)
    ]
    mixed, small = (-1 if way.mixed_first else 1), (1 if way.small_first else -1)
    return iter(sorted(found, key=lambda wanted: (mixed * len(set(wanted)), [small * size for size in wanted])))


def _takes(shelf: Shelf, wanted: Wanted, shared: int, thrifty: bool) -> Iterator[Take]:
    weights = shelf.weights()
    for shares in (weights, dict.fromkeys(weights, 1)):
        for lonely_first in (True, False):
            take = take_block(shelf, wanted, shared, shares, lonely_first, thrifty)
            if take is not None:
                yield take
            if shared == shelf.rule.width:
                break


def _by_flow(shelf: Shelf) -> List[Seat]:
    """The rest as an integer flow from every vdev to the drives; exact, without regard to alignment."""
    leasts = [size for size, many in sorted(shelf.vdevs.items(), reverse=True) for dummy in range(many)]
    seconds = _second_homes(shelf)
    network = Network()
    edges: Dict[Tuple[int, str], List[int]] = {}
    for number, least in enumerate(leasts):
        home = seconds[number] if seconds else ANYWHERE
        _add_vdev(network, shelf, number, home)
        for serial, sizes in shelf.left.items():
            fitting = {size for size in sizes if shelf.rule.serves(size, least)}
            if not fitting:
                continue
            enclosure, of = shelf.items[serial].enclosure, (number, "of", serial)
            edges[number, serial] = [network.edge((number, "in", enclosure), of, shelf.rule.per_drive)]
            if shelf.rule.more and home in (ANYWHERE, enclosure):
                edges[number, serial].append(network.edge((number, "more"), of, 1))
            for size in fitting:
                network.edge(of, (serial, size), len(sizes))
    for serial, sizes in shelf.left.items():
        for size in set(sizes):
            network.edge((serial, size), "sink", sizes.count(size))
    network.maximum("source", "sink")
    found: List[List[str]] = [[] for dummy in leasts]
    for (number, serial), numbers in edges.items():
        found[number] += [serial] * sum(network.used(edge) for edge in numbers)
    shelf.vdevs.clear()
    return [Seat(least, tuple(serials)) for least, serials in zip(leasts, found)]


def _second_homes(shelf: Shelf) -> Tuple[str, ...]:
    # For each vdev, largest first, where it may hold a second unit of a drive; empty where it does not matter.
    if not shelf.rule.tangled:
        return ()
    wanted = sorted(shelf.vdevs.items(), reverse=True)
    homes = second_homes(kinds_of(shelf.items.values()), shelf.rule, wanted) or {}
    return tuple(home for size, _many in wanted for home in homes[size])


def _add_vdev(network: Network, shelf: Shelf, number: int, home: str) -> None:
    rule = shelf.rule
    network.edge("source", number, rule.width)
    if rule.extra:
        network.edge(number, (number, "extra"), rule.extra)
    for enclosure in sorted({item.enclosure for item in shelf.items.values()}):
        network.edge(number, (number, "in", enclosure), rule.base)
        if rule.extra:
            network.edge((number, "extra"), (number, "in", enclosure), rule.extra)
    if rule.more:
        network.edge(number if home == ANYWHERE else (number, "in", home), (number, "more"), rule.more)
