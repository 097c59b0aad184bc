# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Which whole drives are kept as spares.

A spare should be able to stand in for any drive of the layout: it has as many units as any
drive, and none smaller than the smallest member of any vdev (where no choice does that, the
guarantees say so). Of the choices that leave the most
capacity: the largest drives, then those from the fullest enclosures, then the last bays.

All choices (by kind of drive) are compared when there are at most MOST_CHOICES. Alike drives
need no comparison: what an enclosure can give grows ever more slowly with its drives, so one
drive less costs least where there are most. Otherwise the spares are chosen one by one, and
the capacity is not called proven.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import combinations_with_replacement
from typing import Iterator, List, Sequence, Tuple

from ..errors import PromiseError
from .promise import Rule
from .stock import Item
from .supply import Kind, best_counts, kinds_of

MOST_CHOICES = 60


@dataclass(frozen=True)
class Choice:
    """A choice of spares. *most_size*: the largest least member that they can replace (0: none are kept).

    *value* is what `supply.best_counts` makes of the rest, *proven* whether no choice has more.
    """

    kept: Tuple[Item, ...]
    spares: Tuple[Item, ...]
    most_size: int
    value: int = 0
    proven: bool = True


def quick_choice(items: Sequence[Item], many: int) -> Choice:
    """*many* of the largest drives with most units, from the fullest enclosures, last bays first."""
    kept = list(items)
    spares: List[Item] = []
    while len(spares) < many:
        homes = Counter(item.enclosure for item in kept)
        spare = max(_fit(kept, many), key=lambda item: (item.sizes[-1], homes[item.enclosure], item.place))
        kept.remove(spare)
        spares.append(spare)
    return _choice(tuple(kept), spares)


def choices(items: Sequence[Item], many: int, rule: Rule) -> List[Choice]:
    """Choices of *many* spares, best first; all of the first's value come first. PromiseError when there is none."""
    if not many:
        return [Choice(tuple(items), (), 0)]
    if many >= len(items):
        raise PromiseError(
            "{0} spares of {1} drives leave nothing to store on".format(many, len(items)),
            subject="policy.spares",
            remedy="It needs more drives or fewer spares.",
        )
    fit = _fit(items, many)
    kinds = sorted(kinds_of(fit))
    if len({item.sizes for item in items}) == 1:
        return [quick_choice(items, many)]
    picks = _ways(len(kinds), many)
    if picks > MOST_CHOICES:
        found = _valued(quick_choice(items, many), rule)
        return [Choice(found.kept, found.spares, found.most_size, found.value, False)]
    valued = [_valued(choice, rule) for choice in _all(items, fit, kinds, many)]
    homes = Counter(item.enclosure for item in items)

    def rank(choice: Choice) -> Tuple[object, ...]:
        return (
            -choice.value,
            sorted(-item.sizes[-1] for item in choice.spares),
            -sum(homes[item.enclosure] for item in choice.spares),
            [item.place for item in choice.spares],
        )

    return sorted(valued, key=rank)


def _fit(items: Sequence[Item], many: int) -> List[Item]:
    most = max(len(item.members) for item in items)
    fit = [item for item in items if len(item.members) == most]
    if len(fit) < many:
        raise PromiseError(
            "{0} spares are asked for, and only {1} drive{2} {3} unit{4}".format(
                many, len(fit), " has" if len(fit) == 1 else "s have", most, "" if most == 1 else "s"
            ),
            subject="policy.spares",
            remedy="It needs {0} more such drives, or spares {1}: a spare must be able to replace any drive.".format(
                many - len(fit), len(fit)
            ),
        )
    return fit


def _ways(kinds: int, many: int) -> int:
    ways = 1
    for step in range(1, many + 1):
        ways = ways * (kinds + step - 1) // step
    return ways


def _all(items: Sequence[Item], fit: Sequence[Item], kinds: Sequence[Kind], many: int) -> Iterator[Choice]:
    for picked in combinations_with_replacement(kinds, many):
        spares: List[Item] = []
        for kind, count in Counter(picked).items():
            # The last bays of each kind.
            spares += [item for item in fit if (item.enclosure, item.sizes) == kind][-count:]
        if len(spares) == many:
            gone = {item.serial for item in spares}
            yield _choice(tuple(item for item in items if item.serial not in gone), spares)


def _choice(kept: Tuple[Item, ...], spares: Sequence[Item]) -> Choice:
    smallest = min((size for item in spares for size in item.sizes), default=0)
    return Choice(kept, tuple(sorted(spares, key=lambda item: item.place)), smallest)


def _valued(choice: Choice, rule: Rule) -> Choice:
    counts = best_counts(kinds_of(choice.kept), rule, choice.most_size)
    value = counts[0].value if counts else 0
    return Choice(choice.kept, choice.spares, choice.most_size, value, bool(counts) and counts[0].proven)
