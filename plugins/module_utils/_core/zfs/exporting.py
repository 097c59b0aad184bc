# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Exports a pool, if it is the requested one."""

from __future__ import annotations

from typing import Optional

from ..errors import CoreError, Refusal
from ..host.run import Command, carry_out
from . import argv
from .access import Access
from .actions import Outcome
from .current import current_pools
from .pools import pool_guids, version
from .resolve import Pool

CACHE_FILE = "/etc/zfs/zpool.cache"


def ensure_exported(access: Access, pool: str, guid: str, check_mode: bool) -> Outcome:
    """Export the pool when it is imported. Raises Refusal for a suspended pool or another GUID."""
    argv.pool_name(pool)
    zfs = version(access.run)
    pools = {one.name: one for one in current_pools(access, zfs, access.drives(), ())}
    found: Optional[Pool] = pools.get(pool)
    if found is None:
        return Outcome(False, (), "", "")
    if found.suspended:
        raise Refusal(
            "Pool {0} is suspended; nothing was changed.".format(pool),
            [found.status or "OpenZFS gives no reason"],
            "Bring its drives back, then run `zpool clear {0}`. Exporting it now would hang.".format(pool),
        )
    if guid not in ("", found.guid):
        raise Refusal(
            "Pool {0} does not have the requested GUID; nothing was changed.".format(pool),
            ["its GUID is {0}, but {1} was requested".format(found.guid, guid)],
            "Correct guid.",
        )
    commands = (Command(("zpool", "export", pool), "export pool {0}".format(pool)),)
    before, after = imported_line(found, ""), "pool {0}: not imported\n".format(pool)
    if not check_mode:
        carry_out(access.run, commands)
        if pool in pool_guids(access.run):
            raise CoreError("zpool export succeeded, but the pool is still imported", subject="pool {0}".format(pool))
    return Outcome(True, commands, before, after, None if not check_mode else found)


def imported_line(pool: Pool, cachefile: str) -> str:
    """A line for a diff: the pool is imported, and which cache file lists it (empty: left out)."""
    kept = ", cache file {0}".format(CACHE_FILE if cachefile == "-" else cachefile) if cachefile else ""
    return "pool {0} (GUID {1}): imported{2}\n".format(pool.name, pool.guid, kept)
