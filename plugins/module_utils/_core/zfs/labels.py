# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Decodes a device's pool label: bytes in, facts out. Pure.

On-disk form: OpenZFS's include/sys/vdev_impl.h (C(vdev_label_t)), uberblock_impl.h and zio_checksum.c.
A label is 256 KiB; its name-value list begins 16 KiB into it and ends, 112 KiB later, in a checksum
(SHA-256, salted with its place on the device); a ring of uberblocks fills the second half.
"""

from __future__ import annotations

import hashlib
import struct
from dataclasses import dataclass, replace
from typing import Dict, Optional, Sequence, Tuple

from ..errors import DecodeError
from ..identity.text import clean_text
from .xdr import NvList, decode

SIZE = 256 << 10
LIST_AT, LIST_SIZE = 16 << 10, 112 << 10
RING_AT, RING_SIZE = 128 << 10, 128 << 10

STATES = ("active", "exported", "destroyed", "spare", "l2cache")

_TRAILER = 40
_TRAILER_MAGIC = 0x0210DA7AB10C7A11
_UBERBLOCK_MAGIC = 0x00BAB10C
_MMP_MAGIC = 0xA11CEA11
_LEAST_SHIFT, _MOST_SHIFT = 10, 13
_DEEPEST = 8


@dataclass(frozen=True)
class LabelVdev:
    """A node of a label's vdev tree: a device, or a vdev of *children*. *path* is where it was last.

    A top-level vdev has *asize* bytes to allocate, in metaslabs of 2^*metaslab_shift* bytes. *data* and
    *spares* are dRAID's data devices per group and distributed spares.
    """

    kind: str
    guid: str
    path: str = ""
    nparity: int = 0
    ashift: int = 0
    is_log: bool = False
    children: Tuple[LabelVdev, ...] = ()
    asize: int = 0
    metaslab_shift: int = 0
    data: int = 0
    spares: int = 0

    @property
    def leaves(self) -> Tuple[LabelVdev, ...]:
        """All devices at or below this node."""
        if not self.children:
            return (self,)
        return tuple(leaf for child in self.children for leaf in child.leaves)

    @property
    def places(self) -> Tuple[LabelVdev, ...]:
        """A top-level vdev's places, each usually one device."""
        return self.children or (self,)


@dataclass(frozen=True)
class Uberblock:
    """The newest uberblock of a label's ring. *timestamp* is in seconds since 1970.

    *multihost*: the pool is guarded against being active on two hosts, and *sequence* counts what guards it.
    """

    txg: int
    timestamp: int
    multihost: bool = False
    sequence: int = 0

    @property
    def rank(self) -> Tuple[int, int, int]:
        """What OpenZFS compares uberblocks by. It rises whenever any host writes to the pool."""
        return (self.txg, self.timestamp, self.sequence)


@dataclass(frozen=True)
class Label:
    """What a label says. GUIDs are decimal text, as zpool prints them; *hostid* is 0 where none was set.

    For a spare or cache device only *state* and *guid* are known.
    """

    state: str
    guid: str
    name: str = ""
    pool_guid: str = ""
    txg: int = 0
    hostid: int = 0
    hostname: str = ""
    top_guid: str = ""
    vdev_children: int = 0
    vdev: LabelVdev = LabelVdev("", "")
    features: Tuple[str, ...] = ()
    uberblock: Optional[Uberblock] = None


def offsets(size: int) -> Tuple[int, ...]:
    """Where the four labels of a device of *size* bytes begin; none when it is too small."""
    whole = size // SIZE * SIZE
    return (0, SIZE, whole - 2 * SIZE, whole - SIZE) if whole >= 4 * SIZE else ()


def read_label(data: bytes, offset: int, known: Optional[Dict[bytes, Label]] = None) -> Label:
    """The label in the 256 KiB of *data*, which begin at byte *offset* of the device. Raises DecodeError.

    *known* keeps what was decoded: the four labels of a device say the same, most of the time.
    """
    if len(data) != SIZE:
        raise DecodeError("a label has {0} bytes, not {1}".format(SIZE, len(data)), subject="pool label")
    body = data[LIST_AT : LIST_AT + LIST_SIZE]
    if not _sound(body, offset + LIST_AT):
        raise DecodeError("its checksum is wrong", subject="pool label")
    said, known = body[:-_TRAILER], {} if known is None else known
    if said not in known:
        known[said] = _label(decode(said))
    label = known[said]
    return replace(label, uberblock=newest_uberblock(data, offset, label.vdev.ashift))


