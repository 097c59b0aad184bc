# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether the labels found on units match the layout, before the pool is imported. Pure.

OpenZFS opens members by their labels wherever it finds them, whatever paths it was given. So the
labels themselves are compared with the layout, by unit: which pool, which vdev, which are missing.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Dict, FrozenSet, Iterable, List, Mapping, Optional, Sequence, Tuple

from ..errors import Refusal
from ..model import Drive, Layout, Member, Vdev
from . import argv
from .labels import Label, LabelVdev

Key = Tuple[str, int]
Labels = Mapping[Key, Label]


@dataclass(frozen=True)
class Candidate:
    """A pool that labels name: its newest label, and those of its members by unit."""

    newest: Label
    labels: Labels

    @property
    def guid(self) -> str:
        """The pool's GUID."""
        return self.newest.pool_guid


@dataclass(frozen=True)
class Missing:
    """A drive with units that should belong to the pool but do not hold its labels."""

    member: Member
    indices: Tuple[int, ...]
    why: str

    def __str__(self) -> str:
        units = "unit{0} {1}".format("s" if len(self.indices) > 1 else "", ", ".join(map(str, self.indices)))
        return "{0} {1}: {2}".format(_drive(self.member.bay, self.member.serial), units, self.why)


class Places:
    """Says where units are, for messages."""

    def __init__(self, layout: Layout, drives: Sequence[Drive]) -> None:
        self._bays = {drive.serial: drive.bay.label for drive in drives if drive.bay is not None}
        for member in _members(layout):
            self._bays.setdefault(member.serial, member.bay)

    def unit(self, key: Key) -> str:
        """C(bay03 (serial X) unit 0)."""
        return "{0} unit {1}".format(_drive(self._bays.get(key[0], ""), key[0]), key[1])

    def names(self, keys: Iterable[Key]) -> str:
        """Short names of units: C(bay00.0, bay01.0)."""
        return ", ".join(sorted("{0}.{1}".format(self._bays.get(serial) or serial, index) for serial, index in keys))


def _drive(bay: str, serial: str) -> str:
    return "{0} (serial {1})".format(bay or "bay unknown", serial)


def _members(layout: Layout) -> Tuple[Member, ...]:
    vdevs = [*layout.vdevs, *(one.vdev for one in layout.support if one.role != "cache")]
    return tuple(member for vdev in vdevs for member in vdev.members)


def candidates(labels: Labels) -> Dict[str, Candidate]:
    """The pools that labels name, by GUID. Labels of spares and cache devices name none."""
    grouped: Dict[str, Dict[Key, Label]] = {}
    for key, label in labels.items():
        if label.pool_guid:
            grouped.setdefault(label.pool_guid, {})[key] = label
    return {
        guid: Candidate(max((found[key] for key in sorted(found)), key=lambda label: label.txg), found)
        for guid, found in grouped.items()
    }


def newest_tops(pool: Candidate) -> Dict[str, LabelVdev]:
    """The top-level vdevs of a pool by their GUID, each from its newest label."""
    newest: Dict[str, Label] = {}
    for label in pool.labels.values():
        if label.top_guid not in newest or label.txg > newest[label.top_guid].txg:
            newest[label.top_guid] = label
    return {guid: label.vdev for guid, label in newest.items()}


def choose(pool: str, guid: str, labels: Labels, layout: Layout, places: Places) -> Candidate:
    """The pool to import. Refuses when there is none of this name (and GUID, when given), or more than one."""
    found = candidates(labels)
    named = [one for one in found.values() if one.newest.name == pool]
    alive = [one for one in named if one.newest.state != "destroyed"]
    wanted = [one for one in alive if guid in ("", one.guid)]
    if len(wanted) == 1 and (guid or len(alive) == 1):
        return wanted[0]
    if len(wanted) > 1:
        raise Refusal(
            "There are {0} pools named {1}; nothing was changed.".format(len(wanted), pool),
            [describe(one, places) for one in sorted(wanted, key=lambda one: one.guid)],
            "Remove the drives of the other one, or set guid to the GUID of the right one.",
        )
    if alive:
        raise Refusal(
            "A pool named {0} is on the drives, but not the one with GUID {1}; nothing was changed.".format(pool, guid),
            [describe(one, places) for one in alive],
            "Correct guid, or insert the drives of the requested pool.",
        )
    if named:
        raise Refusal(
            "The pool {0} on these units was destroyed; nothing was changed.".format(pool),
            [describe(one, places) for one in named],
            "Decide by hand whether to recover it: `zpool import -D` lists it.",
        )
    raise Refusal(
        "No pool {0} is on the declared units; nothing was changed.".format(pool),
        _what_is_there(found, layout, places),
        "Check the pool's name and the declared drives, or build a new pool.",
    )


