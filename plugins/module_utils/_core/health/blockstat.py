# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The block layer's counters of one device. Pure.

Fields: Linux, Documentation/block/stat.rst. Sectors there are 512 bytes whatever the device's block size.
"""

from __future__ import annotations

from dataclasses import dataclass

from ..errors import DecodeError

_SECTOR = 512
_LEAST = 11  # kernels before 4.18 have no discards, before 5.5 no flushes


@dataclass(frozen=True)
class BlockStat:
    """Counts since the device appeared: operations, bytes, and seconds.

    *read_seconds* and the like are the sum of all requests' durations; *busy_seconds* is the time with at least one
    request in progress; *queued_seconds* weights that with their number; *in_flight* is their present number.
    """

    reads: int = 0
    read_bytes: int = 0
    read_seconds: float = 0.0
    writes: int = 0
    written_bytes: int = 0
    write_seconds: float = 0.0
    in_flight: int = 0
    busy_seconds: float = 0.0
    queued_seconds: float = 0.0
    discards: int = 0
    discarded_bytes: int = 0
    discard_seconds: float = 0.0
    flushes: int = 0
    flush_seconds: float = 0.0


def read_stat(text: str) -> BlockStat:
    """The counts in a C(stat) attribute. Raises DecodeError when its format is not known."""
    words = text.split()
    if len(words) < _LEAST or not all(word.isascii() and word.isdigit() for word in words):
        raise DecodeError("the block layer's stat has an unknown format: {0!r}".format(text[:200]))
    fields = [int(word) for word in words] + [0] * 17
    return BlockStat(
        reads=fields[0],
        read_bytes=fields[2] * _SECTOR,
        read_seconds=fields[3] / 1000.0,
        writes=fields[4],
        written_bytes=fields[6] * _SECTOR,
        write_seconds=fields[7] / 1000.0,
        in_flight=fields[8],
        busy_seconds=fields[9] / 1000.0,
        queued_seconds=fields[10] / 1000.0,
        discards=fields[11],
        discarded_bytes=fields[13] * _SECTOR,
        discard_seconds=fields[14] / 1000.0,
        flushes=fields[15],
        flush_seconds=fields[16] / 1000.0,
    )
