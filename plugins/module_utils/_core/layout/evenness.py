# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The most even way to take members from enclosures, for vdevs of several sizes at once: a lower bound.

A minimum-cost flow with convex costs (successive shortest paths, exact): class k (n_k vdevs of
units of at least S_k, sizes falling) needs width * n_k members; y of them from one enclosure
cost what y members shared out over n_k vdevs cost in squares; an enclosure cannot give the
classes 1..k together more than its units of size S_k and above.
"""

from __future__ import annotations

from typing import Dict, List, Mapping, Optional, Sequence, Tuple

MOST_WORK = 30_000

Step = Tuple[int, str, int]  # class, enclosure, the class that gives way there (-1: none)


class _Shares:
    """Members taken of each class and enclosure so far."""

    def __init__(self, supply: Mapping[str, Sequence[int]], vdevs: Sequence[int], most: int) -> None:
        self.supply = {name: supply[name] for name in sorted(supply)}
        self.vdevs = vdevs
        self.most = most
        self.taken: Dict[Tuple[int, str], int] = {(k, name): 0 for k in range(len(vdevs)) for name in supply}

    def cost(self) -> int:
        return sum(squares(many, self.vdevs[k]) for (k, _name), many in self.taken.items())

    def cheapest(self, start: int) -> Optional[List[Step]]:
        """The cheapest way to take one more member for a class: Bellman-Ford over the classes."""
        best: Dict[int, int] = {start: 0}
        ways: Dict[int, List[Step]] = {start: []}
        done: Optional[Tuple[int, List[Step]]] = None
        for _round in range(len(self.vdevs)):
            for k in list(ways):
                for name in self.supply:
                    if self.taken[k, name] >= self.most * self.vdevs[k]:
                        continue
                    cost = best[k] + self._more(k, name)
                    if self._open(name, k, len(self.vdevs)) and (done is None or cost < done[0]):
                        done = (cost, [*ways[k], (k, name, -1)])
                    for other in range(len(self.vdevs)):
                        if other == k or not self.taken[other, name] or not self._open(name, k, other):
                            continue
                        after = cost + self._less(other, name)
                        if after < best.get(other, after + 1):
                            best[other], ways[other] = after, [*ways[k], (k, name, other)]
        return done[1] if done else None

    def apply(self, steps: Sequence[Step]) -> None:
        for k, name, other in steps:
            self.taken[k, name] += 1
            if other >= 0:
                self.taken[other, name] -= 1

    def _open(self, name: str, first: int, end: int) -> bool:
        used = 0
        for k, room in enumerate(self.supply[name]):
            used += self.taken[k, name]
            if first <= k < end and used >= room:
                return False
        return True

    def _more(self, k: int, name: str) -> int:
        return 2 * (self.taken[k, name] // self.vdevs[k]) + 1

    def _less(self, k: int, name: str) -> int:
        return -(2 * ((self.taken[k, name] - 1) // self.vdevs[k]) + 1)


def squares(many: int, vdevs: int) -> int:
    """The least sum of squares of *many* members shared out over *vdevs* vdevs."""
    share, over = divmod(many, vdevs)
    return share * share * (vdevs - over) + (share + 1) * (share + 1) * over


def least_squares(supply: Mapping[str, Sequence[int]], vdevs: Sequence[int], width: int, most: int) -> Optional[int]:
    """The least sum of squares; *supply*: for each enclosure what it can give to classes 1..k together.

    *most*: members of a vdev from one enclosure. None when that cannot be (or would take too
    much work to say).
    """
    if width * sum(vdevs) * len(supply) * len(vdevs) ** 2 > MOST_WORK:
        return None
    shares = _Shares(supply, vdevs, most)
    for k, many in enumerate(vdevs):
        for _member in range(width * many):
            steps = shares.cheapest(k)
            if steps is None:
                return None
            shares.apply(steps)
    return shares.cost()
