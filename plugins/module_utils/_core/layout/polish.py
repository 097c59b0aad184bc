# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Improves an arrangement by exchanges, where its values are not at their lower bounds yet.

Tried in a fixed order until none helps: two drives change places in all vdevs; a drive of a
vdev gives way to another that has a unit free; two vdevs exchange a drive; among few drives
also two of these at once. An exchange is kept when it lowers the fatal sets, or keeps them and
lowers the spread. Capacity is never touched. At most MOST_TRIES are tried; what is optimal is
decided by the bounds, not here.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from itertools import combinations
from math import comb
from typing import Dict, Iterator, List, Sequence, Set, Tuple

from .promise import Rule
from .shelf import Seat, consume
from .stock import Item

MOST_TRIES = 3000
MOST_FOR_ALL = 60  # drives
MOST_FOR_PAIRS = 10  # drives

Step = Tuple[int, str, str]  # in this vdev, this drive gives way to that one
Rank = Tuple[int, int]


class _Board:
    """Vdevs and their drives, with fatal sets (less a constant) and spread kept up to date."""

    def __init__(self, items: Sequence[Item], rule: Rule, seats: Sequence[Seat]) -> None:
        self.rule = rule
        self.items = {item.serial: item for item in items}
        self.leasts = [seat.least for seat in seats]
        self.held: List[Set[str]] = [set() for dummy in seats]
        self.of: Dict[str, List[int]] = {item.serial: [] for item in items}
        self.homes: List[Counter[str]] = [Counter() for dummy in seats]
        self.common: Dict[Tuple[int, int], int] = defaultdict(int)
        self.sets = [comb(shared, rule.tolerance + 1) for shared in range(rule.width + 2)]
        self.saved = self.spread = 0
        for number, seat in enumerate(seats):
            for serial in seat.serials:
                self._add(number, serial)

    @property
    def rank(self) -> Rank:
        return (-self.saved, self.spread)

    def apply(self, steps: Sequence[Step]) -> None:
        for number, old, new in steps:
            self._remove(number, old)
            self._add(number, new)

    def undo(self, steps: Sequence[Step]) -> None:
        for number, old, new in reversed(steps):
            self._remove(number, new)
            self._add(number, old)

    def valid(self, steps: Sequence[Step]) -> bool:
        """Whether the drives that *steps* brought in do, with their sizes and in their enclosures."""
        for number, _old, new in steps:
            leasts = tuple([self.leasts[vdev] for vdev in self.of[new]])
            if consume(self.items[new].sizes, leasts, self.rule.alike) is None:
                return False
            over = [many - self.rule.base for many in self.homes[number].values() if many > self.rule.base]
            if len(over) > self.rule.extra or any(many > 1 for many in over):
                return False
        return True

    def _add(self, number: int, serial: str) -> None:
        for other in self.of[serial]:
            self._share(number, other, 1)
        self.of[serial].append(number)
        self.held[number].add(serial)
        home = self.items[serial].enclosure
        self.spread += 2 * self.homes[number][home] + 1
        self.homes[number][home] += 1

    def _remove(self, number: int, serial: str) -> None:
        self.of[serial].remove(number)
        for other in self.of[serial]:
            self._share(number, other, -1)
        self.held[number].remove(serial)
        home = self.items[serial].enclosure
        self.homes[number][home] -= 1
        self.spread -= 2 * self.homes[number][home] + 1

    def _share(self, one: int, other: int, change: int) -> None:
        pair = (one, other) if one < other else (other, one)
        before = self.common[pair]
        self.saved += self.sets[before + change] - self.sets[before]
        self.common[pair] = before + change


def polish(items: Sequence[Item], rule: Rule, seats: Sequence[Seat], goal: Rank) -> List[Seat]:
    """*seats* improved; ends early when (fatal sets, spread) reaches *goal*. For drives of at most two units."""
    board = _Board(items, rule, seats)
    whole = len(seats) * comb(rule.width, rule.tolerance + 1)
    target = (goal[0] - whole, goal[1])
    tries = MOST_TRIES
    while board.rank > target and tries > 0:
        before, tries = board.rank, _improve(board, tries)
        if board.rank == before:
            break
    return [Seat(least, tuple(sorted(held))) for least, held in zip(board.leasts, board.held)]


def _improve(board: _Board, tries: int) -> int:
    """Makes the first exchange, or pair of exchanges, that helps; returns the tries left."""
    before = board.rank
    drives, vdevs = _loose(board)
    for steps in _moves(board, drives, vdevs):
        tries -= 1
        if _kept(board, steps, before) or tries <= 0:
            return tries
    if len(drives) > MOST_FOR_PAIRS:
        return tries
    for steps in list(_moves(board, drives, vdevs)):
        board.apply(steps)
        if board.valid(steps):
            for more in _moves(board, drives, vdevs):
                tries -= 1
                if _kept(board, more, before):
                    return tries
                if tries <= 0:
                    break
        board.undo(steps)
        if tries <= 0:
            break
    return tries


def _kept(board: _Board, steps: Sequence[Step], before: Rank) -> bool:
    board.apply(steps)
    if board.rank < before and board.valid(steps):
        return True
    board.undo(steps)
    return False


def _loose(board: _Board) -> Tuple[List[str], List[int]]:
    """In a large layout, the vdevs that are in no cohort of their own and their drives; else all."""
    order = sorted(board.items, key=lambda serial: board.items[serial].place)
    if len(order) <= MOST_FOR_ALL:
        return order, list(range(len(board.held)))
    aligned = {number for pair, many in board.common.items() if many == board.rule.width for number in pair}
    vdevs = [number for number in range(len(board.held)) if number not in aligned]
    return [serial for serial in order if not aligned.intersection(board.of[serial])], vdevs


def _moves(board: _Board, drives: Sequence[str], vdevs: Sequence[int]) -> Iterator[List[Step]]:
    for one, other in combinations(drives, 2):
        steps = [(number, one, other) for number in board.of[one] if number not in board.of[other]]
        steps += [(number, other, one) for number in board.of[other] if number not in board.of[one]]
        if steps:
            yield steps
    for number in vdevs:
        for old in sorted(board.held[number]):
            for new in drives:
                if new not in board.held[number] and len(board.of[new]) < len(board.items[new].members):
                    yield [(number, old, new)]
    for first, second in combinations(vdevs, 2):
        for old in sorted(board.held[first] - board.held[second]):
            for new in sorted(board.held[second] - board.held[first]):
                yield [(first, old, new), (second, new, old)]
