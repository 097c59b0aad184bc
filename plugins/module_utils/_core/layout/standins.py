# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether the spares can replace the drives of an assignment, and what can be done where they cannot."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from typing import Dict, List, Mapping, Optional, Sequence, Set, Tuple

from ..model import Member, SpareDrive, Vdev
from .bounds import fatal_or_none, spread
from .fill import CAPACITY, Filled
from .promise import Rule
from .spares import Choice, compared, needs_by_drive, needs_of, stands_in
from .stock import Item

Key = Tuple[str, int]  # serial, unit index
Sizes = Tuple[int, ...]  # largest first


def least_of(members: Sequence[Member]) -> int:
    """The size that a vdev of these members counts on."""
    return min(member.size for member in members)


def spares_do(filled: Filled, real: Mapping[Key, Member], choice: Choice) -> bool:
    """Whether each spare can replace any drive of the vdevs, unit by unit."""
    needs = needs_of([[real[member.serial, member.index] for member in group] for group in filled.groups])
    return all(stands_in(spare.true_sizes, sizes) for spare in choice.spares for sizes in needs)


def exchanged(filled: Filled, kept: Sequence[Item], real: Mapping[Key, Member], rule: Rule, most: int) -> Filled:
    """Members exchanged so that no vdev has only units larger than *most*, what the spares have; capacity stays.

    *kept*: the drives that are not spares. Units of theirs that no vdev uses are tried before those of other vdevs.
    """
    homes = {item.serial: item.enclosure for item in kept}
    groups = [list(group) for group in filled.groups]
    small = {key for key, member in real.items() if member.size <= most}
    for number, group in enumerate(groups):
        if all(real[member.serial, member.index].size > most for member in group):
            if not (
                _with_free(groups, number, [member for item in kept for member in item.members], small, rule, homes)
                or _with_small(groups, number, small, rule, homes)
            ):
                return filled
    return replace(
        _regrouped(filled, groups, rule, homes),
        proven=tuple(name for name in filled.proven if name == CAPACITY),
        proof=filled.proof + "; members were exchanged so that the spares can replace all",
    )


def _regrouped(filled: Filled, groups: Sequence[Sequence[Member]], rule: Rule, homes: Dict[str, str]) -> Filled:
    drives = [[member.serial for member in group] for group in groups]
    return replace(
        filled,
        groups=tuple(tuple(group) for group in groups),
        fatal=fatal_or_none(drives, rule.tolerance + 1),
        spread=spread(drives, homes),
    )


def smallest_spare(choice: Choice) -> int:
    """The size that every unit of every spare has at least."""
    return min(spare.true_sizes[-1] for spare in choice.spares)


def _with_free(
    groups: List[List[Member]],
    number: int,
    members: Sequence[Member],
    small: Set[Key],
    rule: Rule,
    homes: Mapping[str, str],
) -> bool:
    """Whether vdev *number* got a small member of *members* that no vdev uses, counting as large as the one it gave."""
    used = {(member.serial, member.index) for group in groups for member in group}
    for given, taken in product(groups[number], members):
        if (taken.serial, taken.index) in small - used and taken.size == given.size:
            mine = [*(m for m in groups[number] if m is not given), taken]
            if rule.keeps([(m.serial, homes[m.serial]) for m in mine]):
                groups[number][:] = mine
                return True
    return False


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


