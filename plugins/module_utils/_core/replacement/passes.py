# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Starts replacements so that all units are resilvered in one pass."""

from __future__ import annotations

from typing import Mapping, Sequence, Tuple

from ..host.run import Command, Runner, carry_out, checked
from ..zfs.access import Access
from ..zfs.actions import lost_race
from . import places
from .places import Place

_FEATURE = "feature@resilver_defer"


def puts_off(run: Runner, pool: str) -> bool:
    """Whether this pool defers a replacement that begins while a resilver runs."""
    text = checked(run, ("zpool", "get", "-H", "-p", "-o", "value", _FEATURE, pool))
    return text.strip() in ("enabled", "active")


def plan(run: Runner, pool: str, found: Sequence[Place], paths: Mapping[int, str]) -> Tuple[Command, ...]:
    """The commands that replace the units at *found* by those at *paths*, resilvered in one pass.

    Where one place of the drive is resilvering already, the pass restarts together with the others.
    """
    begun = places.replacements(pool, found, paths)
    if begun and len(found) > 1 and puts_off(run, pool):
        return (*begun, places.one_pass(pool))
    return begun


def start(access: Access, commands: Sequence[Command]) -> None:
    """Run the commands of `plan`, giving OpenZFS time for slow devices. Raises CommandError."""
    with access.patience():
        carry_out(access.run, commands, lost_race)
