# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""SCSI vital product data pages from bytes (SPC-4 7.8, SBC-4 6.6, SAT-4 12.4.2).

Each page is taken whole, with its 4-byte header, as C(/sys/.../vpd_pgXX) gives it. What
follows the length stated in the header is ignored. Anything malformed raises DecodeError,
and nothing else is ever raised.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional, Tuple

from ..errors import DecodeError
from .designator import Designator, decode_designators
from .text import clean


@dataclass(frozen=True)
class SerialNumber:
    """Page 80h. *text* is safe to use anywhere and empty when the device states no serial number."""

    raw: bytes
    text: str


@dataclass(frozen=True)
class Characteristics:
    """Page B1h. *rotation* is revolutions per minute, 1 for a non-rotating medium, None when not stated."""

    rotation: Optional[int]
    form_factor: int


@dataclass(frozen=True)
class AtaInformation:
    """Page 89h: what an ATA device behind a SCSI translation reports about itself (IDENTIFY DEVICE)."""

    serial: str
    revision: str
    model: str


def page_body(page: bytes, code: int) -> bytes:
    """The part of a page behind its header. Raises DecodeError on another page's code or a short page."""
    where = "VPD page {0:02X}h".format(code)
    if len(page) < 4:
        raise DecodeError("only {0} bytes".format(len(page)), subject=where)
    if page[1] != code:
        raise DecodeError("the bytes are of page {0:02X}h".format(page[1]), subject=where)
    end = 4 + int.from_bytes(page[2:4], "big")
    if len(page) < end:
        raise DecodeError("{0} bytes where the header says {1}".format(len(page), end), subject=where)
    return page[4:end]


def decode_serial(page: bytes) -> SerialNumber:
    """Page 80h, Unit Serial Number."""
    raw = page_body(page, 0x80)
    return SerialNumber(raw, clean(raw))


def decode_identification(page: bytes) -> Tuple[Designator, ...]:
    """Page 83h, Device Identification: all designators in the order they are reported."""
    return decode_designators(page_body(page, 0x83))


def decode_characteristics(page: bytes) -> Characteristics:
    """Page B1h, Block Device Characteristics."""
    body = page_body(page, 0xB1)
    if len(body) < 4:
        raise DecodeError("only {0} bytes behind the header".format(len(body)), subject="VPD page B1h")
    rate = int.from_bytes(body[0:2], "big")
    known = rate == 1 or 0x401 <= rate <= 0xFFFE
    return Characteristics(rate if known else None, body[3] & 15)


def decode_ata_information(page: bytes) -> AtaInformation:
    """Page 89h, ATA Information. Raises DecodeError when it carries no IDENTIFY DEVICE data."""
    body = page_body(page, 0x89)
    if len(body) < 568:
        raise DecodeError("only {0} bytes behind the header".format(len(body)), subject="VPD page 89h")
    if body[52] != 0xEC:
        raise DecodeError(
            "the data are of ATA command {0:02X}h, not IDENTIFY DEVICE".format(body[52]), subject="VPD page 89h"
        )
    identify = body[56:568]
    return AtaInformation(_words(identify, 10, 20), _words(identify, 23, 27), _words(identify, 27, 47))


def _words(identify: bytes, first: int, end: int) -> str:
    """Text in ATA's words, each with its two bytes swapped (ACS-4 3.4.9)."""
    part = bytearray(identify[2 * first : 2 * end])
    part[0::2], part[1::2] = part[1::2], part[0::2]
    return clean(bytes(part))
