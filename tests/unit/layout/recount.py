# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Layouts looked at from outside: plain recounts and an exhaustive search, with no code of the library.

A unit is (drive number, index); a layout is a list of lists of units. Values are compared as
(-capacity, fatal sets, spread): smaller is better.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, product

from tests.unit.strategies import Spec

Unit = tuple[int, int]
Value = tuple[int, int, int]


@dataclass(frozen=True)
class Task:
    """An instance of the assignment: drives, width, member failures that a vdev survives, enclosures promised."""

    specs: tuple[Spec, ...]
    width: int
    tolerance: int
    enclosures: int = 0


def allowed(task: Task, vdev: Sequence[int]) -> bool:
    """Whether a vdev on these drives keeps the promises; straight from their wording."""
    if len(set(vdev)) < len(vdev):
        return False
    homes = Counter(task.specs[drive].enclosure for drive in vdev)
    if not task.enclosures:
        return True
    lost = max(
        sum(homes[name] for name in gone) for gone in combinations(sorted(homes), min(task.enclosures, len(homes)))
    )
    return lost <= task.tolerance


def value(task: Task, vdevs: Sequence[Sequence[Unit]]) -> Value:
    """Capacity in TB of smallest members (negative), fatal drive sets of tolerance + 1, and spread."""
    capacity = sum(min(task.specs[drive].sizes[index] for drive, index in vdev) for vdev in vdevs)
    holders = [frozenset(drive for drive, _index in vdev) for vdev in vdevs]
    fatal = sum(
        1
        for gone in combinations(range(len(task.specs)), task.tolerance + 1)
        if any(holder.issuperset(gone) for holder in holders)
    )
    spread = sum(
        many * many
        for vdev in vdevs
        for many in Counter(task.specs[drive].enclosure for drive, _index in vdev).values()
    )
    return -capacity, fatal, spread


def exhaustive(task: Task) -> Value:
    """The best value of all layouts, by trying all; drives with several units must have them of one size."""
    for spec in task.specs:
        if len(set(spec.sizes)) > 1:
            return _exhaustive_units(task)
    sets = [vdev for vdev in combinations(range(len(task.specs)), task.width) if allowed(task, vdev)]
    room = [len(spec.sizes) for spec in task.specs]
    return min(value(task, _with_units(vdevs)) for vdevs in _multisets(sets, room))


def _multisets(sets: Sequence[tuple[int, ...]], room: list[int], first: int = 0) -> Iterator[list[tuple[int, ...]]]:
    # Layouts that can take no further vdev are enough: one more vdev always adds capacity.
    grew = False
    for number in range(len(sets)):
        if all(room[drive] for drive in sets[number]):
            grew = True
            if number < first:
                continue
            for drive in sets[number]:
                room[drive] -= 1
            for rest in _multisets(sets, room, number):
                yield [sets[number], *rest]
            for drive in sets[number]:
                room[drive] += 1
    if not grew:
        yield []


def _with_units(vdevs: Sequence[tuple[int, ...]]) -> list[list[Unit]]:
    used: Counter[int] = Counter()
    found = []
    for vdev in vdevs:
        found.append([(drive, used[drive]) for drive in vdev])
        used.update(vdev)
    return found


def _exhaustive_units(task: Task) -> Value:
    sets = []
    for vdev in combinations(range(len(task.specs)), task.width):
        if allowed(task, vdev):
            sets += [
                tuple(zip(vdev, picked, strict=True))
                for picked in product(*(range(len(task.specs[d].sizes)) for d in vdev))
            ]

    def grow(first: int, free: frozenset[Unit]) -> Iterator[list[tuple[Unit, ...]]]:
        yield []
        for number in range(first, len(sets)):
            if free.issuperset(sets[number]):
                for rest in grow(number + 1, free.difference(sets[number])):
                    yield [sets[number], *rest]

    every = frozenset((d, i) for d, spec in enumerate(task.specs) for i in range(len(spec.sizes)))
    return min(value(task, vdevs) for vdevs in grow(0, every))
