# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The chain of a group of vdevs over the same drives: what may have failed at once, and what happens next.

A state is how many drives of each class have which units failed. Vdevs that are alike (same parity, same
chance of an unreadable sector, held alike by every class) can change places without any rate
changing, so states that differ in nothing else are one: the lumped chain is exact. Four units a
drive make 1,039 states with raidz2, and 73 of them differ.

States are found level by level, a level being the number of failures, of a drive or of a unit, that a
state takes at least. Past MOST_STATES no further level is added: failures that would lead there are left out,
and the chain says at which level it was cut. All levels up to the largest parity are always there, so
every shortest way to a loss is counted.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from functools import lru_cache
from typing import Dict, Hashable, Iterator, List, NamedTuple, Sequence, Tuple

from .chain import Chain

MOST_STATES = 120
END, OUT = -1, -2  # instead of the number of a state: data lost; a state that was left out

Homes = Tuple[int, ...]  # for each unit of a drive, the number of the vdev it is in
Kind = Tuple[int, Homes]  # the number of a class, and the homes of failed units
State = Tuple[Tuple[Kind, int], ...]  # how many drives of each kind, sorted


@dataclass(frozen=True)
class DriveClass:
    """*count* drives alike in a group: *homes* says which vdev of the group each unit is in.

    *split*: its actuators can fail alone. An ordinary drive's only one is part of the drive.
    """

    count: int
    homes: Homes
    split: bool = True


@dataclass(frozen=True)
class Hazards:
    """Rates of one group in 1/h, and chances.

    *drive*, *unit*: failures. *repair_drive*, *repair_unit*: resilvers. *unreadable*: for each vdev of
    the group, the chance that a resilver with no parity left meets an unreadable sector.
    """

    drive: float
    unit: float
    repair_drive: float
    repair_unit: float
    unreadable: Tuple[float, ...]
    parallel: bool = True


class Move(NamedTuple):
    """A step from a state: to which, how many drives or units can make it, and whose rate it goes at.

    *bare*: the vdevs that it leaves without parity. *working*: at 0 or above it is made by working drives of that
    class; *many* is then for each of them, and *broken* of them do not work.
    """

    target: int
    many: float
    rate: str
    bare: Tuple[int, ...] = ()
    working: int = -1
    broken: int = 0


class Moves(NamedTuple):
    """All moves from each state, and the level after which states were left out (0: none was)."""

    rows: Tuple[Tuple[Move, ...], ...]
    cut: int


def group_chain(classes: Sequence[DriveClass], parities: Sequence[int], hazards: Hazards) -> Chain:
    """The chain of one group of vdevs with *parities*; see the module for its states."""
    kinds = tuple((kind.homes, kind.split) for kind in classes)
    moves = group_moves(kinds, tuple(parities), _pattern(hazards.unreadable), hazards.parallel)
    rows: List[Dict[int, float]] = []
    ends: List[float] = []
    for found in moves.rows:
        row: Dict[int, float] = defaultdict(float)
        end = 0.0
        for target, many, name, bare, working, broken in found:
            rate = many * getattr(hazards, name)
            if working >= 0:
                rate *= max(0, classes[working].count - broken)
            lost = float(target == END)
            for vdev in bare:
                lost += (1 - lost) * hazards.unreadable[vdev]
            end += rate * lost
            if rate and target >= 0:
                row[target] += rate * (1 - lost)
        rows.append(dict(row))
        ends.append(end)
    return Chain(tuple(rows), tuple(ends), moves.cut)


@lru_cache(maxsize=256)
def group_moves(
    classes: Tuple[Tuple[Homes, bool], ...], parities: Tuple[int, ...], chances: Tuple[int, ...], parallel: bool
) -> Moves:
    """States and moves of a group, however many drives each class has: *classes* are homes and whether split.

    *chances*: equal numbers for vdevs with equal chances of an unreadable sector.
    """
    return _Walk(classes, parities, chances, parallel).moves()


def _pattern(values: Sequence[Hashable]) -> Tuple[int, ...]:
    first: Dict[Hashable, int] = {}
    return tuple(first.setdefault(value, len(first)) for value in values)


