# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""What a survey changes in the declared drives: no more than is needed to match what was found. Pure.

A drive that is declared and not found keeps its declaration: a survey does not forget a missing drive. Its entry is
edited only if another drive is in its bay, or the drive itself is in another bay.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass, field
from typing import Any, Dict, List, Mapping, Sequence, Set, Tuple

from .declared import read_drives
from .errors import InputError
from .model import Bay

# What a drive reports about itself, in the order of a draft.
_REPORTED = ("serial", "model", "unit_count", "unit_bytes", "wwns", "use")


@dataclass(frozen=True)
class Change:
    """One change of the declared drives.

    *kind*: C(add) (*entry* for *bay*), C(set) (the keys in *entry*; a value of None drops the key),
    C(move) (the entry of *bay* to the bay *to*) or C(remove). *why* is a line that says the reason.
    """

    kind: str
    bay: str
    entry: Mapping[str, Any] = field(default_factory=dict)
    to: str = ""
    why: str = ""


def changes(
    declared: Mapping[Any, Any], drafted: Mapping[str, Mapping[str, Any]], host: str = ""
) -> Tuple[Change, ...]:
    """What to change in C(split_actuator_drives), as it is written, so that it matches what was found.

    *drafted* is what `declared.draft` makes of the found drives. Raises InputError when *declared* is not
    allowed.
    """
    read_drives(declared, host)
    written = {_label(key): dict(entry) for key, entry in declared.items()}
    where = {entry["serial"]: bay for bay, entry in drafted.items()}
    found: List[Change] = []
    taken: Set[str] = set()
    for bay, entry in written.items():
        here = drafted.get(bay)
        now = where.get(entry["serial"], "")
        if here is not None:
            found += _set(bay, entry, here)
        elif now and now not in written:
            taken.add(now)
            found.append(
                Change("move", bay, to=now, why="{0}: serial {1} is in {2} now".format(bay, entry["serial"], now))
            )
            found += _set(now, entry, drafted[now])
        elif now:
            found.append(Change("remove", bay, why="{0}: serial {1} is in {2} now".format(bay, entry["serial"], now)))
    for bay in sorted(set(drafted) - set(written) - taken, key=Bay.parse):
        why = "{0}: holds serial {1}, which was not declared".format(bay, drafted[bay]["serial"])
        found.append(Change("add", bay, drafted[bay], why=why))
    return tuple(found)


def forgotten(declared: Mapping[Any, Any], todo: Sequence[Change], serials: Sequence[str]) -> Tuple[Change, ...]:
    """The changes that remove the entries of drives that are gone for good, apart from those in *todo*."""
    touched = {change.bay for change in todo}
    return tuple(
        Change("remove", _label(key), why="{0}: serial {1} was removed".format(_label(key), entry["serial"]))
        for key, entry in declared.items()
        if entry["serial"] in serials and _label(key) not in touched
    )


def _label(key: Any) -> str:
    return Bay.parse(str(key)).label


def _set(bay: str, entry: Mapping[str, Any], here: Mapping[str, Any]) -> List[Change]:
    same = entry["serial"] == here["serial"]
    if same and _less(entry, here):
        return []
    wanted = {key: here.get(key) or None for key in _REPORTED if key in entry and key in here}
    if same:
        # Keep what the drive does not report now.
        wanted = {key: value for key, value in wanted.items() if value is not None}
    keys = {key: value for key, value in wanted.items() if _plain(entry[key]) != value}
    if not keys:
        return []
    if same:
        why = "{0}: what was found differs in {1}".format(bay, ", ".join(sorted(keys)))
    else:
        why = "{0}: serial {1} was declared, {2} was found".format(bay, entry["serial"], here["serial"])
    return [Change("set", bay, keys, why=why)]


def _less(entry: Mapping[str, Any], here: Mapping[str, Any]) -> bool:
    """Whether the drive shows less than is declared: this is a finding, and the entry is not edited."""
    units = int(entry.get("unit_count", 2))
    return int(here["unit_count"]) < units or len(here["wwns"]) < max(len(entry.get("wwns", ())), 0)


def _plain(value: Any) -> Any:
    return list(value) if isinstance(value, (list, tuple)) else value


def applied(declared: Mapping[Any, Any], todo: Tuple[Change, ...]) -> Dict[Any, Any]:
    """The declared drives after *todo*, with keys as they were written. For verifying an edit of their text."""
    drives = copy.deepcopy(dict(declared))
    for change in todo:
        key = next((written for written in drives if _label(written) == change.bay), change.bay)
        if change.kind == "add":
            drives[key] = dict(change.entry)
        elif change.kind == "remove":
            del drives[key]
        elif change.kind == "move":
            drives = {change.to if written == key else written: entry for written, entry in drives.items()}
        elif change.kind == "set":
            for name, value in change.entry.items():
                if value is None:
                    drives[key].pop(name, None)
                else:
                    drives[key][name] = value
        else:
            raise InputError("{0!r} is not a kind of change".format(change.kind), subject="survey")
    return drives
