# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Remembers which drive is being replaced, so that an interrupted replacement can be continued at any step.

The pool itself shows most of it. The notes have the rest: the drive of a leaf whose device is missing or has a
successor in the same bay, and the drive that was found free to replace it.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from typing import Sequence, Tuple

from ..errors import InputError
from ..plain import from_plain, to_plain
from .files import write_atomically

PATH = "/var/lib/evenkeel/split_actuator/replacements.json"
_VERSION = 1
_MOST = 200


@dataclass(frozen=True)
class NotedLeaf:
    """A leaf of the leaving drive: GUID, unit index, and the vdev that it was in."""

    guid: str
    index: int
    vdev: str


@dataclass(frozen=True)
class ReplacementNote:
    """One replacement of a drive.

    *absent* are the serials of other members' drives that were not on the host when it began. *wwns* are those of
    the entering drive's units, which were free when it entered; *entered* are its leaves.
    """

    pool_guid: str
    serial: str
    bay: str
    leaves: Tuple[NotedLeaf, ...]
    hot: bool = False
    absent: Tuple[str, ...] = ()
    entering: str = ""
    entering_bay: str = ""
    wwns: Tuple[str, ...] = ()
    entered: Tuple[NotedLeaf, ...] = ()
    done: bool = False


def read(path: str = PATH) -> Tuple[ReplacementNote, ...]:
    """All notes, oldest first. A file that cannot be read counts as empty: the pool's own state remains."""
    try:
        with open(path, encoding="utf-8") as handle:
            data = json.load(handle)
        if data["version"] != _VERSION:
            return ()
        return tuple(from_plain(ReplacementNote, one, "replacements") for one in data["replacements"])
    except (OSError, ValueError, KeyError, TypeError, InputError):
        return ()


def keep(note: ReplacementNote, path: str = PATH) -> None:
    """Write a note, replacing an earlier one on the same leaves."""
    _write([*_others(note, path), note], path)


def drop(note: ReplacementNote, path: str = PATH) -> None:
    """Forget a note."""
    _write(_others(note, path), path)


def _others(note: ReplacementNote, path: str) -> Sequence[ReplacementNote]:
    ours = {leaf.guid for leaf in note.leaves}
    return [
        one for one in read(path) if one.pool_guid != note.pool_guid or not ours & {leaf.guid for leaf in one.leaves}
    ]


def _write(notes: Sequence[ReplacementNote], path: str) -> None:
    os.makedirs(os.path.dirname(path), mode=0o755, exist_ok=True)
    text = json.dumps({"version": _VERSION, "replacements": to_plain(list(notes)[-_MOST:])}, indent=1)
    write_atomically(path, text + "\n", 0o600)