@dataclass(frozen=True)
class Cover:
    """Keeps growth to drives that a spare can stand in for, where every placed drive has such a spare.

    *spares*: the kept ones' unit sizes, largest first. *needs*: what the placed vdevs take of each drive (as
    `needs_by_drive`). *most*: the most units of a drive.
    """

    spares: Tuple[Sizes, ...]
    needs: Mapping[str, Sizes]
    most: int

    def candidates(self, items: Sequence[Item]) -> List[Item]:
        """Whole drives that would be of use as a further spare."""
        return [
            item
            for item in items
            if item.serial not in self.needs
            and (len(item.members) == self.most or not _any_does(self.spares, item.true_sizes))
        ]

    def choices(self, items: Sequence[Item], many: int, rule: Rule) -> List[Choice]:
        """Choices of *many* further spares, as `spares.choices`; units that no spare can replace are left out."""

        def limited(choice: Choice) -> Choice:
            spares = (*self.spares, *(item.true_sizes for item in choice.spares))
            fitted = tuple(self._fitted(item, spares, rule.alike) for item in choice.kept)
            kept = tuple(item for item in fitted if item.members)
            return replace(choice, kept=kept, most_size=0, left_out=kept != choice.kept)

        if not many:
            return [limited(Choice(tuple(items), (), 0))]
        return compared(items, [], self.candidates(items), many, rule, limited)

    def _fitted(self, item: Item, spares: Sequence[Sizes], alike: bool) -> Item:
        taken = self.needs.get(item.serial, ())
        ways = [_held(item.members, taken, spare, alike) for spare in dict.fromkeys(spares)]
        best = max(ways, key=lambda members: sum(member.size for member in members))
        return item if best == item.members else replace(item, members=best)

    def kept_to(
        self, filled: Filled, items: Sequence[Item], real: Mapping[Key, Member], rule: Rule, choice: Choice
    ) -> Filled:
        """The assignment with members exchanged, or with fewer vdevs, so that each drive has a spare that fits."""
        spares = (*self.spares, *(item.true_sizes for item in choice.spares))
        if self._without_spare(filled.groups, real, spares):
            filled = exchanged(filled, choice.kept, real, rule, max(spare[-1] for spare in spares))
        groups = list(filled.groups)
        bare = self._without_spare(groups, real, spares)
        while bare:
            groups.remove(max((group for group in groups if bare & {m.serial for m in group}), key=least_of))
            bare = self._without_spare(groups, real, spares)
        if not groups:
            return Filled((), 0, (), "")
        if len(groups) == len(filled.groups) and not choice.left_out:
            return filled
        return replace(
            _regrouped(filled, groups, rule, {item.serial: item.enclosure for item in items}),
            least=sum(map(least_of, groups)),
            proven=(),
            proof=filled.proof + "; units that no spare can stand in for were left out",
        )

    def _without_spare(
        self, groups: Sequence[Sequence[Member]], real: Mapping[Key, Member], spares: Sequence[Sizes]
    ) -> Set[str]:
        needs = needs_by_drive([[real[member.serial, member.index] for member in group] for group in groups])
        return {
            serial
            for serial, sizes in needs.items()
            if not _any_does(spares, sorted((*sizes, *self.needs.get(serial, ())), reverse=True))
        }


def cover_of(vdevs: Sequence[Vdev], spares: Sequence[SpareDrive], most: int) -> Optional[Cover]:
    """None when there is no spare, or some drive of the vdevs has none that can stand in for it."""
    needs = needs_by_drive([vdev.members for vdev in vdevs])
    sizes = tuple(sizes_of(spare) for spare in spares)
    return Cover(sizes, needs, most) if all(_any_does(sizes, need) for need in needs.values()) else None


def sizes_of(spare: SpareDrive) -> Sizes:
    """The sizes of a spare's units, largest first."""
    return tuple(sorted((member.size for member in spare.members), reverse=True))


def _any_does(spares: Sequence[Sizes], drive: Sequence[int]) -> bool:
    return any(stands_in(spare, drive) for spare in spares)


def _held(members: Tuple[Member, ...], taken: Sizes, spare: Sizes, alike: bool) -> Tuple[Member, ...]:
    """Those units of a drive that the spare can replace beside the places taken; sizes cut where they may mix."""
    free = list(spare)
    for size in taken:
        if not _take(free, size):
            return ()
    found = []
    for member in sorted(members, key=lambda member: -member.size):
        size = member.size if alike or not free else min(member.size, free[0])
        if _take(free, size):
            found.append(member if size == member.size else replace(member, size=size))
    return tuple(sorted(found, key=lambda member: member.index))


def _take(free: List[int], size: int) -> bool:
    """Whether one of the *free* units (largest first) is that large; the smallest that is goes."""
    large = [one for one in free if one >= size]
    if large:
        free.remove(large[-1])
    return bool(large)
