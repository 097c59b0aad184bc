# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""What a layout guarantees, one sentence for each guarantee."""

from __future__ import annotations

from collections import Counter
from typing import List, Tuple

from ..model import Layout
from ..plain import amount
from .promise import most_held
from .spares import needs_by_drive, stands_in
from .standins import sizes_of


def sentences(layout: Layout) -> Tuple[str, ...]:
    """The guarantees of *layout*, computed from its members."""
    lines = [_drives(layout)]
    if layout.survives_enclosures:
        lines.append(
            "Any {0} may fail: no vdev loses more members than its parity covers.".format(
                amount(layout.survives_enclosures, "whole enclosure")
            )
        )
    lines += _units(layout)
    if layout.spares:
        lines.append(_spares(layout))
    return tuple(lines)


def _spares(layout: Layout) -> str:
    smallest = min(member.size for spare in layout.spares for member in spare.members)
    larger = [n for n, vdev in enumerate(layout.vdevs) if min(member.size for member in vdev.members) > smallest]
    kept = "{0} kept: ".format(amount(len(layout.spares), "spare drive"))
    each = "it" if len(layout.spares) == 1 else "each"
    if not larger:
        return kept + each + " can replace any member."
    needs = needs_by_drive([vdev.members for vdev in layout.vdevs])
    served = [
        {serial for serial, sizes in needs.items() if stands_in(sizes_of(spare), sizes)} for spare in layout.spares
    ]
    if all(len(serials) == len(needs) for serials in served):
        return kept + each + " can replace any drive, unit by unit."
    bare = set(needs).difference(*served)
    if not bare:
        return kept + "for every drive, at least one of them can replace it, unit by unit."
    larger = [n for n in larger if bare & {member.serial for member in layout.vdevs[n].members}] or larger
    return kept + "too small for the members of vdev {0}, which have no spare.".format(", ".join(map(str, larger)))


def _drives(layout: Layout) -> str:
    shared = max((most_held(vdev) for vdev in layout.vdevs), default=0)
    parity = ", ".join(sorted({_survives(vdev.keyword or "stripe", vdev.parity) for vdev in layout.vdevs}))
    if not layout.survives_drives:
        return "A single drive failure can lose the pool: a vdev holds up to {0} units of a drive, and {1}.".format(
            shared, parity
        )
    why = (
        "no vdev holds two units of a drive"
        if shared == 1
        else "no vdev holds more than {0} units of a drive".format(shared)
    )
    return "Any {0}: {1}, and {2}.".format(_may_fail(layout.survives_drives, "drive"), why, parity)


def _survives(keyword: str, parity: int) -> str:
    name = {"mirror": "a mirror of {0}".format(parity + 1), "stripe": "a stripe"}.get(keyword, keyword)
    return "{0} survives {1}".format(name, amount(parity, "member failure") if parity else "no member failure")


def _may_fail(number: int, noun: str) -> str:
    return "{0} may fail{1}".format(amount(number, noun), "" if number == 1 else " at once")


def _units(layout: Layout) -> List[str]:
    if not layout.vdevs:
        return []
    worst = min(vdev.parity for vdev in layout.vdevs)
    several = max(Counter(member.serial for vdev in layout.vdevs for member in vdev.members).values()) > 1
    if not worst or not several:
        return []
    return ["Any {0}, on any drive{1}.".format(_may_fail(worst, "unit"), "" if worst == 1 else "s")]