def _what_is_there(found: Mapping[str, Candidate], layout: Layout, places: Places) -> List[str]:
    total = len(_members(layout))
    lines = [describe(one, places) for one in sorted(found.values(), key=lambda one: one.newest.name)]
    holding = {key for one in found.values() for key in one.labels}
    empty = [argv.key_of(member) for member in _members(layout) if argv.key_of(member) not in holding]
    if empty:
        lines.append("{0} of {1} declared units hold no pool: {2}".format(len(empty), total, places.names(empty)))
    return lines


def describe(one: Candidate, places: Places) -> str:
    """A pool in one line: name, GUID, state, last use, and the units that hold it."""
    return "pool {0} (GUID {1}, {2}) on {3}; last used {4}".format(
        one.newest.name, one.guid, one.newest.state, places.names(one.labels), last_use(one)
    )


def last_use(one: Candidate) -> str:
    """By whom a pool was last used, and when: C(by host west1 (host id 00bab10c) at 2026-03-01 12:00:00 UTC)."""
    times = [label.uberblock.timestamp for label in one.labels.values() if label.uberblock]
    return "by host {0} (host id {1:08x}) at {2}".format(
        one.newest.hostname or "without a name", one.newest.hostid, when(max(times)) if times else "an unknown time"
    )


def when(seconds: int) -> str:
    """A time in UTC. What lies outside the calendar is given in seconds since 1970."""
    import datetime

    try:
        moment = datetime.datetime.fromtimestamp(seconds, datetime.timezone.utc)
    except (ValueError, OverflowError, OSError):
        return "{0} s".format(seconds)
    return moment.strftime("%Y-%m-%d %H:%M:%S UTC")


def strangers(
    labels: Labels, chosen: str, layout: Layout, drives: Sequence[Drive], own: FrozenSet[str], places: Places
) -> List[str]:
    """Units that hold another pool, a line each: those of the layout, and those of undeclared drives.

    *own* are the serials that are declared for other use. A destroyed pool does not count.
    """
    members = {argv.key_of(member) for member in _members(layout)}
    serials = {serial for serial, _index in members} | {spare.serial for spare in layout.spares}
    watched = {drive.serial for drive in drives if len(drive.units) > 1 or drive.bay is not None} - serials - own
    lines = []
    for key in sorted(labels):
        label = labels[key]
        if label.pool_guid in ("", chosen) or label.state == "destroyed":
            continue
        if key in members or key[0] in watched:
            lines.append(
                "{0}: holds another pool, {1} (GUID {2}), last used by host {3} (host id {4:08x}){5}".format(
                    places.unit(key), label.name, label.pool_guid, label.hostname or "without a name", label.hostid,
                    "" if key in members else "; the drive is not declared",
                )
            )  # fmt: skip
    return lines


