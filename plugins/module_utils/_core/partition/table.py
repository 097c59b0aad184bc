# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The partition table of a range-split drive: wanted, found, compared. Pure.

The table is a GPT with one partition for each range, numbered from 1. A partition's name is the
unit's (C(bay07.1)), its UUID comes from `names.range_uuid`.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Dict, List, Mapping, Optional, Sequence, Tuple

from ..errors import DecodeError
from ..host.contents import range_of
from ..host.disks import Disk, Partition
from ..identity.text import clean_text
from ..names import range_uuid, unit_name
from .extents import Extent, Spec, extents

# The type that OpenZFS itself gives the partition that holds its data (lib/libefi/rdwr_efi.c, V_USR).
TYPE = "6A898CC3-1DD2-11B2-99A6-080020736631"


@dataclass(frozen=True)
class Ranges:
    """A disk's access ranges and their *source*: C(kernel), C(declared), C(table), or empty for none."""

    extents: Tuple[Extent, ...] = ()
    source: str = ""


@dataclass(frozen=True)
class Entry:
    """One partition of a table; *start* and *size* in bytes, *uuid* in lower case."""

    number: int
    start: int
    size: int
    name: str
    uuid: str


@dataclass(frozen=True)
class Verdict:
    """How a disk's partitions compare with its ranges.

    *by_range* has the partition of each range when the disk is partitioned by range: every partition is
    within one range, and every range has exactly one. Otherwise *faults* says what is wrong, a line
    each; both are empty when there is no partition.
    """

    by_range: Mapping[int, Partition]
    faults: Tuple[str, ...] = ()


def ranges_of(disk: Disk, identity: str, declared: Optional[Spec] = None) -> Ranges:
    """The ranges of a disk: as the kernel reports them, else as declared, else as its partitions show.

    Partitions show them when each has the UUID that this collection gives the ranges of the logical
    unit *identity*.
    """
    if disk.ranges:
        return Ranges(disk.ranges, "kernel")
    if declared is not None and disk.size:
        return Ranges(declared.resolve(disk.size, disk.logical_block, "ranges.{0}".format(disk.serial)), "declared")
    own = {range_uuid(identity, number): number for number in range(len(disk.partitions))} if identity else {}
    numbers = [own.get(part.uuid, -1) for part in disk.partitions]
    if len(numbers) > 1 and numbers == list(range(len(numbers))):
        edges = [0] + [part.start for part in disk.partitions[1:]] + [disk.size]
        return Ranges(tuple((start, end - start) for start, end in zip(edges, edges[1:])), "table")
    return Ranges()


def wanted(disk: Disk, ranges: Ranges, bay: str, identity: str) -> Tuple[Entry, ...]:
    """The partitions of a disk in *bay*. Raises InputError for ranges too small for a unit."""
    places = extents(ranges.extents, disk.size, disk.logical_block)
    return tuple(
        Entry(number + 1, start, size, unit_name(bay, number), range_uuid(identity, number))
        for number, (start, size) in enumerate(places)
    )


def judge(disk: Disk, ranges: Sequence[Extent]) -> Verdict:
    """Compare a disk's partitions with its ranges."""
    if not disk.partitions:
        return Verdict({})
    by_range: Dict[int, List[Partition]] = {}
    faults: List[str] = []
    if disk.signature.table not in ("", "gpt"):
        faults.append("its partition table is of type {0}, not GPT".format(clean_text(disk.signature.table)))
    for part in disk.partitions:
        number = range_of(part, ranges)
        if number < 0:
            faults.append("{0} crosses the boundary {1}".format(_words(part), _boundaries(part, ranges)))
        by_range.setdefault(number, []).append(part)
    for number in range(len(ranges)):
        inside = by_range.get(number, [])
        if not inside:
            faults.append("range {0} has no partition of its own".format(number))
        elif len(inside) > 1:
            faults.append(
                "range {0} has {1} partitions: {2}".format(
                    number, len(inside), "; ".join(_words(part) for part in inside)
                )
            )
    if faults:
        return Verdict({}, tuple(faults))
    return Verdict({number: parts[0] for number, parts in by_range.items()})


def _words(part: Partition) -> str:
    name = " {0}".format(part.label) if part.label else ""
    return "partition {0}{1} (bytes {2} to {3})".format(part.number, name, part.start, part.start + part.size)


def _boundaries(part: Partition, ranges: Sequence[Extent]) -> str:
    crossed = [start for start, _size in ranges if part.start < start < part.start + part.size]
    return "of the ranges at " + (", ".join("byte {0}".format(start) for start in crossed) or "the end of the drive")


def make_argv(node: str, entries: Sequence[Entry], block: int) -> Tuple[str, ...]:
    """The one sgdisk command that writes the table, in logical blocks."""
    # The starts are aligned already; sgdisk's own alignment would count blocks, not bytes.
    argv = ["sgdisk", "--clear", "--set-alignment=1"]
    for entry in entries:
        argv += _entry_words(entry, block)
    return (*argv, node)


def resize_argv(node: str, entry: Entry, block: int) -> Tuple[str, ...]:
    """The one sgdisk command that moves the end of a partition. *entry* is the result; nothing else changes."""
    delete = "--delete={0}".format(entry.number)
    return ("sgdisk", "--set-alignment=1", delete, *_entry_words(entry, block), node)


def _entry_words(entry: Entry, block: int) -> List[str]:
    number, first, last = entry.number, entry.start // block, (entry.start + entry.size) // block - 1
    return [
        "--new={0}:{1}:{2}".format(number, first, last),
        "--typecode={0}:{1}".format(number, TYPE),
        "--change-name={0}:{1}".format(number, entry.name),
        "--partition-guid={0}:{1}".format(number, entry.uuid),
    ]


def rename_argv(node: str, names: Mapping[int, str]) -> Tuple[str, ...]:
    """The one sgdisk command that renames partitions, by number."""
    return (
        "sgdisk",
        *("--change-name={0}:{1}".format(number, names[number]) for number in sorted(names)),
        node,
    )


def read_argv(node: str) -> Tuple[str, ...]:
    """The command that reads a table back, with a different program than the one that wrote it."""
    return ("sfdisk", "--json", node)


def parse_table(output: str) -> Tuple[str, Tuple[Entry, ...]]:
    """Kind of table and its partitions from C(sfdisk --json) (sfdisk(8)). Raises DecodeError."""
    try:
        table = json.loads(output)["partitiontable"]
        sector = int(table.get("sectorsize", 512))
        rows = table.get("partitions", [])
        # A partition's number is what its node has behind the disk's.
        entries = tuple(
            Entry(
                int(str(row["node"])[len(str(table["device"])) :].lstrip("p")),
                int(row["start"]) * sector,
                int(row["size"]) * sector,
                str(row.get("name", "")),
                str(row.get("uuid", "")).lower(),
            )
            for row in rows
        )
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise DecodeError(
            "the output is not in the form that sfdisk documents: {0}".format(error), subject="sfdisk"
        ) from error
    return str(table.get("label", "")), entries
