# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Checks of datasets before and after those of a pool are mounted."""

from __future__ import annotations

from typing import Tuple

from ..errors import Refusal
from ..host.run import Runner, checked

_LIST = ("zfs", "list", "-H", "-t", "filesystem", "-o", "name,canmount,mountpoint,mounted,keystatus")


def refuse_others(run: Runner, pool: str) -> None:
    """Refuse when C(zfs mount -a) would mount datasets of other pools than *pool* as well.

    OpenZFS mounts the datasets of all pools or single ones, and those of a pool are known only once it is imported.
    C(zfs mount -R) of OpenZFS 2.3 fails when any key below is not loaded.
    """
    rows = [line.split("\t") for line in checked(run, _LIST).splitlines() if line.count("\t") == 4]
    waiting = [
        name
        for name, canmount, place, mounted, key in rows
        if name.split("/")[0] != pool
        and (canmount, mounted) == ("on", "no")
        and place.startswith("/")
        and key != "unavailable"
    ]
    if waiting:
        raise Refusal(
            "Mounting pool {0} would mount datasets of other pools as well; nothing was changed.".format(pool),
            ["{0} is not mounted".format(name) for name in waiting],
            "Mount them, or set canmount=noauto on those that are to stay unmounted, and run again.",
        )


def locked(run: Runner, pool: str) -> Tuple[str, ...]:
    """Datasets of a pool whose encryption key is not loaded."""
    text = checked(run, ("zfs", "get", "-H", "-r", "-t", "filesystem,volume", "-o", "name,value", "keystatus", pool))
    pairs = [line.split("\t") for line in text.splitlines() if line.count("\t") == 1]
    return tuple(name for name, value in pairs if value == "unavailable")