class Comparison:
    """Compares the members of a pool, as its labels have them, with the layout.

    *wrong* has a line for each difference, *missing* gives the missing drives, *beyond* the vdevs of which more
    members are missing than their parity covers. *leaves* are the GUIDs of all members now: a drive that was replaced
    and is still in the chassis holds a label of the pool too, but the newest labels no longer contain it.
    """

    def __init__(self, chosen: Candidate, layout: Layout, places: Places) -> None:
        self.wrong: List[str] = []
        self.beyond: List[str] = []
        self.present: Dict[Key, str] = {}
        self.leaves: FrozenSet[str] = frozenset()
        self._places = places
        self._chosen = chosen
        self._wanted = _wanted(layout)
        self._spares = {argv.key_of(member) for spare in layout.spares for member in spare.members}
        self._lost: List[Key] = []
        self._compare()

    def missing(self, layout: Layout, labels: Labels, drives: Sequence[Drive]) -> Tuple[Missing, ...]:
        """The missing drives, in bay order, with the reason."""
        shown = {(drive.serial, unit.index) for drive in drives for unit in drive.units}
        members = {argv.key_of(member): member for member in _members(layout)}
        grouped: Dict[Tuple[str, str], List[Key]] = {}
        for key in sorted(self._lost):
            grouped.setdefault((key[0], self._why(key, labels, shown)), []).append(key)
        found = [
            Missing(members[keys[0]], tuple(index for _serial, index in keys), why)
            for (_serial, why), keys in grouped.items()
        ]
        return tuple(sorted(found, key=lambda one: (one.member.bay, one.indices)))

    def _why(self, key: Key, labels: Labels, shown: Iterable[Key]) -> str:
        if key not in shown:
            return "not on the host"
        label = labels.get(key)
        if label is None:
            return "on the host, but without a pool label"
        if label.pool_guid == self._chosen.guid:
            return "was a member of this pool and has been replaced since"
        return "has no label of this pool"

    def _compare(self) -> None:
        tops = newest_tops(self._chosen)
        self.leaves = frozenset(leaf.guid for tree in tops.values() for leaf in tree.leaves)
        homes: Dict[int, str] = {}
        for guid in sorted(tops, key=lambda one: self._places.names(self._units(tops[one]).values())):
            number = self._home(tops[guid])
            if number is None or number in homes:
                self.wrong.append(
                    "units {0} form a vdev that is not in the layout".format(
                        self._places.names(self._units(tops[guid]).values())
                    )
                )
                continue
            homes[number] = guid
            self._compare_vdev(tops[guid], self._wanted[number])
        for number, vdev in enumerate(self._wanted):
            if number not in homes:
                self._count_missing(vdev, set(), vdev.width)

    def _units(self, tree: LabelVdev) -> Dict[str, Key]:
        """The units that hold leaves of a tree, by the leaf's GUID."""
        leaves = {leaf.guid for leaf in tree.leaves}
        return {label.guid: key for key, label in self._chosen.labels.items() if label.guid in leaves}

    def _home(self, tree: LabelVdev) -> Optional[int]:
        """The planned vdev that shares most units with a tree."""
        units = set(self._units(tree).values())
        shared = Counter(
            {number: len(units & _keys(vdev)) for number, vdev in enumerate(self._wanted) if units & _keys(vdev)}
        )
        return shared.most_common(1)[0][0] if shared else None

    def _compare_vdev(self, tree: LabelVdev, vdev: Vdev) -> None:
        units, wanted = self._units(tree), _keys(vdev)
        here: set[Key] = set()
        places_held = 0
        for place in tree.places:
            keys = [units[leaf.guid] for leaf in place.leaves if leaf.guid in units]
            places_held += 1 if keys else 0
            # While a place is replaced or spared, it holds other units besides the planned one.
            beside = bool(wanted & set(keys)) or bool(self._spares & set(keys))
            self.wrong += [self._astray(key, tree, wanted) for key in keys if key not in wanted and not beside]
            here |= set(keys)
        actual, planned = _shape(tree.kind, tree.nparity), _shape(vdev.kind, vdev.parity)
        if actual != planned or len(tree.places) != vdev.width:
            self.wrong.append(
                "the vdev of {0}: planned {1} of {2} members, actual {3} of {4}".format(
                    self._places.names(here), planned, vdev.width, actual, len(tree.places)
                )
            )
        self.present.update({key: guid for guid, key in units.items()})
        self._count_missing(vdev, here, len(tree.places) - places_held)

    def _astray(self, key: Key, tree: LabelVdev, wanted: FrozenSet[Key]) -> str:
        others = [one for one in self._units(tree).values() if one in wanted]
        home = next((vdev for vdev in self._wanted if key in _keys(vdev)), None)
        return "{0}: is a member of the vdev of {1}, {2}".format(
            self._places.unit(key),
            self._places.names(others),
            "declared for the vdev of {0}".format(self._places.names(_keys(home))) if home else "and is not declared",
        )

    def _count_missing(self, vdev: Vdev, here: Iterable[Key], lost: int) -> None:
        self._lost += sorted(_keys(vdev) - set(here))
        if lost > vdev.parity:
            self.beyond.append(
                "the vdev of {0}: missing members: {1}, tolerated: {2}".format(
                    self._places.names(_keys(vdev)), lost, vdev.parity
                )
            )


def _wanted(layout: Layout) -> Tuple[Vdev, ...]:
    """The top-level vdevs as OpenZFS makes them: each member of a stripe is one."""
    whole = [*layout.vdevs, *(one.vdev for one in layout.support if one.role != "cache")]
    return tuple(
        part
        for vdev in whole
        for part in ([Vdev("stripe", 0, (member,)) for member in vdev.members] if vdev.kind == "stripe" else [vdev])
    )


def _keys(vdev: Vdev) -> FrozenSet[Key]:
    return frozenset(argv.key_of(member) for member in vdev.members)


def _shape(kind: str, parity: int) -> str:
    if kind in ("raidz", "draid"):
        return "{0}{1}".format(kind, parity)
    return "stripe" if kind in ("disk", "file") else kind