class _Walk:
    """Finds the states, level by level."""

    def __init__(
        self, classes: Sequence[Tuple[Homes, bool]], parities: Sequence[int], chances: Sequence[int], parallel: bool
    ) -> None:
        self._classes = classes
        self._parities = parities
        self._parallel = parallel
        held = [Counter(homes) for homes, _split in classes]
        # Vdevs of one type can change places.
        self._types = _pattern(
            [(parity, chances[vdev], *(units[vdev] for units in held)) for vdev, parity in enumerate(parities)]
        )
        self._several = len(set(self._types)) < len(parities)
        self._numbers: Dict[State, int] = {(): 0}
        self._found: List[State] = []
        self._sorted: Dict[State, State] = {}

    def moves(self) -> Moves:
        """All of them. A state of a level is reached from one of the level before, by one failure."""
        rows: List[List[Move]] = []
        depth = 0
        now: List[State] = [()]
        while now:
            self._found = []
            rows.extend([*self._failures(state), *self._repairs(state)] for state in now)
            if len(self._numbers) > MOST_STATES and depth >= max(self._parities):
                break
            depth, now = depth + 1, self._found
        cut = depth if len(rows) < len(self._numbers) else 0
        return Moves(
            tuple(tuple(m._replace(target=OUT) if m.target >= len(rows) else m for m in row) for row in rows), cut
        )

    def _failures(self, state: State) -> Iterator[Move]:
        loads = self._loads(state)
        for number, (homes, split) in enumerate(self._classes):
            modes = [(failed, many) for (owner, failed), many in state if owner == number]
            broken = sum(many for _failed, many in modes)
            for failed, many in [((), 1), *modes]:  # type: Tuple[Homes, int]
                if failed == homes:
                    continue
                made_by = (-1, 0) if failed else (number, broken)
                yield self._failure(loads, _moved(state, number, failed, homes), many, "drive", made_by)
                for vdev, units in self._units(homes, failed, loads).items() if split else ():
                    after = _moved(state, number, failed, tuple(sorted((*failed, vdev))))
                    yield self._failure(loads, after, many * units, "unit", made_by)

    def _units(self, homes: Homes, failed: Homes, loads: Sequence[int]) -> Dict[int, int]:
        # How many working units in which vdevs. Whole vdevs of one type are all alike: the first stands for them.
        found: Dict[int, int] = defaultdict(int)
        whole: Dict[int, int] = {}
        for vdev in (Counter(homes) - Counter(failed)).elements():
            found[vdev if loads[vdev] else whole.setdefault(self._types[vdev], vdev)] += 1
        return found

    def _failure(self, before: Sequence[int], after: State, many: int, rate: str, made_by: Tuple[int, int]) -> Move:
        loads = self._loads(after)
        if any(load > parity for load, parity in zip(loads, self._parities)):
            return Move(END, many, rate, (), *made_by)
        bare = [n for n, (load, was) in enumerate(zip(loads, before)) if was < load == self._parities[n]]
        return Move(self._number(after), many, rate, tuple(bare), *made_by)

    def _repairs(self, state: State) -> Iterator[Move]:
        broken = 1 if self._parallel else sum(many for _kind, many in state)
        for (number, failed), many in state:
            rate = "repair_drive" if failed == self._classes[number][0] else "repair_unit"
            yield Move(self._number(_moved(state, number, failed, ())), many / broken, rate)

    def _loads(self, state: State) -> List[int]:
        loads = [0] * len(self._parities)
        for (_kind, failed), many in state:
            for vdev in failed:
                loads[vdev] += many
        return loads

    def _number(self, state: State) -> int:
        state = self._in_order(state) if self._several else state
        if state not in self._numbers:
            self._numbers[state] = len(self._numbers)
            self._found.append(state)
        return self._numbers[state]

    def _in_order(self, state: State) -> State:
        """The same with vdevs of one type sorted by what failed of them.

        Where a tie leaves one state two forms, the chain is larger than it need be, and as exact.
        """
        if state not in self._sorted:
            ranks = list(self._types)
            for _round in range(2):
                views = [self._view(state, vdev, ranks) for vdev in range(len(ranks))]
                places = {view: place for place, view in enumerate(sorted(set(views)))}
                ranks = [places[view] for view in views]
            queues: Dict[int, List[int]] = defaultdict(list)
            for vdev, kind in enumerate(self._types):
                queues[kind].append(vdev)
            by_rank = sorted(range(len(ranks)), key=ranks.__getitem__, reverse=True)
            name = {vdev: queues[self._types[vdev]].pop(0) for vdev in by_rank}
            self._sorted[state] = tuple(
                sorted(((kind, tuple(sorted(name[v] for v in failed))), many) for (kind, failed), many in state)
            )
        return self._sorted[state]

    @staticmethod
    def _view(state: State, vdev: int, ranks: Sequence[int]) -> Tuple[object, ...]:
        # What failed of the vdev, each with what failed beside it.
        return (
            ranks[vdev],
            *sorted(
                (kind, many, failed.count(vdev), tuple(sorted(ranks[v] for v in failed)))
                for (kind, failed), many in state
                if vdev in failed
            ),
        )


def _moved(state: State, number: int, failed: Homes, now: Homes) -> State:
    after = dict(state)
    if failed:
        after[number, failed] -= 1
    if now:
        after[number, now] = after.get((number, now), 0) + 1
    return tuple(sorted((key, many) for key, many in after.items() if many))
