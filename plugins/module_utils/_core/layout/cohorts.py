# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Aligned cohorts of alike drives: the closed form, in O(n log n).

Alike drives have the same number u of units, all of one size. A cohort is *width* drives;
it fills u vdevs, one for each unit index.

Why this is optimal, for V vdevs that are a multiple of u:

- Capacity: `supply.most_vdevs` gives the largest V that any layout can have; V / u cohorts
  reach it, since each needs width drives where V vdevs need V * width units of u to a drive.
- Fatal sets: with no two units of a drive in a vdev, the smallest fatal sets have
  f = tolerance + 1 drives, and a vdev makes C(width, f) of them. A set of drives is shared by
  at most u vdevs, since a drive has no more units. So no layout has fewer than
  V * C(width, f) / u, and aligned cohorts have exactly that many.
- Spread: `water_fill` takes from the enclosures as evenly as their drives allow, which
  minimises the sum of squares (it is convex); dealing round-robin gives each cohort the
  floor or the ceiling of an enclosure's share, which minimises it within that.
"""

from __future__ import annotations

from collections import defaultdict
from typing import Dict, List, Mapping, Sequence, Tuple

from .stock import Item

Cell = Tuple[str, str]  # enclosure, adapter


def water_fill(room: Mapping[str, int], total: int) -> Dict[str, int]:
    """How many to take of each name so that the sum is *total* and the numbers are as even as *room* allows.

    What does not divide goes to the names first in order.
    """
    taken = dict.fromkeys(room, 0)
    open_names = sorted(room, key=lambda name: (room[name], name))
    left = total
    for position, name in enumerate(open_names):
        share = left // (len(open_names) - position)
        if room[name] > share:
            rest = sorted(open_names[position:])
            each, over = divmod(left, len(rest))
            for number, other in enumerate(rest):
                taken[other] = each + (1 if number < over else 0)
            return taken
        taken[name] = room[name]
        left -= room[name]
    return taken


def deal(items: Sequence[Item], cohorts: int, width: int) -> Tuple[List[List[Item]], List[Item]]:
    """*cohorts* lists of *width* items in bay order, evenly over enclosures and adapters; and the items left.

    *items* are in bay order. With one enclosure and adapter, a cohort is a run of bays.
    """
    if not cohorts:
        return [], list(items)
    cells: Dict[Cell, List[Item]] = defaultdict(list)
    for item in items:
        cells[(item.enclosure, item.adapter)].append(item)
    used = _used(cells, cohorts * width)
    # Enclosures that give most come first: then those that give a cohort one more than others are
    # dealt in one run, and no cohort gets that from two enclosures (the rule's *extra*).
    of_enclosure: Dict[str, int] = defaultdict(int)
    for cell, count in used.items():
        of_enclosure[cell[0]] += count
    dealt: List[List[Item]] = [[] for dummy in range(cohorts)]
    start = 0
    for cell in sorted(cells, key=lambda cell: (-of_enclosure[cell[0]], cell)):
        taken = 0
        for number in range(cohorts):
            many = _share(used[cell], cohorts, (number - start) % cohorts)
            dealt[number].extend(cells[cell][taken : taken + many])
            taken += many
        start = (start + used[cell]) % cohorts
    chosen = {item.serial for cohort in dealt for item in cohort}
    return (
        [sorted(cohort, key=lambda item: item.place) for cohort in dealt],
        [item for item in items if item.serial not in chosen],
    )


def _share(count: int, hands: int, turn: int) -> int:
    return count // hands + (1 if turn < count % hands else 0)


def _used(cells: Mapping[Cell, Sequence[Item]], total: int) -> Dict[Cell, int]:
    room: Dict[str, int] = defaultdict(int)
    inside: Dict[str, Dict[str, int]] = defaultdict(dict)
    for (enclosure, adapter), found in cells.items():
        room[enclosure] += len(found)
        inside[enclosure][adapter] = len(found)
    return {
        (enclosure, adapter): many
        for enclosure, count in water_fill(room, total).items()
        for adapter, many in water_fill(inside[enclosure], count).items()
    }
