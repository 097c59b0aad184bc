# Copyright: (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""What a policy demands of every single vdev, in numbers, and how much a layout stands."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Callable, Iterable, List, Mapping, Sequence

from ..model import Bay, Member, Vdev
from .policy import Policy


@dataclass(frozen=True)
class Rule:
    """The demands on a vdev of *width* members that stands *tolerance* lost ones.

    No enclosure may hold more than *base* members of it; of *extra* enclosures one more.
    No drive may hold more than *per_drive*. The promise of m enclosures means that the m
    fullest hold at most *tolerance* members: with b = tolerance // m and x = tolerance % m, that is
    "b in every enclosure, b + 1 in x of them" for every width above the tolerance, because
    tolerance is at most 3 (m = 1: b = tolerance; m = 2: 1, or 1 and one enclosure of 2; m = 3: 1).
    """

    width: int
    tolerance: int
    base: int
    extra: int
    per_drive: int


def rule_of(policy: Policy) -> Rule:
    """The rule for the policy's chosen width."""
    tolerance, promised = policy.tolerance, policy.survive
    base, extra = policy.width, 0
    if promised.enclosures:
        base, extra = divmod(tolerance, promised.enclosures)
    per_drive = 1
    if policy.siblings:
        per_drive = max(1, tolerance // promised.drives) if promised.drives else policy.width
    return Rule(policy.width, tolerance, base, extra, per_drive)


def holders(members: Iterable[Member], key: Callable[[Member], str]) -> List[int]:
    """How many members each holder (drive or enclosure) has, most first."""
    return sorted(Counter(key(member) for member in members).values(), reverse=True)


def by_drive(member: Member) -> str:
    """The drive that a member is part of."""
    return member.serial


def by_enclosure(member: Member) -> str:
    """The enclosure that a member sits in; empty when not named."""
    return Bay.parse(member.bay).enclosure if member.bay else ""


def stood(vdev: Vdev, key: Callable[[Member], str]) -> int:
    """The number of holders of which any may fail and the vdev still serves."""
    lost = 0
    for number, count in enumerate(holders(vdev.members, key)):
        lost += count
        if lost > vdev.parity:
            return number
    return len(holders(vdev.members, key))


def survives_drives(vdevs: Sequence[Vdev]) -> int:
    """Whole drives of which any may fail, computed from the members of every vdev."""
    return min((stood(vdev, by_drive) for vdev in vdevs), default=0)


def survives_enclosures(vdevs: Sequence[Vdev]) -> int:
    """Whole enclosures of which any may fail; 0 when bays name none."""
    enclosures = _enclosures(vdevs)
    if not any(enclosures.values()):
        return 0
    return min((stood(vdev, lambda member: enclosures[member.bay]) for vdev in vdevs), default=0)


def _enclosures(vdevs: Sequence[Vdev]) -> Mapping[str, str]:
    # One parse for each bay, not one for each member.
    found = {member.bay: member for vdev in vdevs for member in vdev.members}
    return {bay: by_enclosure(member) for bay, member in found.items()}
