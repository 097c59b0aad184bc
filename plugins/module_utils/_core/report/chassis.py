# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The map of each chassis: every bay, what sits in it, and what each unit is for. Pure.

A unit is coloured by its vdev (its *tone*) and lettered with it (its *mark*), so that the colour is never
the only sign. A unit or bay that is not healthy has a *word* for its state.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import Any, Dict, Iterator, List, Mapping, Optional, Sequence, Set, Tuple

from ..errors import InputError
from ..model import Bay, Member
from ..record import HostRecord
from . import words

TONES = 8
FULL_ROW = 12
NO_TONE = -1

Key = Tuple[str, int]  # serial, unit index

# Classes of a unit's state, for the pages' style.
FINE, LOST, RESILVERING, ERRORS, IDLE, ABSENT = "fine", "lost", "resilvering", "errors", "idle", "absent"


@dataclass(frozen=True)
class UnitCell:
    """A unit in the map. *word* is empty for a healthy unit; *said* is all of it in words."""

    index: int
    name: str
    mark: str
    tone: int
    state: str
    word: str
    said: str


@dataclass(frozen=True)
class BayCell:
    """A bay in the map. *word* says what is unusual about the bay itself; *errors* and *warnings* count findings."""

    label: str
    short: str
    serial: str
    tail: str
    word: str
    units: Tuple[UnitCell, ...]
    errors: int = 0
    warnings: int = 0


@dataclass(frozen=True)
class Chassis:
    """One enclosure, its bays in order, and the number of bays in a row."""

    name: str
    bays: Tuple[BayCell, ...]
    columns: int


@dataclass(frozen=True)
class Place:
    """What a unit is for: the vdev's mark and tone, its name, and its state in the pool."""

    mark: str
    tone: int
    vdev: str
    state: str = FINE
    word: str = ""


class Places:
    """Looks up what each unit of a record is for: in the pool, else in the layout."""

    def __init__(self, record: HostRecord) -> None:
        self.vdevs: List[Tuple[str, str]] = []  # mark, name
        self._at: Dict[Key, Place] = {}
        self._indices: Dict[str, Set[int]] = defaultdict(set)
        if record.pool is not None:
            self._read_pool(record.pool)
        elif record.layout is not None:
            for number, vdev in enumerate(record.layout.vdevs):
                name = "{0}-{1}".format(vdev.keyword or vdev.kind, number)
                self._add_vdev(name, (((one.serial, one.index), FINE, "") for one in vdev.members))
        if record.layout is not None:
            for spare in record.layout.spares:
                self._add_spare(spare.members)
        for serial, index in self._at:
            self._indices[serial].add(index)

    def of(self, serial: str, index: int) -> Optional[Place]:
        """What this unit is for; None when it is for nothing."""
        return self._at.get((serial, index))

    def indices(self, serial: str) -> Set[int]:
        """The units of this drive that are for something."""
        return self._indices.get(serial, set())

    def _add_vdev(self, name: str, members: Iterator[Tuple[Key, str, str]]) -> None:
        number, mark = len(self.vdevs), words.mark(len(self.vdevs))
        self.vdevs.append((mark, name))
        for key, state, word in members:
            self._at[key] = Place(mark, number % TONES, name, state, word)

    def _read_pool(self, pool: Mapping[str, Any]) -> None:
        for vdev in pool["vdevs"]:
            found = (member for slot in vdev["slots"] for member in slot["members"] if member["serial"])
            states = (((one["serial"], one["index"]), *member_state(one)) for one in found)
            self._add_vdev(vdev["name"], states)
        for one in pool.get("spares", ()):
            # A spare in use is also a member of a vdev, which says more.
            if one["serial"] and (one["serial"], one["index"]) not in self._at:
                self._at[(one["serial"], one["index"])] = Place("S", NO_TONE, "spares", *_spare_state(one))

    def _add_spare(self, members: Sequence[Member]) -> None:
        for one in members:
            self._at.setdefault((one.serial, one.index), Place("S", NO_TONE, "spares", IDLE, "spare"))


