# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Which failures a pool survives: counted, never assumed.

Works on any set of vdevs: planned layouts, and pools that were built by other means. The pool is lost
when any vdev loses more members than its parity covers; a drive takes all its units with it, an
enclosure all its drives. All failures are at one moment: no resilver in between. For dRAID this
takes every set of parity + 1 members as sharing a stripe somewhere, which its
permutations arrange; distributed spares help only after a resilver.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations
from math import comb
from typing import Dict, Iterator, List, Mapping, Optional, Sequence, Set, Tuple

from ..errors import InputError
from ..model import Bay, Vdev
from .counting import WORK, survivor_polynomial

BY = ("drive", "enclosure", "unit")


@dataclass(frozen=True)
class MemberState:
    """One member of a vdev now: the drive it is on, that drive's enclosure (may be empty), whether it works."""

    serial: str
    enclosure: str = ""
    alive: bool = True


@dataclass(frozen=True)
class VdevState:
    """One top-level vdev now. *parity*: the member failures that it survives when all work."""

    parity: int
    members: Tuple[MemberState, ...]
    name: str = ""

    @property
    def left(self) -> int:
        """How many more members may fail; negative when the vdev is lost."""
        return self.parity - sum(not member.alive for member in self.members)


@dataclass(frozen=True)
class FatalSets:
    """Of all *total* sets of *size* parts, *fatal* lose the pool. *fatal* is None where it was not counted."""

    size: int
    total: int
    fatal: Optional[int]

    @property
    def share(self) -> Optional[Fraction]:
        """The exact share of fatal sets; None where not counted or where there is no such set."""
        return None if self.fatal is None or not self.total else Fraction(self.fatal, self.total)


@dataclass(frozen=True)
class Survival:
    """What a pool survives.

    *drives*, *enclosures*, *units*: how many of them may fail, whichever they are
    (*units* are single-actuator failures). *drive_sets* and *enclosure_sets*: how many sets
    of each size are fatal.
    """

    drives: int
    enclosures: int
    units: int
    drive_sets: Tuple[FatalSets, ...]
    enclosure_sets: Tuple[FatalSets, ...]


def vdev_states(vdevs: Sequence[Vdev]) -> Tuple[VdevState, ...]:
    """A layout's vdevs with every member working. Enclosures are read from the bay labels."""
    found: List[VdevState] = []
    bays = {member.bay for vdev in vdevs for member in vdev.members}
    enclosures = {bay: Bay.parse(bay).enclosure if bay else "" for bay in bays}
    for number, vdev in enumerate(vdevs):
        members = tuple(MemberState(m.serial, enclosures[m.bay]) for m in vdev.members)
        if vdev.kind == "stripe":
            found.extend(VdevState(0, (member,), "stripe-{0}".format(number)) for member in members)
        else:
            found.append(VdevState(vdev.parity, members, "{0}-{1}".format(vdev.keyword, number)))
    return tuple(found)


def survival(
    states: Sequence[VdevState], sizes: Sequence[int] = (1, 2, 3, 4, 5, 6), bystanders: int = 0, work: int = WORK
) -> Survival:
    """All of `Survival` for a pool. *bystanders*: drives in the chassis that hold no data (spares).

    A size whose count would take more than *work* steps is given as not counted (only pools
    that scatter drives over vdevs at random come to that).
    """
    enclosures = {member.enclosure for state in states for member in state.members}
    few = [size for size in sizes if size <= min(3, len(enclosures))]
    return Survival(
        drives=losses_survived(states, "drive"),
        enclosures=losses_survived(states, "enclosure"),
        units=losses_survived(states, "unit"),
        drive_sets=fatal_sets_of_sizes(states, sizes, "drive", bystanders, work),
        enclosure_sets=fatal_sets_of_sizes(states, few, "enclosure", 0, work),
    )


def losses_survived(states: Sequence[VdevState], by: str = "drive") -> int:
    """How many drives (or enclosures, or units) may fail, whichever they are, beyond those failed; -1 when lost.

    Exact: a vdev is worst hit by the parts that hold most of it. Capped by the number of parts.
    """
    parts = _parts(states, by)
    loads: Dict[int, List[int]] = defaultdict(list)
    for part in parts:
        for vdev, count in part.items():
            loads[vdev].append(count)
    return min([vdev_survives(state.left, loads[number], len(parts)) for number, state in enumerate(states)], default=0)


def vdev_survives(left: int, loads: Sequence[int], most: int) -> int:
    """How many failures a vdev survives that can lose *left* more members, the worst first; at most *most*.

    *loads*: how many members each part takes with it. -1 when *left* is negative: lost already.
    """
    if left < 0:
        return -1
    taken = 0
    for count, load in enumerate(sorted(loads, reverse=True)):
        taken += load
        if taken > left:
            return count
    return most


