# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The units still free while vdevs are assigned, one block of vdevs at a time."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from functools import lru_cache
from typing import Dict, Iterable, Iterator, List, Mapping, Optional, Sequence, Set, Tuple

from .promise import Rule
from .stock import Item
from .supply import Kind, can_fill

Wanted = Tuple[int, ...]  # one size for each vdev of a block: its members' least
Weights = Mapping[str, int]


@dataclass(frozen=True)
class Seat:
    """A vdev under assignment: the least size of its members and the serials of their drives."""

    least: int
    serials: Tuple[str, ...]


@dataclass(frozen=True)
class Take:
    """What a block of vdevs takes: its vdevs, and the drives' unit sizes afterwards."""

    seats: Tuple[Seat, ...]
    left: Dict[str, Tuple[int, ...]]


class Budget:
    """How much work a search may still do: about one for each edge of a network that is looked at."""

    def __init__(self, work: int) -> None:
        self.left = work

    @property
    def out(self) -> bool:
        """Whether the search must stop."""
        return self.left <= 0

    def spend(self, work: int) -> None:
        """Counts *work* as done."""
        self.left -= work


class Shelf:
    """Drives with the unit sizes still free, and the vdevs still to be assigned."""

    def __init__(
        self, items: Sequence[Item], rule: Rule, sizes: Sequence[int], vdevs: Sequence[int], budget: Budget
    ) -> None:
        self.rule = rule
        self.budget = budget
        self.items = {item.serial: item for item in items}
        self.left: Dict[str, Tuple[int, ...]] = {item.serial: item.sizes for item in items}
        self.vdevs: Dict[int, int] = {size: many for size, many in zip(sizes, vdevs) if many}
        self._candidates: Dict[Wanted, List[str]] = {}

    @property
    def total(self) -> int:
        """Vdevs still to be assigned."""
        return sum(self.vdevs.values())

    def candidates(self, wanted: Wanted) -> List[str]:
        """Drives that can give a unit to every vdev of a block, the least suitable for anything else first."""
        found = self._candidates.get(wanted)
        if found is None:
            found = [serial for serial, sizes in self.left.items() if self.consume(sizes, wanted) is not None]
            found.sort(key=lambda serial: (self.left[serial], self.items[serial].place))
            self.budget.spend(len(self.left) // 2)
            self._candidates[wanted] = found
        return found

    def consume(self, sizes: Tuple[int, ...], wanted: Wanted) -> Optional[Tuple[int, ...]]:
        """`consume` under the rule."""
        return consume(sizes, wanted, self.rule.alike)

    def serves(self, serial: str, least: int) -> int:
        """How many units the drive has left for vdevs of *least*."""
        return sum(1 for size in self.left[serial] if self.rule.serves(size, least))

    def leaves_enough(self, take: Take, wanted: Wanted) -> bool:
        """Whether all other vdevs remain possible after *take*."""
        vdevs = Counter(self.vdevs)
        vdevs.subtract(wanted)
        after = dict(self.left)
        after.update(take.left)
        stock: Dict[Kind, int] = Counter(
            (self.items[serial].enclosure, sizes) for serial, sizes in after.items() if sizes
        )
        sizes = sorted((size for size in vdevs if vdevs[size]), reverse=True)
        self.budget.spend(len(stock) * max(1, len(sizes)))
        return not sizes or can_fill(stock, self.rule, sizes, [vdevs[size] for size in sizes])

    def commit(self, take: Take) -> None:
        """Makes *take* final."""
        self.left.update(take.left)
        self._candidates.clear()
        for seat in take.seats:
            self.vdevs[seat.least] -= 1
            if not self.vdevs[seat.least]:
                del self.vdevs[seat.least]

    def weights(self) -> Weights:
        """How much each enclosure can give to the vdevs that are left, at most: a block takes in proportion."""
        least, total = min(self.vdevs), self.total
        most: Dict[str, int] = defaultdict(int)
        for serial, sizes in self.left.items():
            fitting = sum(1 for size in sizes if size >= least)
            most[self.items[serial].enclosure] += min(fitting, self.rule.per_drive * total)
        return {name: min(many, self.rule.base * total) for name, many in most.items()}


@lru_cache(maxsize=65536)
def consume(sizes: Tuple[int, ...], wanted: Tuple[int, ...], alike: bool = False) -> Optional[Tuple[int, ...]]:
    """The sizes (largest first) less one for each wanted least size; None when they do not suffice.

    The smallest unit that fits is taken, for the largest size first: that leaves the most. With *alike*
    only a unit of exactly that size fits.
    """
    left = list(sizes)
    for least in sorted(wanted, reverse=True):
        fitting = [position for position, size in enumerate(left) if size == least or (size > least and not alike)]
        if not fitting:
            return None
        del left[fitting[-1]]
    return tuple(left)


def prefixes(shelf: Shelf, pool: Sequence[str], thrifty: bool) -> Iterator[List[str]]:
    """The pool; when *thrifty*, first its beginnings, so that drives that can do more are left alone if possible."""
    if thrifty:
        for end in range(1, len(pool)):
            if shelf.left[pool[end]] != shelf.left[pool[end - 1]]:
                yield list(pool[:end])
    yield list(pool)


def pick(
    shelf: Shelf, pool: Iterable[str], many: int, room: Dict[str, int], extra: int, weights: Weights
) -> Optional[List[str]]:
    """*many* drives of *pool*, from the enclosures in proportion to *weights* as far as *room* goes.

    *room* is what each enclosure may still give; *extra* enclosures may give one more. None
    when there are too few. Within an enclosure the first of the pool are taken.
    """
    homes: Dict[str, List[str]] = defaultdict(list)
    for serial in pool:
        homes[shelf.items[serial].enclosure].append(serial)
    taken: Dict[str, int] = dict.fromkeys(homes, 0)
    for _turn in range(many):
        open_homes = [name for name in homes if taken[name] < min(len(homes[name]), room[name])]
        if not open_homes and extra:
            open_homes = [name for name in homes if taken[name] < len(homes[name]) and taken[name] == room[name]]
            extra -= 1
        if not open_homes:
            return None
        best = min(
            open_homes, key=lambda name: (-weights.get(name, 0) / (2 * taken[name] + 1), -len(homes[name]), name)
        )
        taken[best] += 1
    return [serial for name in sorted(homes) for serial in homes[name][: taken[name]]]


def take_block(
    shelf: Shelf, wanted: Wanted, shared: int, weights: Weights, lonely_first: bool, thrifty: bool = False
) -> Optional[Take]:
    """A block of vdevs that have *shared* drives in common; the other members of each come from drives of their own.

    *lonely_first* takes those from drives with the fewest units left; *thrifty* takes the common ones
    from as few kinds of drive as possible. None when the drives do not suffice.
    """
    rule = shelf.rule
    common = _common(shelf, wanted, shared, weights, thrifty)
    if common is None:
        return None
    left = {serial: shelf.consume(shelf.left[serial], wanted) or () for serial in common}
    held = Counter(shelf.items[serial].enclosure for serial in common)
    room = {name: max(0, rule.base - held[name]) for name in _enclosures(shelf)}
    over = sum(max(0, many - rule.base) for many in held.values())
    used: Set[str] = set(common)
    seats = []
    for least in wanted:
        own: List[str] = []
        if rule.width > shared:
            found = _own(shelf, least, used, lonely_first)
            picked = pick(shelf, found, rule.width - shared, room, rule.extra - over, weights)
            if picked is None:
                return None
            own = picked
        used.update(own)
        left.update({serial: shelf.consume(shelf.left[serial], (least,)) or () for serial in own})
        seats.append(Seat(least, tuple(common) + tuple(own)))
    return Take(tuple(seats), left)


def _common(shelf: Shelf, wanted: Wanted, shared: int, weights: Weights, thrifty: bool) -> Optional[List[str]]:
    if not shared:
        return []
    room = dict.fromkeys(_enclosures(shelf), shelf.rule.base)
    pool = shelf.candidates(wanted)
    if not thrifty:
        return pick(shelf, pool, shared, room, shelf.rule.extra, weights)
    taken: List[str] = []
    for tier in _tiers(shelf, pool):
        # First all that fit the fewest vdevs, then the next.
        for many in range(min(len(tier), shared - len(taken)), 0, -1):
            held = Counter(shelf.items[serial].enclosure for serial in taken)
            over = sum(max(0, count - room[name]) for name, count in held.items())
            left = {name: max(0, most - held[name]) for name, most in room.items()}
            picked = pick(shelf, tier, many, left, shelf.rule.extra - over, weights)
            if picked is not None:
                taken += picked
                break
    return taken if len(taken) == shared else None


def _tiers(shelf: Shelf, pool: Sequence[str]) -> List[List[str]]:
    tiers: Dict[Tuple[int, ...], List[str]] = defaultdict(list)
    for serial in pool:
        tiers[shelf.left[serial]].append(serial)
    return list(tiers.values())


def _own(shelf: Shelf, least: int, used: Set[str], lonely_first: bool) -> List[str]:
    found = [serial for serial in shelf.candidates((least,)) if serial not in used]
    shelf.budget.spend(len(found))
    sign = 1 if lonely_first else -1
    return sorted(found, key=lambda serial: sign * shelf.serves(serial, least))


def _enclosures(shelf: Shelf) -> Set[str]:
    return {item.enclosure for item in shelf.items.values()}
