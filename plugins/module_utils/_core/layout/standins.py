# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether the spares can replace the drives of an assignment, and what can be done where they cannot."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from typing import List, Mapping, Sequence, Set, Tuple

from ..model import Member
from .bounds import fatal_or_none, spread
from .fill import CAPACITY, Filled
from .promise import Rule
from .spares import Choice, needs_of, stands_in
from .stock import Item

Key = Tuple[str, int]  # serial, unit index


def least_of(members: Sequence[Member]) -> int:
    """The size that a vdev of these members counts on."""
    return min(member.size for member in members)


def spares_do(filled: Filled, real: Mapping[Key, Member], choice: Choice) -> bool:
    """Whether each spare can replace any drive of the vdevs, unit by unit."""
    needs = needs_of([[real[member.serial, member.index] for member in group] for group in filled.groups])
    return all(stands_in(spare.true_sizes, sizes) for spare in choice.spares for sizes in needs)


def exchanged(filled: Filled, items: Sequence[Item], real: Mapping[Key, Member], rule: Rule, choice: Choice) -> Filled:
    """Members exchanged so that no vdev has larger units only than the spares have; capacity stays."""
    homes = {item.serial: item.enclosure for item in items}
    most = smallest_spare(choice)
    groups = [list(group) for group in filled.groups]
    for number, group in enumerate(groups):
        if all(real[member.serial, member.index].size > most for member in group):
            small = {key for key, member in real.items() if member.size <= most}
            if not _with_small(groups, number, small, rule, homes):
                return filled
    drives = [[member.serial for member in group] for group in groups]
    return replace(
        filled,
        groups=tuple(tuple(group) for group in groups),
        proven=tuple(name for name in filled.proven if name == CAPACITY),
        proof=filled.proof + "; members were exchanged so that the spares can replace all",
        fatal=fatal_or_none(drives, rule.tolerance + 1),
        spread=spread(drives, homes),
    )


def smallest_spare(choice: Choice) -> int:
    """The size that every unit of every spare has at least."""
    return min(spare.true_sizes[-1] for spare in choice.spares)


def _with_small(groups: List[List[Member]], number: int, small: Set[Key], rule: Rule, homes: Mapping[str, str]) -> bool:
    """Whether vdev *number* got a small member in exchange from one that has others left."""
    for other in groups:
        few = [member for member in other if (member.serial, member.index) in small]
        for given, taken in product(groups[number], few if len(few) > 1 else ()):
            mine = [*(m for m in groups[number] if m is not given), taken]
            theirs = [*(m for m in other if m is not taken), given]
            if (given.size == taken.size or not rule.alike) and all(
                rule.keeps([(m.serial, homes[m.serial]) for m in members]) for members in (mine, theirs)
            ):
                groups[number][:], other[:] = mine, theirs
                return True
    return False
