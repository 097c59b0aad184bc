# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""SCSI designators: the names in VPD page 83h (Device Identification, SPC-4 7.8.6)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Iterable, List, Optional, Sequence, Tuple

from ..errors import DecodeError
from .text import clean

UNIT, PORT, TARGET = 0, 1, 2
"""Associations: what a designator names (the logical unit, the target port, the target device)."""

VENDOR, T10, EUI64, NAA, PORT_NUMBER, PORT_GROUP, UNIT_GROUP, MD5, NAME, PROTOCOL, UUID = range(11)
"""Designator types."""

_KINDS = (
    "vendor", "t10", "eui", "naa", "relative_port", "port_group", "unit_group", "md5", "name", "protocol", "uuid",
)  # fmt: skip
_SIZES = {PORT_NUMBER: (4,), PORT_GROUP: (4,), UNIT_GROUP: (4,), MD5: (16,), EUI64: (8, 12, 16), UUID: (18,)}
_NAA_SIZES = {2: 8, 3: 8, 5: 8, 6: 16}
_NEEDS_BINARY = (EUI64, NAA, PORT_NUMBER, PORT_GROUP, UNIT_GROUP, UUID)


@dataclass(frozen=True)
class Designator:
    """One name. *kind* and *association* are the numbers of SPC; *protocol* is None when not stated."""

    association: int
    kind: int
    code_set: int
    value: bytes
    protocol: Optional[int] = None

    @property
    def world_wide(self) -> bool:
        """Whether the name is unique in the world, not made of vendor, product and serial text."""
        if self.kind == NAA:
            return self.value[0] >> 4 in (2, 5, 6)
        return self.kind in (EUI64, NAME, UUID)

    @property
    def text(self) -> str:
        """The name as the kernel writes it in sysfs: C(naa.5000ace2a1b2c3d4), C(eui.…), C(t10.…), C(uuid.…)."""
        if self.kind == UUID:
            digits = self.value[2:].hex()
            cuts = (0, 8, 12, 16, 20, 32)
            return "uuid." + "-".join(digits[a:b] for a, b in zip(cuts, cuts[1:]))
        if self.kind == NAME:
            return clean(self.value)
        kind = _KINDS[self.kind] if self.kind < len(_KINDS) else "type{0}".format(self.kind)
        body = clean(self.value) if self.code_set in (2, 3) else self.value.hex()
        return "{0}.{1}".format(kind, body)


def decode_designators(body: bytes) -> Tuple[Designator, ...]:
    """The designators in *body*, the part of page 83h behind its 4-byte header.

    Zeros behind the last one are padding. Raises DecodeError when a designator is cut off or has a
    length its type does not allow.
    """
    found: List[Designator] = []
    at = 0
    while any(body[at:]):
        if at + 4 > len(body):
            raise DecodeError("a designator header is cut off at byte {0}".format(at), subject="VPD page 83h")
        length = body[at + 3]
        if at + 4 + length > len(body):
            raise DecodeError("a designator is cut off at byte {0}".format(at), subject="VPD page 83h")
        found.append(_decode(body[at : at + 4], body[at + 4 : at + 4 + length]))
        at += 4 + length
    return tuple(found)


def _decode(head: bytes, value: bytes) -> Designator:
    association, kind, code_set = (head[1] >> 4) & 3, head[1] & 15, head[0] & 15
    if not value:
        raise DecodeError("a designator of type {0} is empty".format(kind), subject="VPD page 83h")
    allowed: Optional[Sequence[int]] = _SIZES.get(kind)
    if kind == NAA:
        size = _NAA_SIZES.get(value[0] >> 4)
        allowed = None if size is None else (size,)
    if allowed is not None and len(value) not in allowed:
        raise DecodeError("a designator of type {0} has {1} bytes".format(kind, len(value)), subject="VPD page 83h")
    if kind in _NEEDS_BINARY and code_set != 1:
        raise DecodeError("a designator of type {0} is not marked as binary".format(kind), subject="VPD page 83h")
    return Designator(association, kind, code_set, bytes(value), head[0] >> 4 if head[1] & 0x80 else None)


def unit_name(designators: Iterable[Designator]) -> Optional[Designator]:
    """The best world-wide name of the logical unit itself, or None when it has none.

    NAA is preferred (longest first, as udev does for the C(wwn-) link), then EUI-64, UUID, name string.
    """
    rank = {NAA: 0, EUI64: 1, UUID: 2, NAME: 3}
    own = [one for one in designators if one.association == UNIT and one.world_wide]
    return min(own, key=lambda one: (rank[one.kind], -len(one.value), one.value), default=None)


def target_names(designators: Iterable[Designator]) -> Tuple[str, ...]:
    """The world-wide names of the target device: what the units of one drive share."""
    return tuple(sorted({one.text for one in designators if one.association == TARGET and one.world_wide}))


def port_names(designators: Iterable[Designator]) -> Tuple[str, ...]:
    """The NAA names of the target port through which the page was read (a SAS address)."""
    return tuple(
        sorted({one.text for one in designators if one.association == PORT and one.kind == NAA and one.world_wide})
    )
