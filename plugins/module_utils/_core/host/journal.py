# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Remembers that the creation of a pool has begun, so that an interrupted one can be finished.

Before the first write, the units that were found empty are noted here, and the note is removed
when the pool has been verified. A noted unit that holds nothing but OpenZFS's own two partitions,
without any label or signature in them, is then known to be a leftover of that creation.
"""

from __future__ import annotations

import json
import os
from contextlib import suppress
from typing import FrozenSet, Sequence

from .files import write_atomically

PATH = "/var/lib/evenkeel/split_actuator/creation.json"


def begin(pool: str, wwns: Sequence[str], path: str = PATH) -> None:
    """Note that the units with these WWNs were found empty and *pool* is about to be created on them."""
    os.makedirs(os.path.dirname(path), mode=0o755, exist_ok=True)
    write_atomically(path, json.dumps({"version": 1, "pool": pool, "wwns": sorted(wwns)}) + "\n", 0o600)


def begun(pool: str, path: str = PATH) -> FrozenSet[str]:
    """The WWNs of the units on which the creation of *pool* began; empty when none is unfinished.

    A note that cannot be read counts as none: its units are then refused like any others.
    """
    try:
        with open(path, encoding="utf-8") as handle:
            note = json.load(handle)
        if note["version"] != 1 or note["pool"] != pool:
            return frozenset()
        return frozenset(str(wwn) for wwn in note["wwns"] if wwn)
    except (OSError, ValueError, KeyError, TypeError):
        return frozenset()


def finish(path: str = PATH) -> None:
    """Remove the note."""
    with suppress(FileNotFoundError):
        os.unlink(path)
