# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The commands that clear a unit. A person has listed its drive for erasing, by serial.

Every command opens its device exclusively (util-linux C(blkdiscard) since 2.36 and C(wipefs)
do so by default), so that the kernel refuses whatever is mounted, held or part of a pool.
This removes what identifies the old contents; it is not sanitisation.
"""

from __future__ import annotations

from typing import List, Sequence, Tuple

from ..host.run import Command

# A pool's labels: two of 256 KiB at each end (module/zfs/vdev_label.c); whole MiBs serve any sector size.
_SPAN = 1 << 20
_LABEL = 1 << 18
_LEAST = 64 << 20


def commands(node: str, partitions: Sequence[Tuple[str, int]], size: int, subject: str) -> List[Command]:
    """Clear the partitions (device node, bytes) of a unit, then the unit itself.

    *subject* names bay, serial and unit for whoever reads the list.
    """
    out: List[Command] = []
    # OpenZFS takes nothing below 64 MiB (SPA_MINDEVSIZE), so smaller partitions hold no label.
    labelled = [(device, length) for device, length in partitions if length >= _LEAST]
    for device, length in [*labelled, (node, size)]:
        out += clear_labels(device, 0, length, subject)
    out.append(Command(("wipefs", "--all", node), "clear signatures and partition table of {0}".format(subject)))
    return out


def clear_labels(device: str, start: int, length: int, subject: str) -> List[Command]:
    """Clear any pool labels on the part of a device that starts at byte *start*."""
    return [
        Command(
            (
                "blkdiscard",
                "--zeroout",
                "--offset",
                str(start + offset),
                "--length",
                str(min(_SPAN, length)),
                device,
            ),
            "clear pool labels of {0}".format(subject),
        )
        for offset in _offsets(length)
    ]


def _offsets(length: int) -> List[int]:
    """Where the first and the last span begin; one span when the device is no larger than that."""
    if length <= _SPAN:
        return [0]
    # OpenZFS counts its last two labels from the size rounded down to a label's size.
    return [0, length // _LABEL * _LABEL - _SPAN]