def member_state(one: Mapping[str, Any]) -> Tuple[str, str]:
    """Class and word of a pool member's state."""
    if not one["serving"]:
        if one["state"] == "ONLINE":
            return RESILVERING, "resilvering"
        return LOST, str(one["state"]).lower()
    if one.get("read_errors") or one.get("write_errors") or one.get("checksum_errors"):
        return ERRORS, "errors"
    if one["role"] == "outgoing":
        return ERRORS, "outgoing"
    if one["role"] == "spare":
        return FINE, "in use"
    return (FINE, "") if one["state"] in ("ONLINE", "AVAIL", "INUSE") else (ERRORS, str(one["state"]).lower())


def _spare_state(one: Mapping[str, Any]) -> Tuple[str, str]:
    return (IDLE, "spare") if one["state"] in ("AVAIL", "ONLINE", "INUSE") else (LOST, str(one["state"]).lower())


def bay_label(drive: Mapping[str, Any]) -> str:
    """The bay of a drive as plain data; empty when it is not known."""
    bay = drive.get("bay")
    return Bay(bay["enclosure"], bay["slot"]).label if bay else ""


def maps(record: HostRecord, places: Places, columns: int = 0) -> Tuple[Chassis, ...]:
    """The map of each enclosure. *columns*: bays in a row; 0 chooses."""
    held: Dict[str, List[Mapping[str, Any]]] = defaultdict(list)
    for drive in record.drives:
        if bay_label(drive):
            held[bay_label(drive)].append(drive)
    counts = _finding_counts(record)
    homes: Dict[str, List[Tuple[Bay, BayCell]]] = defaultdict(list)
    for label in dict.fromkeys([*record.bays, *record.declared, *sorted(held)]):
        try:
            bay = Bay.parse(label)
        except InputError:
            continue
        cell = _cell(label, bay, record.declared.get(label) or {}, held.get(label, []), places, counts)
        if label in record.bays or cell.units:
            homes[bay.enclosure].append((bay, cell))
    return tuple(
        Chassis(home, tuple(cell for _bay, cell in sorted(cells, key=lambda pair: pair[0])), _columns(cells, columns))
        for home, cells in sorted(homes.items())
    )


def _columns(cells: Sequence[Any], columns: int) -> int:
    if columns:
        return columns
    whole = [n for n in range(6, FULL_ROW + 1) if len(cells) % n == 0]
    return whole[-1] if whole else min(FULL_ROW, max(1, len(cells)))


def _finding_counts(record: HostRecord) -> Dict[Tuple[str, str], int]:
    counts: Dict[Tuple[str, str], int] = defaultdict(int)
    for one in record.findings:
        if one.bay:
            counts[(one.bay, one.severity)] += 1
    return counts


def _cell(
    label: str,
    bay: Bay,
    wanted: Mapping[str, Any],
    held: Sequence[Mapping[str, Any]],
    places: Places,
    counts: Mapping[Tuple[str, str], int],
) -> BayCell:
    expected = str(wanted.get("serial", ""))
    found = held[0] if held else None
    serial = str(found["serial"]) if found else expected
    nodes = {unit["index"] for unit in found["units"]} if found else set()
    declared = wanted.get("unit_count", 0) if serial == expected else 0
    several = max(declared, (found or {}).get("expected_units", 0))
    indices = sorted(nodes | set(range(several)) | (places.indices(serial) if serial else set()))
    return BayCell(
        label=label,
        short="{0:02d}".format(bay.slot),
        serial=serial,
        tail=words.tail(serial),
        word=_word(expected, serial, found is not None, len(held)),
        units=tuple(_unit(bay.label, index, index in nodes, places.of(serial, index)) for index in indices),
        errors=counts.get((label, "error"), 0),
        warnings=counts.get((label, "warning"), 0),
    )


def _word(expected: str, serial: str, present: bool, held: int) -> str:
    if held > 1:
        return "{0} drives".format(held)
    if not present:
        return "absent" if expected else "empty"
    if expected and serial != expected:
        return "another drive"
    return "" if expected else "not declared"


def _unit(label: str, index: int, present: bool, place: Optional[Place]) -> UnitCell:
    name = "{0}.{1}".format(label, index)
    if place is None:
        state, word = (IDLE, "unused") if present else (ABSENT, "absent")
        return UnitCell(index, name, "", NO_TONE, state, word, "{0}: {1}".format(name, word))
    state, word = place.state, place.word
    if not present and state in (FINE, IDLE):
        state, word = ABSENT, "absent"
    said = "{0}: {1}".format(name, place.vdev if not word else "{0}, {1}".format(place.vdev, word))
    return UnitCell(index, name, place.mark, place.tone, state, word, said)
