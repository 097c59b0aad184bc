# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Brings the host id to the declared one, unless imported pools know the host by another."""

from __future__ import annotations

import os
from dataclasses import dataclass

from ..errors import Refusal
from ..host import hostid
from ..host.run import Runner
from .pools import pool_guids

_MODULE = "/sys/module/zfs"


@dataclass(frozen=True)
class Identity:
    """The host id before and after; *before* is empty where there was none."""

    changed: bool
    before: str
    after: str


def ensure(runner: Runner, wanted: str, check_mode: bool) -> Identity:
    """Give the host the id *wanted* (eight hexadecimal digits).

    Raises Refusal while pools are imported: OpenZFS writes the new id into them only when it next writes
    their configuration, so a crash would leave them with the old one.
    """
    number = hostid.parse(wanted)
    found, kept = hostid.current(), hostid.in_file()
    if found == number and kept == number:
        return Identity(False, wanted, wanted)
    pools = sorted(pool_guids(runner)) if os.path.exists(_MODULE) and found != number else []
    if pools:
        raise Refusal(
            "Pools are imported under another host id; nothing was changed.",
            ["{0}: imported while the host id is {1}".format(pool, hostid.spell(found) or "not set") for pool in pools],
            'Declare split_actuator_hostid: "{0}", or export the pools first.'.format(hostid.spell(found))
            if found
            else "Export the pools first.",
        )
    if not check_mode:
        hostid.write(number)
    return Identity(True, hostid.spell(found), wanted)
