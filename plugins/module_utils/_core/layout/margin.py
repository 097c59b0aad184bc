# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The margin now: how many further whole-drive failures the worst vdev survives.

0 means that the next failure there loses data; -1 that data is lost already.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from typing import Counter as CounterOf
from typing import Dict, List, Sequence, Tuple

from .survival import VdevState, vdev_survives


@dataclass(frozen=True)
class Margins:
    """Margins of a pool and its parts.

    *vdevs* in the order given. *drives* by serial: failures, this drive first, that every vdev
    with a member on it survives; for a drive that has failed, what these vdevs survive now.
    *enclosures* by name: the least of its drives'. *enclosure_losses* by name: whether the
    pool survives the failure of this whole enclosure now.
    """

    pool: int
    vdevs: Tuple[int, ...]
    drives: Dict[str, int]
    enclosures: Dict[str, int]
    enclosure_losses: Dict[str, bool]


def margins(states: Sequence[VdevState]) -> Margins:
    """All margins of a pool whose members are as *states* says; linear in the number of members."""
    held = [Counter(member.serial for member in state.members if member.alive) for state in states]
    vdevs = tuple(vdev_survives(state.left, list(loads.values()), len(loads)) for state, loads in zip(states, held))
    views: Dict[str, List[int]] = defaultdict(list)
    homes: Dict[str, str] = {}
    for state, loads, margin in zip(states, held, vdevs):
        for member in state.members:
            homes[member.serial] = member.enclosure
        # No more than these can matter: each takes a member at least.
        heaviest = loads.most_common(max(0, state.left) + 2)
        for serial in {member.serial for member in state.members}:
            views[serial].append(_with_drive(state.left, loads, heaviest, serial, margin))
    drives = {serial: min(seen) for serial, seen in sorted(views.items())}
    enclosures: Dict[str, int] = {}
    for serial, margin in drives.items():
        name = homes[serial]
        enclosures[name] = min(margin, enclosures.get(name, margin))
    return Margins(
        pool=min(vdevs, default=0),
        vdevs=vdevs,
        drives=drives,
        enclosures=enclosures,
        enclosure_losses=_enclosure_losses(states),
    )


def can_lose(states: Sequence[VdevState], serials: Sequence[str]) -> bool:
    """Whether the pool survives the failure of exactly these whole drives, on top of what it has lost."""
    gone = set(serials)
    return all(
        state.left >= sum(member.alive and member.serial in gone for member in state.members) for state in states
    )


def _with_drive(left: int, loads: CounterOf[str], heaviest: Sequence[Tuple[str, int]], serial: str, margin: int) -> int:
    if left < 0 or serial not in loads:
        return margin
    if loads[serial] > left:
        return 0
    others = [count for name, count in heaviest if name != serial]
    return 1 + vdev_survives(left - loads[serial], others, len(loads) - 1)


def _enclosure_losses(states: Sequence[VdevState]) -> Dict[str, bool]:
    survived: Dict[str, bool] = {member.enclosure: True for state in states for member in state.members}
    for state in states:
        loads = Counter(member.enclosure for member in state.members if member.alive)
        for name in survived:
            if loads.get(name, 0) > state.left:
                survived[name] = False
    return survived
