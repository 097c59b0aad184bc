# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The width of a vdev when the policy leaves it open, by what the policy prefers.

Of every width from the narrowest to WIDEST_CHOSEN (dRAID: to all drives), the capacity that the
drives would give is known exactly (`supply.best_counts`, `capacity.pool_capacity`; for dRAID
before OpenZFS rounds its metaslabs), for the sector size that the pool will have. Then:

- capacity: the most usable bytes, after raidz padding, metaslab rounding and slop space;
  of equals the narrowest.
- safety: the fewest fatal sets of drives among the widths that keep at least KEEP_SAFETY of that
  (fewest sets of tolerance + 1 drives in one vdev, over all vdevs); of equals the most bytes.
- throughput: the most vdevs among the widths that keep at least KEEP_THROUGHPUT of it, since
  a raidz vdev serves small random reads at about the rate of one unit (common practice);
  of equals the most bytes.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import comb
from typing import List, Optional, Sequence, Tuple

from ..model import Member, Vdev
from .capacity import Shape, deflate_ratio, pool_capacity
from .policy import MIRROR_WIDTHS, WIDEST, Policy
from .promise import rule_of
from .stock import Item
from .supply import Counts, best_counts, kinds_of

WIDEST_CHOSEN = 14  # common practice: wider raidz vdevs resilver slowly and serve few small reads
KEEP_SAFETY = 0.75
KEEP_THROUGHPUT = 0.5


@dataclass(frozen=True)
class Choice:
    """A width, what it stores (bytes) and its vdevs."""

    width: int
    usable: int
    vdevs: int
    fatal: int


def widths_by_preference(items: Sequence[Item], policy: Policy, ashift: int = 12, whole_disk: bool = True) -> List[int]:
    """All widths that *items* can fill, the one that suits the preference best first.

    *ashift*, *whole_disk*: as `pool_capacity`.
    """
    tried = [_try(items, policy.with_width(width), ashift, whole_disk) for width in _widths(items, policy)]
    found = [choice for choice in tried if choice]
    most = max((choice.usable for choice in found), default=0)

    def rank(choice: Choice) -> Tuple[int, ...]:
        if policy.prefer == "safety":
            return (choice.usable < KEEP_SAFETY * most, choice.fatal, -choice.usable, choice.width)
        if policy.prefer == "throughput":
            return (choice.usable < KEEP_THROUGHPUT * most, -choice.vdevs, -choice.usable, choice.width)
        return (-choice.usable, choice.width)

    return [choice.width for choice in sorted(found, key=rank)]


def _widths(items: Sequence[Item], policy: Policy) -> List[int]:
    units = sum(len(item.members) for item in items) if policy.siblings else len(items)
    if policy.kind == "mirror":
        return [width for width in MIRROR_WIDTHS if policy.promised_width <= width <= units]
    most = min(units, WIDEST if policy.kind == "draid" else WIDEST_CHOSEN)
    return list(range(policy.least_width, most + 1))


def _try(items: Sequence[Item], policy: Policy, ashift: int, whole_disk: bool) -> Optional[Choice]:
    counts = best_counts(kinds_of(items), rule_of(policy))
    if not counts:
        return None
    best = counts[0]
    fatal = best.total * comb(policy.width, policy.tolerance + 1)
    return Choice(policy.width, _usable(best, policy, ashift, whole_disk), best.total, fatal)


def _usable(counts: Counts, policy: Policy, ashift: int, whole_disk: bool) -> int:
    if policy.kind == "draid":
        # Rounding every metaslab of every width would take seconds, and decides nothing.
        data = policy.group_data(policy.width)
        shape = Shape("draid", policy.parity, policy.width, 0, ashift, data, policy.distributed)
        return (policy.width - policy.distributed) * counts.value // 512 * deflate_ratio(shape)
    return pool_capacity(_mock(counts, policy), ashift, whole_disk).usable


def _mock(counts: Counts, policy: Policy) -> List[Vdev]:
    vdevs: List[Vdev] = []
    for size, many in zip(counts.sizes, counts.vdevs):
        members = tuple(Member("any", 0, "", size) for dummy in range(policy.width))
        vdevs += [make_vdev(members, policy)] * many
    return vdevs


def make_vdev(members: Sequence[Member], policy: Policy) -> Vdev:
    """A vdev of the policy's kind from its members."""
    draid = policy.kind == "draid"
    return Vdev(
        policy.kind,
        policy.tolerance,
        tuple(members),
        data=policy.group_data(policy.width) if draid else 0,
        spares=policy.distributed if draid else 0,
    )
