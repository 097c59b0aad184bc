# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Concurrent positioning ranges from bytes: VPD page B9h (SBC-5) and ATA log 47h (ACS-5).

Both have a 64-byte header and 32-byte descriptors; the page is big-endian, the log
little-endian. Anything malformed raises DecodeError, and nothing else is ever raised.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Sequence, Tuple

from ..errors import DecodeError
from .vpd import page_body

_HEADER, _DESCRIPTOR = 64, 32


@dataclass(frozen=True)
class AccessRange:
    """One range as the device states it; *start* and *count* in logical blocks."""

    number: int
    elements: int
    start: int
    count: int


def decode_ranges_page(page: bytes) -> Tuple[AccessRange, ...]:
    """The descriptors of page B9h, in the order they are reported."""
    body = page_body(page, 0xB9)
    if len(body) < _HEADER - 4 or (len(body) + 4) % _DESCRIPTOR:
        raise DecodeError("the page length {0} is not 60 + 32 n".format(len(body)), subject="VPD page B9h")
    return _descriptors(body[_HEADER - 4 :], "big")


def decode_ranges_log(log: bytes) -> Tuple[AccessRange, ...]:
    """The descriptors of ATA log 47h; padding behind the stated number of them is ignored."""
    if len(log) < _HEADER:
        raise DecodeError("only {0} bytes".format(len(log)), subject="ATA log 47h")
    end = _HEADER + log[0] * _DESCRIPTOR
    if len(log) < end:
        raise DecodeError("{0} bytes where {1} ranges need {2}".format(len(log), log[0], end), subject="ATA log 47h")
    return _descriptors(log[_HEADER:end], "little")


def _descriptors(body: bytes, order: str) -> Tuple[AccessRange, ...]:
    def number(part: bytes) -> int:
        return int.from_bytes(part, "big" if order == "big" else "little")

    parts = [body[at : at + _DESCRIPTOR] for at in range(0, len(body), _DESCRIPTOR)]
    return tuple(AccessRange(one[0], one[1], number(one[8:16]), number(one[16:24])) for one in parts)


def check_ranges(ranges: Sequence[AccessRange], capacity: int) -> Tuple[AccessRange, ...]:
    """The same ranges when Linux would accept them for a unit of *capacity* logical blocks.

    Numbers must run 0, 1, 2, …; the ranges must follow each other without a gap and cover
    the capacity exactly (drivers/scsi/sd.c and block/blk-ia-ranges.c of Linux 6.1). One
    range, or none, is an ordinary unit: the result is empty. Raises DecodeError otherwise.
    """
    at = 0
    for expected, one in enumerate(ranges):
        if one.number != expected:
            raise DecodeError("range {0} is numbered {1}".format(expected, one.number), subject="access ranges")
        if one.start != at or one.count == 0:
            raise DecodeError(
                "range {0} has {1} blocks from {2}, where {3} is next".format(expected, one.count, one.start, at),
                subject="access ranges",
            )
        at += one.count
    if ranges and at != capacity:
        raise DecodeError("the ranges end at block {0} of {1}".format(at, capacity), subject="access ranges")
    return tuple(ranges) if len(ranges) > 1 else ()
