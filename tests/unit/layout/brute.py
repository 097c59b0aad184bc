# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""What is possible at all, by trying everything; written from docs/layout.md, with no code of the planner.

A vdev is a set of units, allowed when every promise holds for it. All sets of the width are
tried, then all ways to take disjoint ones. Sets of units are bit masks.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations, product

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.policy import Policy
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Drive
from tests.unit.layout.audit import FUZZ, Key, homes_of, worst

MOST_TIES = 2000  # more different layouts of one set of units are not told apart
WIDEST_RAIDZ = 14  # docs/layout.md: the widest that `prefer` chooses


class TooMany(Exception):
    """A brute force is no good here."""


@dataclass(frozen=True)
class Best:
    """Of one width: the most capacity (sum of smallest members), and the fewest fatal sets and least spread with it.

    *lame*: the most when spares may be too small for a member. The last two are None where not told.
    """

    capacity: int
    lame: int
    fatal: int | None = None
    spread: int | None = None


def widths(policy: Policy, units: int) -> list[int]:
    """The widths that the policy leaves open (docs/layout.md: 14 members at most, mirrors 2 to 4)."""
    if policy.width:
        return [policy.width]
    if policy.kind == "mirror":
        return [2, 3, 4]
    if policy.kind == "draid":
        return list(range(policy.parity + max(1, policy.draid_data) + (policy.draid_spares or 0), units + 1))
    return list(range(policy.parity + 1, WIDEST_RAIDZ + 1))


class Brute:
    """All layouts of some drives under a policy. *free*: the units that may be used (all when None)."""

    def __init__(self, drives: Sequence[Drive], policy: Policy, free: frozenset[Key] | None = None) -> None:
        self._policy = policy
        self._homes = homes_of(drives)
        self._drives = drives
        every = [(drive.serial, unit.index, unit.size) for drive in drives for unit in drive.units]
        self._units = [unit for unit in every if free is None or unit[:2] in free]
        self._free = {unit[:2] for unit in self._units}
        self._allowed: dict[int, list[tuple[int, int]]] = {}

    @cached_property
    def all_units(self) -> int:
        """The mask of all units."""
        return (1 << len(self._units)) - 1

    def keeps(self, held: Sequence[tuple[str, int, int]]) -> bool:
        """Whether a vdev of these units keeps the promises."""
        policy = self._policy
        parity = len(held) - 1 if policy.kind == "mirror" else policy.parity
        serials = [serial for serial, _index, _size in held]
        sizes = [size for _serial, _index, size in held]
        if worst(serials, 1) > (max(1, parity) if policy.siblings else 1):
            return False
        if not policy.mixed_sizes and max(sizes) - min(sizes) > FUZZ:
            return False
        homes = [self._homes[serial] for serial in serials]
        return worst(serials, policy.survive.drives) <= parity and worst(homes, policy.survive.enclosures) <= parity

    def allowed(self, width: int) -> list[tuple[int, int]]:
        """All vdevs of a width: mask and smallest member."""
        if width not in self._allowed:
            self._allowed[width] = [
                (sum(1 << at for at in chosen), min(self._units[at][2] for at in chosen))
                for chosen in combinations(range(len(self._units)), width)
                if self.keeps([self._units[at] for at in chosen])
            ]
        return self._allowed[width]

    def choices(self, spares: int) -> Iterator[tuple[int, int]]:
        """All choices of spare drives: the mask of the other units, and the largest member that they can replace.

        A spare has as many units as any drive that is none, and all of them are free. 0: it can replace any drive,
        since its units, largest first, are at least as large; otherwise it counts as large as its smallest unit.
        """
        whole = [d for d in self._drives if all((d.serial, unit.index) in self._free for unit in d.units)]
        seen = set()
        for chosen in combinations(whole, spares):
            others = [drive for drive in self._drives if drive not in chosen]
            if any(len(drive.units) > len(spare.units) for drive in others for spare in chosen):
                continue
            kinds = str(sorted((self._homes[d.serial], sorted(unit.size for unit in d.units)) for d in chosen))
            if kinds in seen and len(whole) == len(self._drives):
                continue
            seen.add(kinds)
            gone = {drive.serial for drive in chosen}
            mask = sum(1 << at for at, unit in enumerate(self._units) if unit[0] not in gone)
            if all(_as_large(spare, drive) for drive in others for spare in chosen):
                yield mask, 0
            else:
                yield mask, min(unit.size for drive in chosen for unit in drive.units)

    def possible(self, spares: int) -> int:
        """A width of which there is a vdev beside spares that can stand in for its members; 0 when there is none."""
        choices = list(self.choices(spares))
        for width in widths(self._policy, len(self._units)):
            for vdev, size in self.allowed(width):
                if any(vdev & mask == vdev and (not least or size <= least) for mask, least in choices):
                    return width
        return 0

    def best(self, width: int, spares: int, finer: bool = False) -> Best:
        """The best layouts of a width; with *finer* also fatal sets and spread, siblings apart."""
        found = []
        lame = 0
        for mask, least in self.choices(spares):
            every = _Search(self.allowed(width))
            lame = max(lame, every.most(mask))
            doing = _Search([vdev for vdev in self.allowed(width) if not least or vdev[1] <= least])
            found.append((doing.most(mask), doing, mask))
        most = max((value for value, _search, _mask in found), default=0)
        if not finer or not most:
            return Best(most, lame)
        try:
            values = [
                value
                for reached, search, mask in found
                if reached == most
                for value in search.finest(mask, self._bits(width), self._spreads(width))
            ]
        except TooMany:
            return Best(most, lame)
        return Best(most, lame, *min(values))

    def _serials(self, vdev: int) -> list[str]:
        return [unit[0] for at, unit in enumerate(self._units) if vdev >> at & 1]

    def _bits(self, width: int) -> dict[int, int]:
        # For each vdev the fatal sets in it, as bits: all sets of tolerance + 1 of its drives.
        size = (width - 1 if self._policy.kind == "mirror" else self._policy.parity) + 1
        numbers: dict[tuple[str, ...], int] = {}
        found = {}
        for vdev, _least in self.allowed(width):
            sets = [tuple(sorted(chosen)) for chosen in combinations(self._serials(vdev), size)]
            found[vdev] = sum({1 << numbers.setdefault(one, len(numbers)) for one in sets})
        return found

    def _spreads(self, width: int) -> dict[int, int]:
        return {
            vdev: sum(many * many for many in Counter(self._homes[s] for s in self._serials(vdev)).values())
            for vdev, _least in self.allowed(width)
        }


