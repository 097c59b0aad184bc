# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The pool's members against the planned layout. Pure."""

from __future__ import annotations

from collections import Counter
from typing import Dict, Iterable, List, Mapping, Optional, Sequence, Set, Tuple

from ..layout.policy import Policy
from ..model import Finding, Layout, Member, Vdev
from ..spares import duty
from ..zfs import support as beside
from ..zfs.report import margins
from ..zfs.resolve import Pool, PoolMember, PoolVdev
from ..zfs.support import Support
from .codes import note

Key = Tuple[str, int]


def layout_findings(
    pool: Pool, layout: Optional[Layout], policy: Optional[Policy], support: Optional[Sequence[Support]] = None
) -> List[Finding]:
    """How an imported pool differs from the planned layout, and whether it survives what the policy promises.

    What is not declared is None and not compared.
    """
    found = _siblings(pool, bool(policy and policy.siblings))
    found += duty.findings(pool)
    if layout is not None and not pool.suspended:
        matched = _match(pool, layout)
        found += _places(pool, layout, matched)
        found += _shapes(layout, matched)
        found += _spares(pool, layout)
    if support is not None:
        found += [
            note("support_differs", line, "as in split_actuator_pool.support", about="pool {0}".format(pool.name))
            for line in beside.differences(pool, support)
        ]
    if policy is not None and not pool.suspended:
        found += _margin(pool, policy)
    return found


def _siblings(pool: Pool, allowed: bool) -> List[Finding]:
    """Vdevs with several units of one drive. A place that two of them share during a replacement counts once."""
    found = []
    for vdev in pool.vdevs:
        places: Dict[str, Set[Tuple[int, int]]] = {}
        bays: Dict[str, str] = {}
        for number, slot in enumerate(vdev.slots):
            for member in slot.members:
                if member.serial:
                    places.setdefault(member.serial, set()).add((number, member.index))
                    bays[member.serial] = member.bay
        for serial, both in sorted(places.items()):
            slots, units = {number for number, _unit in both}, {unit for _number, unit in both}
            fatal = len(slots) > vdev.redundancy
            if len(slots) > 1 and len(units) > 1 and (fatal or not allowed):
                found.append(
                    note(
                        "siblings_together",
                        "units {0} in {1}, which tolerates {2} failed member{3}".format(
                            " and ".join(str(unit) for unit in sorted(units)),
                            vdev.name,
                            vdev.redundancy,
                            "" if vdev.redundancy == 1 else "s",
                        ),
                        "one unit of a drive in each vdev",
                        "error" if fatal else "warning",
                        serial=serial,
                        bay=bays[serial],
                        about="{0} of pool {1}".format(vdev.name, pool.name),
                    )
                )
    return found


def _data(pool: Pool) -> List[PoolVdev]:
    return [vdev for vdev in pool.vdevs if vdev.group == "data"]


def _keys(vdev: PoolVdev) -> Set[Key]:
    return {(member.serial, member.index) for member in vdev.members if member.serial}


def _match(pool: Pool, layout: Layout) -> Dict[int, PoolVdev]:
    """The pool's vdev for each vdev of the layout, by number: the one with most units in common."""
    wanted = [{(member.serial, member.index) for member in vdev.members} for vdev in layout.vdevs]
    pairs = sorted(
        (
            (-len(_keys(vdev) & keys), number, place)
            for place, vdev in enumerate(_data(pool))
            for number, keys in enumerate(wanted)
            if _keys(vdev) & keys
        ),
    )
    found: Dict[int, PoolVdev] = {}
    taken: Set[int] = set()
    for _common, number, place in pairs:
        if number not in found and place not in taken:
            found[number] = _data(pool)[place]
            taken.add(place)
    return found


def _places(pool: Pool, layout: Layout, matched: Mapping[int, PoolVdev]) -> List[Finding]:
    places = {
        (one.serial, one.index): (number, one) for number, vdev in enumerate(layout.vdevs) for one in vdev.members
    }
    numbers = {id(vdev): number for number, vdev in matched.items()}
    spare = {(one.serial, one.index) for drive in layout.spares for one in drive.members}
    found: List[Finding] = []
    seen: Set[Key] = set()
    for vdev in _data(pool):
        for member in vdev.members:
            if member.distributed:
                continue
            key = (member.serial, member.index)
            seen.add(key)
            if key in places:
                if places[key][0] != numbers.get(id(vdev)):
                    found.append(_misplaced(pool, vdev, member, matched.get(places[key][0])))
            elif key not in spare or member.role == "member":
                found.append(_foreign(pool, vdev, member))
    absent = [one for key, (_number, one) in places.items() if key not in seen]
    return found + _absent(pool, absent)


