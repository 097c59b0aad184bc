# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Which whole drives are kept as spares.

A spare should be able to replace any drive of the layout: it has as many units as any drive that
is not a spare, and, largest first, each at least as large as that drive's; or none smaller than the smallest member of
any vdev (where no choice does that, it can replace the members of one vdev at least, and the guarantees say
which it cannot replace). Of the choices that leave the
most capacity: the largest drives, then those from the fullest enclosures, then the last bays.

All choices (by kind of drive) are compared when there are at most MOST_CHOICES. Alike drives
need no comparison: what an enclosure can give grows ever more slowly with its drives, so one
drive less costs least where there are most. Otherwise the spares are chosen one by one from all drives, and from
those up to each size, and the capacity is not called proven.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, replace
from itertools import combinations_with_replacement
from typing import Callable, Dict, Iterator, List, Sequence, Tuple

from ..model import Member
from .promise import Rule
from .stock import Item
from .supply import Kind, best_counts, kinds_of

MOST_CHOICES = 60


@dataclass(frozen=True)
class Choice:
    """A choice of spares. *most_size*: the largest least member that they can replace (0: they can replace any drive).

    *value* is what `supply.best_counts` makes of the rest, *proven* whether no choice has more.
    *left_out*: whether units that no spare can replace are missing from *kept* (see `standins.Cover`).
    """

    kept: Tuple[Item, ...]
    spares: Tuple[Item, ...]
    most_size: int
    value: int = 0
    proven: bool = True
    left_out: bool = False


def quick_choice(items: Sequence[Item], many: int) -> Choice:
    """*many* of the largest drives with most units, from the fullest enclosures, last bays first."""
    spares, fit = _fit(items, many)
    return _picked_singly(items, spares, fit, many)


def _picked_singly(items: Sequence[Item], forced: Sequence[Item], fit: Sequence[Item], many: int) -> Choice:
    spares = list(forced)
    homes = Counter(item.enclosure for item in items if item not in forced)
    free = list(fit)
    while len(spares) < many:
        spare = max(
            free,
            key=lambda item: (
                item.true_sizes[-1],
                homes[item.enclosure],
                item.place,
            ),
        )
        free.remove(spare)
        homes[spare.enclosure] -= 1
        spares.append(spare)
    gone = {item.serial for item in spares}
    return choice_of(tuple(item for item in items if item.serial not in gone), spares)


def choices(items: Sequence[Item], many: int, rule: Rule) -> List[Choice]:
    """Choices of *many* spares, best first; all of the first's value come first. None when no drive is left."""
    if not many:
        return [Choice(tuple(items), (), 0)]
    if many >= len(items):
        return []
    if len({item.true_sizes for item in items}) == 1:
        return [quick_choice(items, many)]
    return compared(items, *_fit(items, many), many, rule)


def compared(
    items: Sequence[Item],
    forced: Sequence[Item],
    fit: Sequence[Item],
    many: int,
    rule: Rule,
    limited: Callable[[Choice], Choice] = lambda choice: choice,
) -> List[Choice]:
    """Choices of *many* spares, *forced* and some of *fit*, as `choices`. *limited* bars units from the vdevs."""
    kinds = sorted(kinds_of(fit))
    some = _ways(len(kinds), many - len(forced)) > MOST_CHOICES
    tries = [*(_by_size(items, forced, fit, many) if some else _all(items, forced, fit, kinds, many))]
    tries += [_picked_singly(items, forced, fit, many)]
    distinct = {tuple(item.serial for item in choice.spares): choice for choice in tries}
    valued = [_valued(limited(choice), rule) for choice in distinct.values()]
    if some:
        valued = [replace(choice, proven=False) for choice in valued]
    homes = Counter(item.enclosure for item in items)

    def rank(choice: Choice) -> Tuple[object, ...]:
        return (
            -choice.value,
            -sum(len(item.members) for item in choice.spares),
            sorted(-item.true_sizes[-1] for item in choice.spares),
            -sum(homes[item.enclosure] for item in choice.spares),
            [item.place for item in choice.spares],
        )

    return sorted(valued, key=rank)


def _fit(items: Sequence[Item], many: int) -> Tuple[List[Item], List[Item]]:
    """Drives that must be spares since no other could replace them, and those that the others are chosen from."""
    counts = sorted((len(item.members) for item in items), reverse=True)
    least = counts[many - 1] if many else counts[0]
    forced = [item for item in items if len(item.members) > least]
    return forced, [item for item in items if len(item.members) == least]


def _by_size(items: Sequence[Item], forced: Sequence[Item], fit: Sequence[Item], many: int) -> Iterator[Choice]:
    # The largest first; then as if the larger ones were needed in vdevs.
    for size in sorted({item.sizes[-1] for item in fit}, reverse=True):
        upto = [item for item in fit if item.sizes[-1] <= size]
        if len(forced) + len(upto) < many:
            return
        yield _picked_singly(items, forced, upto, many)


def _ways(kinds: int, many: int) -> int:
    ways = 1
    for step in range(1, many + 1):
        ways = ways * (kinds + step - 1) // step
    return ways


def _all(
    items: Sequence[Item], forced: Sequence[Item], fit: Sequence[Item], kinds: Sequence[Kind], many: int
) -> Iterator[Choice]:
    for picked in combinations_with_replacement(kinds, many - len(forced)):
        spares = list(forced)
        for kind, count in Counter(picked).items():
            # The last bays of each kind.
            spares += [item for item in fit if (item.enclosure, item.sizes) == kind][-count:]
        if len(spares) == many:
            gone = {item.serial for item in spares}
            yield choice_of(tuple(item for item in items if item.serial not in gone), spares)


def choice_of(kept: Tuple[Item, ...], spares: Sequence[Item]) -> Choice:
    """The choice of these spares beside the drives *kept* for vdevs."""
    smallest = min((size for item in spares for size in item.sizes), default=0)
    if all(stands_in(spare, sizes) for spare in {item.sizes for item in spares} for sizes in {k.sizes for k in kept}):
        smallest = 0
    return Choice(kept, tuple(sorted(spares, key=lambda item: item.place)), smallest)


def needs_of(vdevs: Sequence[Sequence[Member]]) -> List[Tuple[int, ...]]:
    """For each drive with members in the vdevs, the least size that each of its places needs, largest first."""
    return list(needs_by_drive(vdevs).values())


def needs_by_drive(vdevs: Sequence[Sequence[Member]]) -> Dict[str, Tuple[int, ...]]:
    """As `needs_of`, by serial."""
    needs: Dict[str, List[int]] = defaultdict(list)
    for members in vdevs:
        least = min(member.size for member in members)
        for member in members:
            needs[member.serial].append(least)
    return {serial: tuple(sorted(sizes, reverse=True)) for serial, sizes in needs.items()}


def stands_in(spare: Sequence[int], drive: Sequence[int]) -> bool:
    """Whether a spare with units of these sizes can take all places of such a drive; both largest first."""
    return len(spare) >= len(drive) and all(one >= other for one, other in zip(spare, drive))


def _valued(choice: Choice, rule: Rule) -> Choice:
    counts = best_counts(kinds_of(choice.kept), rule, choice.most_size)
    value = counts[0].value if counts else 0
    return replace(choice, value=value, proven=bool(counts) and counts[0].proven)
