# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""What is already on a unit that an action could harm, as udev and the kernel know it.

`examine` (in `probe`) looks at the device itself before an action; this only reads what is
known already, starts no program and opens no device.
"""

from __future__ import annotations

import re
from typing import List, Sequence, Tuple

from ..identity.text import clean_text
from ..model import Content
from .disks import Blocks, Disk, Map, Partition, Signature
from .uses import Uses

IN_USE = ("mount", "swap", "holder", "open", "multipath")
"""Kinds of content that are in use now; the others are only data on the device."""

NEVER_ERASED = (*IN_USE, "unreadable")
"""Kinds that are refused even on a drive that may be erased: what cannot be read may be anything."""


def signature_contents(signature: Signature, node: str) -> List[Content]:
    """The contents in a probe's result."""
    found: List[Content] = []
    if signature.table:
        found.append(Content("partition_table", signature.table, node))
    if signature.fs_type:
        kind = _kind(signature.fs_type)
        if kind == "pool_label":
            found.append(Content(kind, signature.fs_label, node))
        else:
            detail = " ".join(part for part in (signature.fs_type, signature.fs_label) if part)
            found.append(Content(kind, detail, node))
    return found


def _kind(fs_type: str) -> str:
    known = {
        "zfs_member": "pool_label",
        "LVM2_member": "lvm",
        "LVM1_member": "lvm",
        "crypto_LUKS": "crypt",
        "BitLocker": "crypt",
        "mpath_member": "multipath",
    }
    return known.get(fs_type, "raid" if fs_type.endswith("_raid_member") else "filesystem")


class Contents:
    """Looks up what is on disks, partitions and multipath maps."""

    def __init__(self, blocks: Blocks, uses: Uses) -> None:
        self._uses = uses
        self._maps = {one.name: one for one in blocks.maps}

    def of_disk(self, disk: Disk) -> Tuple[Content, ...]:
        """All contents of a whole disk, with those of its partitions."""
        return tuple(self._whole(disk) + [one for part in disk.partitions for one in self.of_partition(part)])

    def of_range(self, disk: Disk, number: int, ranges: Sequence[Tuple[int, int]]) -> Tuple[Content, ...]:
        """Contents in one of a disk's ranges (start, size in bytes): of its partitions, and on the whole disk.

        The partition table is not a content of a range when every partition lies within one range: then it is the
        table that divides the disk by range.
        """
        start, size = ranges[number]
        inside = [part for part in disk.partitions if part.start < start + size and part.start + part.size > start]
        split = disk.partitions and all(range_of(part, ranges) >= 0 for part in disk.partitions)
        whole = [one for one in self._whole(disk) if not (split and one.type == "partition_table")]
        return tuple(whole + [one for part in inside for one in self.of_partition(part)])

    def of_partition(self, part: Partition) -> List[Content]:
        """All contents of a partition."""
        return (
            signature_contents(part.signature, part.node)
            + self._in_use(part.devno, part.node)
            + self._held(part.holders, part.node)
        )

    def of_map(self, one: Map) -> Tuple[Content, ...]:
        """All contents of a multipath map, with those of the partitions device-mapper makes on it."""
        found = signature_contents(one.signature, one.node) + self._in_use(one.devno, one.node)
        for name in one.holders:
            above = self._maps.get(name)
            if above is not None and is_map_partition(above):
                found += signature_contents(_no_table(above.signature), above.node)
                found += self._in_use(above.devno, above.node) + self._held(above.holders, above.node)
            else:
                found += self._held((name,), one.node)
        return tuple(found)

    def _whole(self, disk: Disk) -> List[Content]:
        return (
            signature_contents(disk.signature, disk.node)
            + self._in_use(disk.devno, disk.node)
            + self._held(disk.holders, disk.node)
        )

    def _in_use(self, devno: str, node: str) -> List[Content]:
        places = sorted(set(self._uses.mounts.get(devno, ()) + self._uses.mounts.get(node, ())))
        found = [Content("mount", clean_place(place), node) for place in places]
        if node in self._uses.swaps:
            found.append(Content("swap", "in use", node))
        return found

    def _held(self, holders: Sequence[str], node: str) -> List[Content]:
        found: List[Content] = []
        for name in holders:
            above = self._maps.get(name)
            if above is None:
                found.append(Content("holder", clean_text(name), node))
            elif is_multipath(above):
                found.append(Content("multipath", "path of {0}".format(above.dm_name), node))
            else:
                found.append(Content("holder", "{0} ({1})".format(clean_text(name), above.dm_name), node))
        return found


def is_multipath(one: Map) -> bool:
    """Whether multipath-tools made this map."""
    return one.uuid.startswith("mpath-")


def is_map_partition(one: Map) -> bool:
    """Whether kpartx made this map for a partition of a multipath map."""
    return re.match(r"part[0-9]+-mpath-", one.uuid) is not None


def range_of(part: Partition, ranges: Sequence[Tuple[int, int]]) -> int:
    """The number of the range (start, size) that a partition lies in; -1 when it crosses a boundary."""
    for number, (start, size) in enumerate(ranges):
        if start <= part.start and part.start + part.size <= start + size:
            return number
    return -1


def _no_table(signature: Signature) -> Signature:
    return Signature(signature.fs_type, signature.fs_label)


def clean_place(place: str) -> str:
    """A mount point for messages; characters that are not printable are replaced."""
    return "".join(char if char.isprintable() else "?" for char in place)
