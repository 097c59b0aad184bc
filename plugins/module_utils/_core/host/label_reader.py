# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Reads the pool labels of devices, without writing and without starting a program.

Reads bypass the page cache where the device allows it: another host may write to it meanwhile.
"""

from __future__ import annotations

import errno
import mmap
import os
import time
from concurrent.futures import ThreadPoolExecutor
from typing import Dict, FrozenSet, Iterable, List, Optional, Sequence, Tuple

from ..errors import DecodeError
from ..zfs import labels
from ..zfs.labels import Label

# Disks answer independently; reading a few at once takes seconds for a chassis of hundreds of units.
_AT_ONCE = 16
# zfs(4): a pool in use writes every zfs_txg_timeout (5 s) when there is anything to write, one that is guarded
# (multihost) writes to each of its devices in turn within multihost_interval (1 s).
WATCH_SECONDS = 12.0


def read_labels(nodes: Iterable[str]) -> Dict[str, Optional[Label]]:
    """The newest label on each device node; None where there is no valid one, or the device cannot be read."""
    wanted = sorted(set(nodes))
    with ThreadPoolExecutor(max_workers=_AT_ONCE) as workers:
        return dict(zip(wanted, workers.map(read_newest, wanted)))


def read_newest(node: str) -> Optional[Label]:
    """The newest of the four labels of a device or file, or None."""
    try:
        handle = _open(node)
    except OSError:
        return None
    try:
        return labels.best(_sound_labels(handle))
    except OSError:
        return None
    finally:
        os.close(handle)


def changing(nodes: Sequence[str], seconds: float = WATCH_SECONDS) -> FrozenSet[str]:
    """The devices whose newest uberblock changes within *seconds*: some host writes to their pool."""
    before = read_labels(nodes)
    time.sleep(seconds)
    after = read_labels(nodes)
    return frozenset(node for node in before if _rank(before[node]) != _rank(after[node]))


def _rank(label: Optional[Label]) -> Tuple[int, ...]:
    return label.uberblock.rank if label and label.uberblock else ()


def _open(node: str) -> int:
    flags = os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK
    try:
        return os.open(node, flags | os.O_DIRECT)
    except OSError as error:
        if error.errno != errno.EINVAL:
            raise
        return os.open(node, flags)


def _sound_labels(handle: int) -> List[Label]:
    found: List[Label] = []
    known: Dict[bytes, Label] = {}
    # Direct reads need aligned memory, which a mapping is.
    with mmap.mmap(-1, labels.SIZE) as room:
        for offset in labels.offsets(os.lseek(handle, 0, os.SEEK_END)):
            try:
                if os.preadv(handle, [room], offset) == labels.SIZE:
                    found.append(labels.read_label(room[:], offset, known))
            except (DecodeError, OSError):
                # A damaged label does not matter while one of the other three is valid.
                continue
    return found
