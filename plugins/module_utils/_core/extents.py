# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the partitions of a drive that splits by range begin and end. Pure.

One GPT partition for each range, aligned to 1 MiB, within its range, clear of both partition tables
(UEFI 2.10, 5.3: protective MBR, header and 16 KiB of entries at the start, entries and header at the end).
"""

from __future__ import annotations

from typing import Sequence, Tuple

from .errors import InputError

ALIGNMENT = 1 << 20
_ENTRIES = 16 << 10


def partition_extents(
    ranges: Sequence[Tuple[int, int]], size: int, logical_block: int = 512
) -> Tuple[Tuple[int, int], ...]:
    """(start, size) in bytes of the partition of each range (start, size), on a disk of *size* bytes.

    Raises InputError when a range has no room for an aligned partition.
    """
    first = 2 * logical_block + _ENTRIES
    last = size - logical_block - _ENTRIES
    found = []
    for number, (start, length) in enumerate(ranges):
        begin = -(-max(start, first) // ALIGNMENT) * ALIGNMENT
        end = min(start + length, last) // ALIGNMENT * ALIGNMENT
        if end <= begin:
            raise InputError(
                "range {0} of {1} bytes from byte {2} has no room for a partition".format(number, length, start),
                subject="ranges",
                remedy="Declare the ranges as the drive's data sheet gives them.",
            )
        found.append((begin, end - begin))
    return tuple(found)
