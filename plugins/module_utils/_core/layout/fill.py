# Copyright: (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Fills vdevs of one width from drives, as well as can be: the place where the methods meet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import List, Sequence, Tuple

from ..model import Member
from .cohorts import deal
from .promise import Rule
from .stock import Item
from .supply import kinds_of, most_vdevs

CAPACITY, FATAL_SETS, SPREAD = "capacity", "fatal_sets", "spread"
ALL = (CAPACITY, FATAL_SETS, SPREAD)


@dataclass(frozen=True)
class Filled:
    """*groups*: the members of each vdev. *proven*, *proof*: as in `Layout`."""

    groups: Tuple[Tuple[Member, ...], ...]
    proven: Tuple[str, ...]
    proof: str


def fill(items: Sequence[Item], rule: Rule) -> Filled:
    """The best vdevs that *items* (in bay order) can fill; none when they cannot fill one."""
    stock = kinds_of(items)
    per_drive = len(items[0].members)
    alike = len({sizes for _enclosure, sizes in stock}) == 1 and len(set(items[0].sizes)) == 1
    if alike and rule.per_drive == 1:
        vdevs = most_vdevs(stock, rule)
        if vdevs % per_drive == 0:
            cohorts, _left = deal(items, vdevs // per_drive, rule.width)
            return Filled(_cohort_groups(cohorts), ALL, "closed form: aligned cohorts of alike drives")
    raise NotImplementedError


def _cohort_groups(cohorts: Sequence[Sequence[Item]]) -> Tuple[Tuple[Member, ...], ...]:
    groups: List[Tuple[Member, ...]] = []
    for cohort in cohorts:
        groups += zip(*(item.members for item in cohort))
    return tuple(groups)
