# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""An existing layout: its empty places get new units, and nothing else of it moves.

A place is empty when its unit is not among the drives given. A drive that is gone is replaced
by one free drive in all its places, so the fatal sets stay what they were; only when no
drive can do that are its places assigned one by one. Preferred are the same bay, the same
enclosure, the same adapter, then bay order. The search tries all ways until one fits.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, replace
from typing import Dict, Iterator, List, Optional, Sequence, Set, Tuple

from ..errors import InputError, PromiseError
from ..model import Layout, Member, SpareDrive, Vdev
from .policy import Policy
from .promise import by_enclosure, survives_drives, survives_enclosures
from .shelf import consume
from .stock import Item, without

MOST_STEPS = 20000

Place = Tuple[int, int]  # vdev, position
Fill = Dict[Place, Member]


@dataclass(frozen=True)
class Kept:
    """The existing layout, repaired, and the drives that are free for more."""

    vdevs: Tuple[Vdev, ...]
    spares: Tuple[SpareDrive, ...]
    free: Tuple[Item, ...]
    filled: int


def keep(items: Sequence[Item], policy: Policy, placed: Layout) -> Kept:
    """The placed layout on the drives found. Raises InputError or PromiseError, see `assign.plan`."""
    _check_placed(policy, placed)
    units = {(member.serial, member.index): member for item in items for member in item.members}
    spares = tuple(spare for spare in placed.spares if all((m.serial, m.index) in units for m in spare.members))
    taken: Dict[str, List[int]] = defaultdict(list)
    for member in [m for vdev in placed.vdevs for m in vdev.members] + [m for s in spares for m in s.members]:
        taken[member.serial].append(member.index)
    free = without(items, taken)
    empty: Dict[str, List[Place]] = defaultdict(list)
    for number, vdev in enumerate(placed.vdevs):
        for position, member in enumerate(vdev.members):
            if (member.serial, member.index) not in units:
                empty[member.serial].append((number, position))
    found = _Repair(placed, policy, free).fill(empty)
    vdevs = tuple(
        replace(vdev, members=tuple(found.get((number, at), member) for at, member in enumerate(vdev.members)))
        for number, vdev in enumerate(placed.vdevs)
    )
    _check_promises(policy, vdevs)
    used: Dict[str, List[int]] = defaultdict(list)
    for member in found.values():
        used[member.serial].append(member.index)
    return Kept(vdevs, spares, without(free, used), len(found))


def _check_placed(policy: Policy, placed: Layout) -> None:
    if not placed.vdevs:
        raise InputError("the placed layout has no vdevs", subject="placed", remedy="Leave placed out for a new pool.")
    for vdev in placed.vdevs:
        alike = vdev.kind == policy.kind and (vdev.kind == "mirror" or vdev.parity == policy.parity)
        if not alike or policy.width not in (0, vdev.width):
            raise InputError(
                "the pool has {0} of width {1}, the policy says {2} of width {3}".format(
                    vdev.keyword or "stripe", vdev.width, policy.words, policy.width or "free choice"
                ),
                subject="policy",
                remedy="Use the kind, parity and width that the pool has: OpenZFS refuses to add vdevs that differ.",
            )
        _check_draid(policy, vdev)
    seen = Counter((member.serial, member.index) for vdev in placed.vdevs for member in vdev.members)
    twice = sorted(unit for unit, count in seen.items() if count > 1)
    if twice:
        raise InputError("unit {0} of serial {1} is placed twice".format(twice[0][1], twice[0][0]), subject="placed")


def _check_draid(policy: Policy, vdev: Vdev) -> None:
    if vdev.kind != "draid":
        return
    for name, wanted, has in (
        ("data", policy.draid_data or vdev.data, vdev.data),
        ("spares", vdev.spares if policy.draid_spares is None else policy.draid_spares, vdev.spares),
    ):
        if wanted != has:
            raise InputError(
                "the pool has {0} with {1} {2}, the policy says {3}".format(vdev.keyword, has, name, wanted),
                subject="policy.draid.{0}".format(name),
                remedy="Use the {0} that the pool has, or leave it out: added vdevs are like the existing ones.".format(
                    name
                ),
            )


def _check_promises(policy: Policy, vdevs: Sequence[Vdev]) -> None:
    promised = policy.survive
    kept = {"drives": survives_drives(vdevs), "enclosures": survives_enclosures(vdevs)}
    asked = {"drives": promised.drives, "enclosures": promised.enclosures}
    broken = [name for name, wanted in asked.items() if wanted > kept[name]]
    if not broken:
        return
    name = broken[0]
    count = survives_drives if name == "drives" else survives_enclosures
    number, vdev = next((n, one) for n, one in enumerate(vdevs) if count([one]) == kept[name])
    raise PromiseError(
        "vdev {0} of the placed layout ({1}) survives the failure of {2} {3}, not {4}".format(
            number, ", ".join(member.name for member in vdev.members), kept[name], name, asked[name]
        ),
        subject="policy.survive.{0}".format(name),
        remedy="Placed units stay in place. Set {0}, or replace drives first.".format(
            " and ".join("survive.{0} to {1}".format(other, kept[other]) for other in broken)
        ),
    )


