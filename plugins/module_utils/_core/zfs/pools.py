# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The few calls that read pools from a host, with any supported OpenZFS."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Dict, Optional, Tuple

from ..errors import CoreError, HostError
from ..host.run import Runner, checked
from . import status_json, status_text
from .tree import PoolTree

_VERSION = re.compile(r"zfs-([0-9]+)\.([0-9]+)(?:\.([0-9]+))?")
OLDEST = (2, 1)
FIRST_WITH_JSON = (2, 3)
_REMEDY = "Reading pools needs root, or access to /dev/zfs."


@dataclass(frozen=True)
class ZfsVersion:
    """The installed OpenZFS: user-space tools, and the loaded kernel module when known."""

    tools: Tuple[int, int, int]
    module: str
    text: str

    @property
    def has_json(self) -> bool:
        """Whether C(zpool status -j) exists."""
        return self.tools[:2] >= FIRST_WITH_JSON


def version(runner: Runner) -> ZfsVersion:
    """The version of OpenZFS. Raises HostError when it is absent, not loaded or too old."""
    result = runner(("zpool", "version"))
    text = (result.stdout + result.stderr).strip()
    match = _VERSION.search(text)
    if match is None:
        raise HostError(
            "zpool does not report its version: {0}".format(text or "no output"),
            subject="OpenZFS",
            remedy="OpenZFS {0}.{1} or newer is needed.".format(*OLDEST),
        )
    numbers = tuple(int(part or 0) for part in match.groups())
    found = ZfsVersion((numbers[0], numbers[1], numbers[2]), _module_version(text), text.splitlines()[0])
    if found.tools[:2] < OLDEST:
        raise HostError(
            "{0} is too old".format(found.text),
            subject="OpenZFS",
            remedy="Version {0}.{1} or newer is needed.".format(*OLDEST),
        )
    if result.rc != 0 or not found.module:
        raise HostError(
            "the zfs kernel module is not loaded",
            subject="OpenZFS",
            remedy="Run `modprobe zfs`; the role prerequisites does this and builds the module when it is missing.",
        )
    return found


def _module_version(text: str) -> str:
    match = re.search(r"zfs-kmod-(\S+)", text)
    return match.group(1) if match else ""


def read_pools(runner: Runner, zfs: Optional[ZfsVersion] = None) -> Tuple[PoolTree, ...]:
    """All imported pools, by name. Raises HostError, CommandError or DecodeError.

    Where a release's JSON cannot be read or leaves out kind or state of a node, its text is read instead.
    """
    zfs = zfs or version(runner)
    if not zfs.has_json:
        return _from_text(runner)
    output = checked(runner, status_json.ARGV, _REMEDY)
    if status_json.fit(output):
        return status_json.read(output)
    try:
        return _from_text(runner)
    except CoreError:
        # The part of the JSON that can be read is right; what it leaves out never counts as healthy.
        return status_json.read(output)


def _from_text(runner: Runner) -> Tuple[PoolTree, ...]:
    guids = pool_guids(runner)
    if not guids:
        return ()
    return status_text.read(
        checked(runner, status_text.ARGV, _REMEDY),
        checked(runner, status_text.GUID_ARGV, _REMEDY),
        guids,
    )


def pool_guids(runner: Runner) -> Dict[str, str]:
    """Pool name to pool GUID for every imported pool."""
    text = checked(runner, ("zpool", "list", "-H", "-p", "-o", "name,guid"))
    return dict(line.split("\t") for line in text.splitlines() if line.count("\t") == 1)
