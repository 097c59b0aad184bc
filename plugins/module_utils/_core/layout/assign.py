# Copyright: (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The assignment: which unit goes into which vdev. Pure.

`plan` keeps the invariants of a layout: no vdev holds two units of a drive unless the policy
allows it; the promises hold or a PromiseError says why not and what would do; among the
layouts that keep them the most usable capacity, then the fewest fatal sets, then the most
even spread over enclosures, then the order of the bays; the same drives in any order give
the same layout; what is placed stays; a spare is a whole drive.

How it is found, and why it is optimal: `cohorts` (alike drives), `supply` (capacity of any
drives), `blocks` (alignment of any drives), `placed` (pools that exist).
"""

from __future__ import annotations

from typing import List, Optional, Sequence, Tuple

from ..errors import PromiseError
from ..model import Drive, Layout, Member, SpareDrive, Unused, Vdev
from .fill import Filled, fill
from .limits import cannot_fill, check_bays, check_promises
from .policy import Policy
from .promise import rule_of, survives_drives, survives_enclosures
from .stock import Item, read_stock
from .widths import choose_width, make_vdev


def plan(drives: Sequence[Drive], policy: Policy, placed: Optional[Layout] = None) -> Layout:
    """The layout for *drives* under *policy*.

    With *placed* (a layout that exists), its members and spares stay where they are: places whose
    drive is not among *drives* are filled anew, and the other drives extend the pool. Raises
    InputError (drives or policy), PromiseError (no layout keeps the promises).
    """
    policy.check()
    items = read_stock(drives)
    check_bays(items, policy)
    check_promises(policy)
    if placed is not None:
        raise NotImplementedError
    return _fresh(items, policy)


def _fresh(items: Sequence[Item], policy: Policy) -> Layout:
    kept, spares = _set_spares_aside(items, policy)
    width = policy.width or choose_width(kept, policy)
    chosen = policy.with_width(width or policy.least_width)
    filled = fill(kept, rule_of(chosen)) if width else Filled((), (), "")
    if not filled.groups:
        raise cannot_fill(kept, chosen)
    return _layout(items, spares, filled, chosen)


def _set_spares_aside(items: Sequence[Item], policy: Policy) -> Tuple[List[Item], List[Item]]:
    if policy.spares >= len(items):
        raise PromiseError(
            "{0} spares of {1} drives leave nothing to store on".format(policy.spares, len(items)),
            subject="policy.spares",
            remedy="It needs more drives or fewer spares.",
        )
    kept = list(items)
    spares: List[Item] = []
    for _ in range(policy.spares):
        homes = [item.enclosure for item in kept]
        fullest = max(sorted(set(homes)), key=homes.count)
        spare = max((item for item in kept if item.enclosure == fullest), key=lambda item: item.place)
        kept.remove(spare)
        spares.append(spare)
    return kept, sorted(spares, key=lambda item: item.place)


def _layout(items: Sequence[Item], spares: Sequence[Item], filled: Filled, policy: Policy) -> Layout:
    places = {item.serial: item.place for item in items}

    def order(members: Sequence[Member]) -> List[Tuple[object, ...]]:
        return [(places[member.serial], member.index) for member in members]

    groups = [sorted(group, key=lambda member: (places[member.serial], member.index)) for group in filled.groups]
    vdevs = tuple(make_vdev(group, policy) for group in sorted(groups, key=order))
    return Layout(
        vdevs=vdevs,
        spares=tuple(SpareDrive(item.serial, item.members[0].bay, item.members) for item in spares),
        unused=_unused(items, spares, vdevs, policy),
        survives_drives=survives_drives(vdevs),
        survives_enclosures=survives_enclosures(vdevs),
        proven=filled.proven,
        proof=filled.proof,
    )


def _unused(
    items: Sequence[Item], spares: Sequence[Item], vdevs: Sequence[Vdev], policy: Policy
) -> Tuple[Unused, ...]:
    taken = {(member.serial, member.index) for vdev in vdevs for member in vdev.members}
    taken |= {(member.serial, member.index) for item in spares for member in item.members}
    left = [member for item in items for member in item.members if (member.serial, member.index) not in taken]
    drives = len({member.serial for member in left})
    reason = "{0} unit{1} of {2} drive{3} left over: a further vdev takes {4} from different drives".format(
        len(left), "" if len(left) == 1 else "s", drives, "" if drives == 1 else "s", policy.width
    )
    return tuple(Unused(member, reason) for member in left)
