# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Gives OpenZFS time to open devices while udev still handles them.

After OpenZFS has partitioned a disk, udev reads the table again and the partition is gone for a moment. OpenZFS tries
for C(zfs_vdev_open_timeout_ms) (zfs(4): 1000), which is too short on a busy host with many units: the creation then
fails with "one or more devices is currently unavailable". It happened on the virtual server with 24 units.
"""

from __future__ import annotations

from contextlib import contextmanager
from typing import Iterator

PARAMETER = "/sys/module/zfs/parameters/zfs_vdev_open_timeout_ms"
PATIENT_MS = 60000


@contextmanager
def patient_opens(path: str = PARAMETER, milliseconds: int = PATIENT_MS) -> Iterator[None]:
    """Raise the time limit while the block runs, then restore the former one.

    An OpenZFS without the parameter is left as it is.
    """
    try:
        former = _exchange(path, str(milliseconds))
    except OSError:
        yield
        return
    try:
        yield
    finally:
        _exchange(path, former)


def _exchange(path: str, value: str) -> str:
    with open(path, "r+", encoding="ascii") as handle:
        former = handle.read().strip()
        handle.seek(0)
        handle.write(value + "\n")
    return former