def _misplaced(pool: Pool, vdev: PoolVdev, member: PoolMember, wanted: Optional[PoolVdev]) -> Finding:
    return note(
        "member_misplaced",
        "member of {0}".format(vdev.name),
        "member of {0}".format(wanted.name if wanted else "a vdev that the pool does not have"),
        serial=member.serial,
        bay=member.bay,
        index=member.index,
        about="pool {0}".format(pool.name),
    )


def _foreign(pool: Pool, vdev: PoolVdev, member: PoolMember) -> Finding:
    return note(
        "member_foreign",
        "{0} is a member of {1}".format(member.name if member.serial else member.path or member.name, vdev.name),
        "not a member of pool {0}".format(pool.name),
        serial=member.serial,
        bay=member.bay,
        index=member.index if member.serial else None,
        about="pool {0}".format(pool.name) if member.serial else "pool {0}, {1}".format(pool.name, member.name),
    )


def _absent(pool: Pool, absent: Iterable[Member]) -> List[Finding]:
    drives: Dict[Tuple[str, str], List[int]] = {}
    for one in absent:
        drives.setdefault((one.bay, one.serial), []).append(one.index)
    return [
        note(
            "member_absent",
            "unit {0} is not a member of the pool".format(" and ".join(str(index) for index in sorted(indices))),
            "planned as a member of pool {0}".format(pool.name),
            serial=serial,
            bay=bay,
            index=indices[0] if len(indices) == 1 else None,
            about="pool {0}".format(pool.name),
        )
        for (bay, serial), indices in sorted(drives.items())
    ]


def _shape(kind: str, redundancy: int) -> str:
    return "{0}, tolerates {1} failed member{2}".format(kind, redundancy, "" if redundancy == 1 else "s")


def _tolerated(vdev: Vdev) -> int:
    return vdev.width - 1 if vdev.kind == "mirror" else vdev.parity


def _shapes(layout: Layout, matched: Mapping[int, PoolVdev]) -> List[Finding]:
    found = []
    for number, vdev in sorted(matched.items()):
        wanted = layout.vdevs[number]
        declared = _shape(wanted.kind, _tolerated(wanted))
        # Where a member of a mirror is being attached, or was detached, the findings on members report it.
        kinds_agree = wanted.kind == vdev.kind and (vdev.kind == "mirror" or _tolerated(wanted) == vdev.redundancy)
        if not kinds_agree:
            found.append(note("vdev_differs", _shape(vdev.kind, vdev.redundancy), declared, about=vdev.name))
    return found


def _spares(pool: Pool, layout: Layout) -> List[Finding]:
    """Units that are spares of the pool, but do not belong to a spare drive of the layout."""
    wanted = {(one.serial, one.index) for drive in layout.spares for one in drive.members}
    about = "pool {0}".format(pool.name)
    return [
        note("spare_undeclared", "{0} is a spare".format(one.name), "not a spare", serial=one.serial, bay=one.bay,
             index=one.index if one.serial else None,
             about=about if one.serial else "{0}, {1}".format(about, one.name))
        for one in pool.spares if not one.distributed and (one.serial, one.index) not in wanted
    ]  # fmt: skip


def _margin(pool: Pool, policy: Policy) -> List[Finding]:
    now = margins(pool).pool
    promised = policy.survive.drives
    if now >= promised:
        return []
    words = "no further drive may fail"
    if now > 0:
        words = "any {0} further drive{1} may fail".format(now, "" if now == 1 else "s")
    return [
        note(
            "margin_low",
            words if now >= 0 else "the pool cannot serve all its data",
            "any {0} drive{1} may fail".format(promised, "" if promised == 1 else "s"),
            "error" if now <= 0 else "warning",
            about="pool {0}".format(pool.name),
        )
    ]


def distance(pool: Pool, layout: Layout) -> int:
    """How many units of a pool differ from a layout: for choosing the layout that it was made from."""
    counts = Counter(one.code for one in _places(pool, layout, _match(pool, layout)))
    return sum(counts.values())