def _as_large(spare: Drive, drive: Drive) -> bool:
    large, wanted = (sorted((unit.size for unit in held.units), reverse=True) for held in (spare, drive))
    return len(large) >= len(wanted) and all(have >= need for have, need in zip(large, wanted, strict=False))


class _Search:
    """All ways to take disjoint vdevs from a set of units."""

    def __init__(self, vdevs: Sequence[tuple[int, int]]) -> None:
        self._by_lowest: dict[int, list[tuple[int, int]]] = {}
        for vdev, size in vdevs:
            self._by_lowest.setdefault(vdev & -vdev, []).append((vdev, size))
        self._most: dict[int, int] = {0: 0}

    def most(self, mask: int) -> int:
        """The largest sum of smallest members."""
        if mask not in self._most:
            lowest = mask & -mask
            best = self.most(mask ^ lowest)
            for vdev, size in self._by_lowest.get(lowest, ()):
                if vdev & mask == vdev:
                    best = max(best, size + self.most(mask ^ vdev))
            self._most[mask] = best
        return self._most[mask]

    def finest(self, mask: int, bits: dict[int, int], spreads: dict[int, int]) -> list[tuple[int, int]]:
        """(fatal sets, spread) of layouts of the most capacity; the best is among them. TooMany."""
        found = self._ties(mask, bits, spreads, {0: {0: 0}})
        return [(union.bit_count(), spread) for union, spread in found.items()]

    def _ties(
        self, mask: int, bits: dict[int, int], spreads: dict[int, int], known: dict[int, dict[int, int]]
    ) -> dict[int, int]:
        # The unions of fatal sets that layouts of the most capacity come to, each with its least spread.
        if mask in known:
            return known[mask]
        lowest = mask & -mask
        found: dict[int, int] = {}
        if self.most(mask ^ lowest) == self.most(mask):
            found.update(self._ties(mask ^ lowest, bits, spreads, known))
        for vdev, size in self._by_lowest.get(lowest, ()):
            if vdev & mask == vdev and size + self.most(mask ^ vdev) == self.most(mask):
                for union, spread in self._ties(mask ^ vdev, bits, spreads, known).items():
                    union, spread = union | bits[vdev], spread + spreads[vdev]
                    found[union] = min(spread, found.get(union, spread))
        if len(found) > MOST_TIES:
            raise TooMany
        known[mask] = found
        return found


def one_vdev(drives: Sequence[Drive], policy: Policy) -> int:
    """A width of which one vdev can be filled beside the spares, of any number of drives; siblings apart. 0: none.

    For every size that may be the smallest, every number of units that the spares may have at least, and every way
    to take members from the enclosures. Spares have no unit smaller than the vdev's smallest.
    """
    for least in {unit.size for drive in drives for unit in drive.units}:
        for units in {len(drive.units) for drive in drives}:
            width = _beside_spares(drives, policy, least, units)
            if width:
                return width
    return 0


def _beside_spares(drives: Sequence[Drive], policy: Policy, least: int, units: int) -> int:
    # Drives of more units are spares all; those of just so many and large enough may be.
    homes = homes_of(drives)
    more = [drive for drive in drives if len(drive.units) > units]
    may = [drive for drive in drives if len(drive.units) == units and min(u.size for u in drive.units) >= least]
    spare = len(may) - (policy.spares - len(more))
    if not 0 <= spare <= len(may) or any(unit.size < least for drive in more for unit in drive.units):
        return 0
    # The smallest member really is of that size; it can take any other's place.
    exact = [d for d in drives if len(d.units) <= units and any(unit.size == least for unit in d.units)]
    if policy.spares and not any(drive not in may or spare for drive in exact):
        return 0
    ordinary: Counter[str] = Counter()
    whole: Counter[str] = Counter()
    for drive in drives:
        fits = any(least <= u.size and (policy.mixed_sizes or u.size <= least + FUZZ) for u in drive.units)
        if fits and len(drive.units) <= units:
            (whole if drive in may else ordinary)[homes[drive.serial]] += 1
    return next((w for w in widths(policy, len(drives)) if _fill_one(policy, w, ordinary, whole, spare)), 0)


def _fill_one(policy: Policy, width: int, ordinary: Counter[str], whole: Counter[str], spare: int) -> bool:
    parity = width - 1 if policy.kind == "mirror" else policy.parity
    promised = policy.survive
    if promised.drives > parity:
        return False
    if not promised.enclosures:
        few = sum(ordinary.values())
        return width <= few + sum(whole.values()) and max(0, width - few) <= spare
    names = sorted({*ordinary, *whole})
    tops = [range(min(ordinary[name] + whole[name], parity, width) + 1) for name in names]
    return any(
        sum(taken) == width
        and sum(sorted(taken, reverse=True)[: promised.enclosures]) <= parity
        and sum(max(0, many - ordinary[name]) for name, many in zip(names, taken, strict=True)) <= spare
        for taken in product(*tops)
    )