class _Repair:
    """The search for new units for the empty places of a layout."""

    def __init__(self, placed: Layout, policy: Policy, free: Sequence[Item]) -> None:
        self._vdevs = placed.vdevs
        self._policy = policy
        self._free = {item.serial: item for item in free}
        self._least = [min(member.size for member in vdev.members) for vdev in placed.vdevs]
        self._steps = 0

    def fill(self, empty: Dict[str, List[Place]]) -> Fill:
        """A unit for each empty place. PromiseError when there is none."""
        if not empty:
            return {}
        gone = {place for places in empty.values() for place in places}
        whole = [(self._member(places[0]), places) for _serial, places in sorted(empty.items())]
        single = [(self._member(place), [place]) for place in sorted(gone)]
        found = self._search(whole, gone, {}) or self._search(single, gone, {})
        if found is None:
            raise self._cannot(whole)
        return found

    def _member(self, place: Place) -> Member:
        return self._vdevs[place[0]].members[place[1]]

    def _search(self, tasks: Sequence[Tuple[Member, List[Place]]], gone: Set[Place], done: Fill) -> Optional[Fill]:
        if not tasks:
            return done
        self._steps += 1
        if self._steps > MOST_STEPS:
            return None
        member, places = tasks[0]
        for units in self._candidates(member, places, done):
            trial = dict(done)
            trial.update(zip(places, units))
            if self._keeps(trial, gone, places):
                found = self._search(tasks[1:], gone, trial)
                if found is not None:
                    return found
        return None

    def _candidates(self, member: Member, places: Sequence[Place], done: Fill) -> Iterator[List[Member]]:
        used = {(unit.serial, unit.index) for unit in done.values()}
        home = by_enclosure(member)

        def rank(item: Item) -> Tuple[object, ...]:
            return (item.members[0].bay != member.bay, item.enclosure != home, item.place)

        for item in sorted(self._free.values(), key=rank):
            units = [unit for unit in item.members if (unit.serial, unit.index) not in used]
            fitted = self._fit(units, places)
            if fitted is not None:
                yield fitted

    def _fit(self, units: List[Member], places: Sequence[Place]) -> Optional[List[Member]]:
        # The unit of the same index where sizes allow.
        wanted = [self._least[number] for number, _at in places]
        chosen: List[Member] = []
        free = list(units)
        for step, place in enumerate(places):
            index = self._member(place).index
            for unit in sorted(free, key=lambda unit: (unit.index != index, unit.index)):
                rest = tuple(sorted((other.size for other in free if other is not unit), reverse=True))
                if unit.size >= wanted[step] and consume(rest, tuple(wanted[step + 1 :])) is not None:
                    chosen.append(unit)
                    free.remove(unit)
                    break
            else:
                return None
        return chosen

    def _keeps(self, trial: Fill, gone: Set[Place], places: Sequence[Place]) -> bool:
        for number in {number for number, _at in places}:
            vdev = self._vdevs[number]
            now = [
                trial.get((number, at), member)
                for at, member in enumerate(vdev.members)
                if (number, at) in trial or (number, at) not in gone
            ]
            drives = Counter(member.serial for member in now)
            # As in a first plan: with siblings, the failure of one drive must not lose the vdev.
            most = max(1, vdev.parity) if self._policy.siblings else 1
            if any(drives[trial[place].serial] > most for place in places if place[0] == number):
                return False
            partial = replace(vdev, members=tuple(now))
            survive = self._policy.survive
            if not self._survives(partial, drives, survive.drives) or not self._survives(
                partial, Counter(by_enclosure(member) for member in now), survive.enclosures
            ):
                return False
        return True

    @staticmethod
    def _survives(vdev: Vdev, holders: Counter[str], promised: int) -> bool:
        return sum(sorted(holders.values(), reverse=True)[:promised]) <= vdev.parity

    def _cannot(self, whole: Sequence[Tuple[Member, List[Place]]]) -> PromiseError:
        wanted = [
            "{0} (serial {1}): {2} unit{3} of at least {4} bytes".format(
                member.bay or "bay unknown",
                member.serial,
                len(places),
                "" if len(places) == 1 else "s",
                max(self._least[number] for number, _at in places),
            )
            for member, places in whole
        ]
        free = ", ".join(item.label for item in self._free.values()) or "none"
        reason = "the search stopped at its limit" if self._steps > MOST_STEPS else "all combinations were tried"
        return PromiseError(
            "no free drives can take the places of {0}; free: {1}; {2}".format("; ".join(wanted), free, reason),
            subject="placed",
            remedy="Add a drive with as many units of that size where the promises allow it, or use a spare first.",
        )