def fatal_sets(
    states: Sequence[VdevState], size: int, by: str = "drive", bystanders: int = 0, work: int = WORK
) -> FatalSets:
    """How many sets of *size* working parts are fatal; exact.

    *by* is C(drive), C(enclosure) or C(unit). *bystanders* more parts hold no data. Raises InputError
    when that takes more than *work* steps.
    """
    if size < 0:
        raise InputError("{0} is not a size".format(size), "size", "Give 0 or more.")
    parts = _parts(states, by)
    parts.extend({} for _number in range(bystanders))
    total = comb(len(parts), size)
    survived = survivor_polynomial(parts, [state.left for state in states], size, work)[size]
    return FatalSets(size, total, total - survived)


def fatal_sets_of_sizes(
    states: Sequence[VdevState], sizes: Sequence[int], by: str = "drive", bystanders: int = 0, work: int = WORK
) -> Tuple[FatalSets, ...]:
    """As `fatal_sets` for each of *sizes*; from the first that takes more than *work* steps on, none is counted."""
    parts = _parts(states, by)
    parts.extend({} for _number in range(bystanders))
    limits = [state.left for state in states]
    survived = _survived(parts, limits, sizes, work) if sizes else []
    totals = [(size, comb(len(parts), size)) for size in sizes]
    return tuple(
        FatalSets(size, total, total - survived[size] if size < len(survived) else None) for size, total in totals
    )


def _survived(parts: Sequence[Mapping[int, int]], limits: Sequence[int], sizes: Sequence[int], work: int) -> List[int]:
    # The largest size counts all smaller ones along; where it takes too much, the smaller ones as far as they go.
    *smaller, largest = sorted(sizes)
    found: List[int] = []
    try:
        return survivor_polynomial(parts, limits, largest, work)
    except InputError:
        for size in smaller:
            try:
                found = survivor_polynomial(parts, limits, size, work)
            except InputError:
                break
    return found


def minimal_fatal_sets(
    states: Sequence[VdevState], size: int, limit: int = 1000, by: str = "drive"
) -> Tuple[Tuple[Tuple[str, ...], ...], bool]:
    """The smallest fatal sets of at most *size* parts, no more than *limit* of them, and whether these are all.

    A set is minimal when any part of it alone would be survived. Sets are sorted names, smallest
    sets first. A unit is named by its drive's serial, vdev and place: C(serial#vdev.place).
    Of a pool that is lost already the only one is the empty set.
    """
    if any(state.left < 0 for state in states):
        return ((),), True
    found: List[Tuple[str, ...]] = []
    inside: Dict[str, Set[int]] = defaultdict(set)  # where each part appears among the found
    columns = _columns(states, by)
    for count in range(1, size + 1):
        for names in _overloads(states, columns, count):
            # One found before is as large or smaller; inside this one it makes it needless.
            if any(set(found[at]) <= set(names) for at in _near(names, inside)):
                continue
            if len(found) == limit:
                return tuple(found), False
            for name in names:
                inside[name].add(len(found))
            found.append(names)
    return tuple(found), True


def _near(names: Tuple[str, ...], inside: Dict[str, Set[int]]) -> Set[int]:
    return set().union(*(inside.get(name, set()) for name in names))


def _columns(states: Sequence[VdevState], by: str) -> List[Dict[str, int]]:
    # For each vdev, how many of its working members each part holds, by name.
    columns: List[Dict[str, int]] = [{} for _state in states]
    for name, held in sorted(_named_parts(states, by).items()):
        for vdev, count in held.items():
            columns[vdev][name] = count
    return columns


def _overloads(states: Sequence[VdevState], columns: Sequence[Dict[str, int]], count: int) -> Iterator[Tuple[str, ...]]:
    # Sets of *count* parts of one vdev that overload it, each part needed for that.
    for state, weights in zip(states, columns):
        for names in combinations(weights, count):
            load = sum(weights[name] for name in names)
            if load > state.left and all(load - weights[name] <= state.left for name in names):
                yield names


def _parts(states: Sequence[VdevState], by: str) -> List[Dict[int, int]]:
    return list(_named_parts(states, by).values())


def _named_parts(states: Sequence[VdevState], by: str) -> Dict[str, Dict[int, int]]:
    # Each part, with how many working members it holds of each vdev.
    if by not in BY:
        raise InputError("{0!r} is not a kind of part".format(by), "by", "Use {0}.".format(", ".join(BY)))
    parts: Dict[str, Dict[int, int]] = {}
    for number, state in enumerate(states):
        for place, member in enumerate(state.members):
            if member.alive:
                name = _part_name(member, by, number, place)
                held = parts.setdefault(name, {})
                held[number] = held.get(number, 0) + 1
    return parts


def _part_name(member: MemberState, by: str, vdev: int, place: int) -> str:
    if by == "unit":
        return "{0}#{1}.{2}".format(member.serial, vdev, place)
    return member.serial if by == "drive" else member.enclosure