def _label(facts: NvList) -> Label:
    return Label(
        state=_state(facts),
        guid=str(_number(facts, "guid")),
        name=clean_text(_text(facts, "name")),
        pool_guid=str(_number(facts, "pool_guid") or ""),
        txg=_number(facts, "txg"),
        hostid=_number(facts, "hostid") & 0xFFFFFFFF,
        hostname=clean_text(_text(facts, "hostname")),
        top_guid=str(_number(facts, "top_guid") or ""),
        vdev_children=_number(facts, "vdev_children"),
        vdev=_vdev(facts.get("vdev_tree"), 0),
        features=_features(facts),
    )


def newest_uberblock(data: bytes, offset: int, ashift: int) -> Optional[Uberblock]:
    """The newest uberblock in the ring of a label whose checksum holds, or None."""
    step = 1 << min(max(ashift, _LEAST_SHIFT), _MOST_SHIFT)
    read = [(_uberblock(data[at : at + step]), at) for at in range(RING_AT, RING_AT + RING_SIZE, step)]
    # Newest first, so that few checksums are computed: there are up to 128 blocks in each of a device's labels.
    found = sorted(((block, at) for block, at in read if block), key=lambda one: one[0].rank, reverse=True)
    return next((block for block, at in found if _sound(data[at : at + step], offset + at)), None)


def _uberblock(block: bytes) -> Optional[Uberblock]:
    order = _order(block, _UBERBLOCK_MAGIC)
    if not order:
        return None
    _magic, _version, txg, _sum, timestamp = struct.unpack_from(order + "5Q", block)
    magic, delay, config = struct.unpack_from(order + "3Q", block, 176)
    guarded = magic == _MMP_MAGIC and delay > 0
    # uberblock_impl.h, MMP_SEQ: bits 32 to 47 of the configuration.
    return Uberblock(txg, timestamp, guarded, (config >> 32) & 0xFFFF if guarded else 0)


def _order(block: bytes, magic: int) -> str:
    for order in ("<", ">"):
        if struct.unpack_from(order + "Q", block)[0] == magic:
            return order
    return ""


def _sound(block: bytes, offset: int) -> bool:
    """Whether a block that ends in an embedded checksum is whole and was written at *offset* of its device."""
    order = _order(block[-_TRAILER:], _TRAILER_MAGIC)
    if not order:
        return False
    salted = block[:-32] + struct.pack(order + "4Q", offset, 0, 0, 0)
    digest = struct.unpack(">4Q", hashlib.sha256(salted).digest())
    found: Tuple[int, ...] = struct.unpack(order + "4Q", block[-32:])
    return found == digest


def _state(facts: NvList) -> str:
    number = _number(facts, "state")
    if "state" not in facts or number >= len(STATES):
        raise DecodeError("unknown state {0}".format(facts.get("state")), subject="pool label")
    return STATES[number]


def _number(facts: NvList, name: str) -> int:
    value = facts.get(name, 0)
    if not isinstance(value, int):
        raise DecodeError("{0} is not a number".format(name), subject="pool label")
    return int(value)


def _text(facts: NvList, name: str) -> str:
    value = facts.get(name, "")
    if not isinstance(value, str):
        raise DecodeError("{0} is not text".format(name), subject="pool label")
    return value


def _features(facts: NvList) -> Tuple[str, ...]:
    value = facts.get("features_for_read", {})
    if not isinstance(value, dict):
        raise DecodeError("features_for_read is not a list", subject="pool label")
    return tuple(sorted(clean_text(name) for name in value))


def _vdev(tree: object, depth: int) -> LabelVdev:
    if tree is None:
        return LabelVdev("", "")
    if not isinstance(tree, dict) or depth > _DEEPEST:
        raise DecodeError("its vdev tree is damaged", subject="pool label")
    children = tree.get("children", [])
    if not isinstance(children, list):
        raise DecodeError("its vdev tree is damaged", subject="pool label")
    return LabelVdev(
        kind=clean_text(_text(tree, "type")),
        guid=str(_number(tree, "guid")),
        path=_text(tree, "path"),
        nparity=_number(tree, "nparity"),
        ashift=_number(tree, "ashift"),
        is_log=bool(_number(tree, "is_log")),
        children=tuple(_vdev(child, depth + 1) for child in children),
        asize=_number(tree, "asize"),
        metaslab_shift=_number(tree, "metaslab_shift"),
        data=_number(tree, "draid_ndata"),
        spares=_number(tree, "draid_nspares"),
    )


def best(labels: Sequence[Label]) -> Optional[Label]:
    """The newest of a device's labels, with the newest uberblock of all of them; None for none."""
    if not labels:
        return None
    newest = max(labels, key=lambda label: label.txg)
    blocks = [label.uberblock for label in labels if label.uberblock and label.guid == newest.guid]
    return replace(newest, uberblock=max(blocks, key=lambda block: block.rank) if blocks else None)
