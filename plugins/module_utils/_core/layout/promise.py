# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The limits that a policy sets for each vdev, in numbers, and which failures a layout survives."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Sequence, Tuple

from ..model import Bay, Member, Vdev
from .policy import Policy
from .survival import losses_survived, vdev_states


@dataclass(frozen=True)
class Rule:
    """The limits for a vdev of *width* members that survives *tolerance* member failures.

    No enclosure may hold more than *base* members of it; of *extra* enclosures one more.
    The promise of m enclosures means that the m
    fullest hold at most *tolerance* members: with b = tolerance // m and x = tolerance % m, that is
    "b in every enclosure, b + 1 in x of them" for every width above the tolerance, because
    tolerance is at most 3 (m = 1: b = tolerance; m = 2: 1, or 1 and one enclosure of 2; m = 3: 1).

    No drive may hold more than *per_drive*, *more* drives one more: the promise of m drives in the same
    numbers. With *alike* every member of a vdev has the same size, else at least the vdev's.
    """

    width: int
    tolerance: int
    base: int
    extra: int
    per_drive: int
    more: int = 0
    alike: bool = False

    @property
    def tangled(self) -> bool:
        """Whether the limits of drives and of enclosures overlap: then no single flow shows what is possible."""
        return bool(self.more) and self.base < self.width

    def keeps(self, members: Sequence[Tuple[str, str]]) -> bool:
        """Whether a vdev may hold these members: the drive and the enclosure of each."""
        for held, most, over in (
            (Counter(drive for drive, _home in members), self.per_drive, self.more),
            (Counter(home for _drive, home in members), self.base, self.extra),
        ):
            above = [many - most for many in held.values() if many > most]
            if len(above) > over or any(many > 1 for many in above):
                return False
        return True

    def serves(self, size: int, least: int) -> bool:
        """Whether a unit of *size* can be in a vdev whose members count *least*."""
        return size == least if self.alike else size >= least


def rule_of(policy: Policy) -> Rule:
    """The rule for the policy's chosen width."""
    tolerance, promised = policy.tolerance, policy.survive
    base, extra = policy.width, 0
    if promised.enclosures:
        base, extra = divmod(tolerance, promised.enclosures)
    per_drive, more = 1, 0
    if policy.siblings:
        # Also where no drive is promised to survive: a vdev that one drive can lose is never built.
        per_drive, more = divmod(tolerance, max(1, promised.drives))
    if more and base == 1:
        # Two units of a drive are two members in its enclosure: only the one that may hold two can have them.
        per_drive, more = per_drive + min(1, extra), 0
    return Rule(policy.width, tolerance, base, extra, per_drive, more, not policy.mixed_sizes)


def by_enclosure(member: Member) -> str:
    """The enclosure that a member sits in; empty when not named."""
    return Bay.parse(member.bay).enclosure if member.bay else ""


def most_held(vdev: Vdev) -> int:
    """The most units of one drive that a vdev holds."""
    return max(Counter(member.serial for member in vdev.members).values())


def survives_drives(vdevs: Sequence[Vdev]) -> int:
    """Whole drives of which any may fail, computed from the members of every vdev."""
    return losses_survived(vdev_states(vdevs), "drive")


def survives_enclosures(vdevs: Sequence[Vdev]) -> int:
    """Whole enclosures of which any may fail; 0 when bays name none, or when the bay of some drives is not known."""
    members = [member for vdev in vdevs for member in vdev.members]
    if any(member.bay for member in members) and not all(member.bay for member in members):
        return 0
    return losses_survived(vdev_states(vdevs), "enclosure")
