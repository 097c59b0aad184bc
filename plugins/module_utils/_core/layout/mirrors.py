# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Two-way mirrors of two-unit drives: paired or chained, and the copyset argument.

Paired: the same two drives back both mirrors (A0-B0, A1-B1). Chained: A0-B1, B0-C1, and
so on around. A *copyset* is a smallest set of parts whose loss loses data ("Copysets: Reducing the
Frequency of Data Loss in Cloud Storage", USENIX ATC 2013): fewer copysets, fewer losses when parts
fail together; the price is that fewer parts help to resilver one.
"""

from __future__ import annotations

from math import comb, exp, log1p
from typing import Sequence, Tuple

from ..errors import InputError
from ..model import Member, Vdev


def paired_mirrors(drives: Sequence[Sequence[Member]]) -> Tuple[Vdev, ...]:
    """Mirrors over drives two by two; each item is one drive's two units. Needs an even number of drives."""
    _check(drives, 2)
    if len(drives) % 2:
        raise InputError("{0} drives do not pair".format(len(drives)), "drives", "Give an even number of drives.")
    pairs = [(drives[at], drives[at + 1]) for at in range(0, len(drives), 2)]
    return tuple(Vdev("mirror", 1, (left[index], right[index])) for left, right in pairs for index in (0, 1))


def chained_mirrors(drives: Sequence[Sequence[Member]]) -> Tuple[Vdev, ...]:
    """Unit 0 of each drive with unit 1 of the next, the last with the first. Needs three drives or more."""
    _check(drives, 3)
    return tuple(Vdev("mirror", 1, (here[0], drives[(at + 1) % len(drives)][1])) for at, here in enumerate(drives))


def copysets(nodes: int, replicas: int, scatter: int) -> float:
    """How many copysets copyset replication makes: scatter / (replicas - 1) permutations, cut into sets."""
    return scatter / (replicas - 1) * nodes / replicas


def random_copysets(nodes: int, replicas: int, window: int) -> int:
    """How many copysets random replication makes in time, when a node's copies go to any of the *window* next nodes."""
    return nodes * comb(window, replicas - 1)


def loss_when_failing(nodes: int, replicas: int, sets: float, failed: int) -> float:
    """Probability that *failed* nodes, failing together, cover one of *sets* copysets, taken as independent."""
    hit = comb(failed, replicas) / comb(nodes, replicas)
    return 1.0 if hit >= 1 else 1 - exp(sets * log1p(-hit))


def _check(drives: Sequence[Sequence[Member]], least: int) -> None:
    if len(drives) < least:
        raise InputError("{0} drives are too few".format(len(drives)), "drives", "Give {0} or more.".format(least))
    for units in drives:
        if len(units) != 2:
            raise InputError("a drive has {0} units".format(len(units)), "drives", "Mirror drives with two units.")
