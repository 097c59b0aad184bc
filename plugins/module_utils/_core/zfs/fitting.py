# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Makes the members of a vdev the same size without forcing OpenZFS: a larger unit gets a partition of that size.

C(zpool create) and C(zpool add) compare the sizes of the devices that they are given for a vdev (C(get_replication) in
OpenZFS's cmd/zpool/zpool_vdev.c) and refuse those that differ by more than 16 MiB. A vdev uses only as much of each
member as its smallest has, so nothing is lost. The partition's UUID is made from the unit's WWN. It identifies the
partition later: after an interrupted creation, and when the smallest member has been replaced and the partition may
grow.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Callable, Dict, List, Mapping, Optional, Sequence, Tuple

from ..errors import CoreError, InputError, Refusal
from ..host.disks import Partition
from ..host.run import Command, Runner, carry_out, checked
from ..layout.capacity import partition_size
from ..model import Content, Layout, Member, Unit, Vdev
from ..names import fitted_uuid
from ..partition import table
from ..partition.extents import ALIGN, BLOCKS
from ..partition.table import Entry
from . import argv, build, erase
from .access import Access
from .build import Key

Trial = Callable[[Layout, Mapping[Key, str]], Sequence[str]]


@dataclass(frozen=True)
class Larger:
    """A member that is larger than its vdev can use: the partition *entry* that it gets, or has (*done*).

    *stray* are old pool labels where a label of that partition would be, from a pool that no longer exists.
    """

    member: Member
    unit: Unit
    entry: Entry
    done: bool = False
    stray: Tuple[int, ...] = ()

    @property
    def label(self) -> str:
        """How messages name the unit."""
        return "{0} (serial {1}) unit {2}".format(
            self.member.bay or "bay unknown", self.member.serial, self.member.index
        )


@dataclass(frozen=True)
class Fitting:
    """The larger members of a layout, by serial and index."""

    larger: Mapping[Key, Larger] = field(default_factory=dict)

    def paths(self, paths: Mapping[Key, str]) -> Dict[Key, str]:
        """*paths* of units, with the partition for each larger member."""
        return {key: path + "-part1" if key in self.larger else path for key, path in paths.items()}

    def contents(self, contents: Mapping[Key, Sequence[Content]]) -> Dict[Key, Sequence[Content]]:
        """*contents* of units, with the stray labels where the partitions will be."""
        found = dict(contents)
        for key, one in self.larger.items():
            if one.stray:
                words = "label {0} where its partition would be".format(", ".join(map(str, one.stray)))
                found[key] = (*found.get(key, ()), Content("pool_label", words, one.unit.node))
        return found

    def clearing(self, keys: Sequence[Key]) -> List[Command]:
        """The commands that clear the stray labels of these units."""
        return [
            command
            for key in keys
            if key in self.larger and self.larger[key].stray
            for one in (self.larger[key],)
            for command in erase.clear_labels(one.unit.node, one.entry.start, one.entry.size, one.label)
        ]

    def commands(self, erased: Sequence[Key] = ()) -> List[Command]:
        """The commands that write the tables of larger members that lack theirs, or whose units are *erased*."""
        return [
            Command(
                table.make_argv(one.unit.node, [one.entry], one.unit.logical_block),
                "create a partition on {0}, as large as its vdev can use".format(one.label),
            )
            for key, one in self.larger.items()
            if not one.done or key in erased
        ]

    def ask(self, run: Runner, layout: Layout, paths: Mapping[Key, str], whole: Trial, apart: Trial) -> None:
        """OpenZFS's own dry run, before anything is touched. Raises CommandError when it would refuse.

        Vdevs whose members already have the same size are tried as planned (*whole*). The others would be refused for
        their sizes alone: of them each member is tried by itself (*apart*).
        """
        lacking = {key for key, one in self.larger.items() if not one.done}
        now = {
            key: path + "-part1" if key in self.larger and key not in lacking else path for key, path in paths.items()
        }
        unlike = [vdev for vdev in layout.vdevs if build.places(vdev) & lacking]
        alike = tuple(vdev for vdev in layout.vdevs if vdev not in unlike)
        support = tuple(one for one in layout.support if alike and not build.places(one.vdev) & lacking)
        unlike += [one.vdev for one in layout.support if one not in support]
        if alike:
            checked(run, whole(Layout(alike, support=support), now), "Nothing was changed.")
        if unlike:
            each = Vdev("stripe", 0, tuple(member for vdev in unlike for member in vdev.members))
            checked(run, apart(Layout((each,)), now), "Nothing was changed.")


def fitting(access: Access, layout: Layout, units: Mapping[Key, Unit]) -> Fitting:
    """What must be done so that the members of each vdev have the same size. Raises Refusal where it is impossible."""
    reasons: List[str] = []
    larger: Dict[Key, Larger] = {}
    for vdev in [*layout.vdevs, *(one.vdev for one in layout.support)]:
        for one in _larger(vdev, units):
            why = _hindrance(one.unit)
            if why:
                reasons.append("{0}: {1}".format(one.label, why))
            else:
                larger[argv.key_of(one.member)] = _looked_at(access, one)
    if reasons:
        raise Refusal(
            "Members of a vdev differ in size and cannot be made the same; nothing was changed.",
            reasons,
            build.SEPARATE,
        )
    return Fitting(larger)


def _larger(vdev: Vdev, units: Mapping[Key, Unit]) -> List[Larger]:
    sizes = {argv.key_of(member): units[argv.key_of(member)].size for member in vdev.members}
    # Rounded up, so that whatever counts as the size of the smallest counts as this size as well.
    size = -(-min(sizes.values()) // ALIGN) * ALIGN
    found = []
    for member in build.larger_members(vdev, sizes):
        unit = units[argv.key_of(member)]
        name = member.name if member.bay else "unit{0}".format(member.index)
        found.append(Larger(member, unit, Entry(1, ALIGN, size, name, fitted_uuid(unit.wwn))))
    return found


def _hindrance(unit: Unit) -> str:
    """Why a unit cannot get a partition of its own; empty when it can."""
    if unit.unit_kind == "range":
        return build.RANGE_TOO_LARGE
    if not unit.wwn:
        return "it is larger than its vdev can use, and without a WWN its partition could not be identified later"
    if len(unit.paths) > 1:
        return "it is larger than its vdev can use, and has {0} paths; a table is written over one path only".format(
            len(unit.paths)
        )
    if unit.logical_block not in BLOCKS:
        return "its logical block size, {0} bytes, cannot be partitioned".format(unit.logical_block)
    return ""


def _looked_at(access: Access, one: Larger) -> Larger:
    parts = access.table_of(one.unit)
    if _own(one.unit, parts) and (parts[0].start, parts[0].size) == (one.entry.start, one.entry.size):
        return Larger(one.member, one.unit, one.entry, True)
    (found,) = access.labels_within(one.unit.node, [(one.entry.start, one.entry.size)])
    return Larger(one.member, one.unit, one.entry, False, tuple(found))


def _own(unit: Unit, parts: Sequence[Partition]) -> bool:
    return bool(unit.wwn) and [(one.number, one.uuid) for one in parts] == [(1, fitted_uuid(unit.wwn))]


def own_partition(access: Access, unit: Unit) -> Optional[Partition]:
    """The partition that was made here to fit a unit into a vdev, when it is the only one on it."""
    parts = access.table_of(unit)
    return parts[0] if _own(unit, parts) else None


def fit(access: Access, wanted: Fitting, commands: Sequence[Command], paths: Mapping[Key, str]) -> None:
    """Run the commands that write tables, and check that each path leads to its partition. Raises CoreError."""
    if not wanted.larger:
        return
    if commands:
        # The kernel accepts a new table only once udev has released what was cleared.
        tables = [command for command in commands if command.argv[0] == "sgdisk"]
        first = [command for command in commands if command not in tables]
        for some in (first, tables):
            if some:
                carry_out(access.run, some)
        access.drives()
    for key, one in wanted.larger.items():
        part = own_partition(access, one.unit)
        right = part and (part.start, part.size) == (one.entry.start, one.entry.size)
        if part is None or not right or not access.leads(paths[key], part.node):
            raise CoreError(
                "the partition differs from what was written, or {0} does not lead to it".format(paths[key]),
                subject=one.label,
                remedy="Check `sfdisk --json {0}` and the kernel log, then run this again.".format(one.unit.node),
            )


# --- later, when the smallest member of a vdev has been replaced by a larger one


def full(unit: Unit, part: Partition, name: str) -> Optional[Entry]:
    """The partition as large as OpenZFS would make it on the whole unit; None when it is that large."""
    size = _usable(unit)
    return Entry(1, part.start, size, part.label or name, part.uuid) if size > part.size else None


def _usable(unit: Unit) -> int:
    try:
        return partition_size(unit.size, unit.logical_block)
    except InputError:
        return 0


def growing(unit: Unit, node: str, entry: Entry, label: str) -> List[Command]:
    """The commands that extend a partition in use, at *node*: its end moves, its data stays."""
    return [
        Command(
            table.resize_argv(unit.node, entry, unit.logical_block),
            "extend the partition of {0} to the whole unit".format(label),
        ),
        # The kernel does not reread the table of a disk in use; this passes it the one new size.
        Command(("partx", "--update", "--nr", "1", unit.node), "pass the new size to the kernel"),
        # In between, udev may have read a partition that did not match the table, and dropped its UUID.
        Command(("udevadm", "trigger", "--action=change", node), "make udev read the partition again"),
    ]
