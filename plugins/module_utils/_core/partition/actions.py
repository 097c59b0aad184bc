# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Gives range-split drives one partition for each range: read, decide, show, act, verify."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Dict, List, Mapping, Sequence, Tuple

from ..errors import CoreError, InputError, Refusal
from ..host.contents import IN_USE, NEVER_ERASED
from ..host.discover import Found, Wanted
from ..host.disks import Disk
from ..host.probe import ALL_LABELS
from ..host.run import Command, Runner, carry_out, checked, settle
from ..model import Content, Drive
from ..names import unit_name
from ..zfs import erase
from ..zfs.access import Access
from . import table
from .result import Outcome, SplitDrive, SplitUnit
from .table import Entry, Ranges, Verdict

Key = Tuple[str, int]


@dataclass(frozen=True)
class Wish:
    """The drives to partition, by serial, and those of them whose contents may be destroyed for it."""

    serials: Tuple[str, ...]
    erase_serials: Tuple[str, ...] = ()


@dataclass(frozen=True)
class _Task:
    """One drive, as found and as wanted; *labels* are pool labels where its entries will be."""

    drive: Drive
    disk: Disk
    ranges: Ranges
    verdict: Verdict
    entries: Tuple[Entry, ...]
    labels: Tuple[Tuple[int, ...], ...] = ()

    @property
    def keys(self) -> Tuple[Key, ...]:
        return tuple((self.drive.serial, unit.index) for unit in self.drive.units)

    @property
    def names(self) -> Dict[int, str]:
        """The names that the partitions of the drive should have but do not, by number."""
        bay = _bay(self.drive)
        wanted = {part.number: (part.label, unit_name(bay, index)) for index, part in self.verdict.by_range.items()}
        return {number: name for number, (label, name) in wanted.items() if label != name}


def ensure_split(access: Access, wish: Wish, check_mode: bool) -> Outcome:
    """Give every drive of *wish* one partition for each of its ranges.

    Raises Refusal, with a reason for each drive, when one cannot be partitioned or is not empty; nothing
    has been changed then.
    """
    _refuse_stray(wish)
    settle(access.run)
    tasks = [_look(access, task) for task in _tasks(access, wish)]
    keys = [key for task in tasks for key in task.keys if not task.verdict.by_range or task.names]
    contents = access.contents(keys)
    _refuse_contents(tasks, contents, wish)
    needed: List[List[Command]] = []
    planned: List[SplitDrive] = []
    for task in tasks:
        split, of_drive = _plan(task, contents, wish)
        planned.append(split)
        needed += [of_drive] if of_drive else []
    commands = tuple(command for of_drive in needed for command in of_drive)
    touched = {split.serial for split in planned if split.state != "split"}
    before = "".join(_found_text(task) for task in tasks if task.drive.serial in touched)
    after = "".join(split.text for split in planned if split.serial in touched)
    drives = tuple(planned)
    if commands and not check_mode:
        # Drive by drive: the kernel takes a new table only once udev has released the old one.
        for of_drive in needed:
            carry_out(access.run, of_drive)
        drives = _verified(access, wish, drives)
    return Outcome(bool(commands), commands, before, after, drives)


def _refuse_stray(wish: Wish) -> None:
    stray = sorted(set(wish.erase_serials) - set(wish.serials))
    if stray:
        raise InputError(
            "{0} is not among the drives to partition".format(", ".join(stray)),
            subject="erase_serials",
            remedy="List only drives from serials in erase_serials.",
        )


def _tasks(access: Access, wish: Wish) -> List[_Task]:
    drives = access.drives()
    found = access.found
    if found is None:
        raise CoreError("the drives were not read", subject="host")
    tasks: List[_Task] = []
    reasons: List[str] = []
    for serial in dict.fromkeys(wish.serials):
        same = [drive for drive in drives if drive.serial == serial]
        try:
            tasks.append(_task(found, access.wanted, serial, same))
        except InputError as error:
            reasons.append("{0}: {1}".format(same[0].label if same else "serial {0}".format(serial), error.message))
    if reasons:
        raise Refusal(
            "Some drives cannot be partitioned; nothing was changed.",
            reasons,
            "Correct the list of serials or the declared ranges. Run drive_info to see what the drives report.",
        )
    return sorted(tasks, key=lambda task: _bay(task.drive))


def _task(found: Found, wanted: Wanted, serial: str, same: Sequence[Drive]) -> _Task:
    """What to do with a drive. Raises InputError with the reason why it cannot be partitioned."""
    if len(same) != 1:
        raise InputError(
            "{0} drives report this serial number, so it is not clear which one is meant".format(len(same))
            if same
            else "no drive with this serial is on the host"
        )
    (drive,) = same
    _refuse_other_kinds(drive)
    unit = drive.units[0]
    disk = found.disk(unit.paths[0].node)
    if disk is None:
        raise InputError("its disk {0} is gone".format(unit.paths[0].node))
    identity, spec = unit.wwn or drive.key, wanted.ranges.get(serial)
    ranges = table.ranges_of(disk, identity, spec)
    if spec is not None and ranges.source == "kernel":
        declared = spec.resolve(disk.size, disk.logical_block)
        if declared != ranges.extents:
            raise InputError(
                "its declared ranges are {0}, but the kernel reports {1}; remove the declaration".format(
                    _pairs(declared), _pairs(ranges.extents)
                )
            )
    verdict = table.judge(disk, ranges.extents)
    entries = () if verdict.by_range else table.wanted(disk, ranges, _bay(drive), identity)
    return _Task(drive, disk, ranges, verdict, entries)


def _look(access: Access, task: _Task) -> _Task:
    places = [(entry.start, entry.size) for entry in task.entries]
    return replace(task, labels=tuple(access.labels_within(task.disk.node, places))) if places else task


def _refuse_other_kinds(drive: Drive) -> None:
    if any(unit.unit_kind != "range" for unit in drive.units):
        raise InputError(
            "it shows {0} logical units, and each of them is a unit already".format(len(drive.units))
            if len(drive.units) > 1
            else "the kernel reports no access ranges for it, and none are declared"
        )
    if drive.bay is None:
        raise InputError("its bay is not known, but the partitions are named after bay and unit")
    if len(drive.units[0].paths) > 1:
        raise InputError(
            "it is reached over {0} paths, but a table is only written over a single path".format(
                len(drive.units[0].paths)
            )
        )


def _pairs(ranges: Sequence[Tuple[int, int]]) -> str:
    return ", ".join("{0}+{1}".format(start, size) for start, size in ranges)


def _refuse_contents(tasks: Sequence[_Task], contents: Mapping[Key, Sequence[Content]], wish: Wish) -> None:
    reasons: List[str] = []
    for task in tasks:
        if task.verdict.by_range:
            continue
        erasing = task.drive.serial in wish.erase_serials
        if not erasing:
            reasons += ["{0}: {1}".format(task.drive.label, fault) for fault in task.verdict.faults]
            reasons += _stray_labels(task)
        reasons += [
            "{0}: {1} {2} on {3}".format(
                task.drive.label, content.type.replace("_", " "), content.detail, content.node
            ).replace("  ", " ")
            for content in _unique(task, contents)
            if content.type in NEVER_ERASED or not erasing
        ]
    if reasons:
        raise Refusal(
            "The drives to partition are not empty; nothing was changed.",
            reasons,
            "If the data on a drive is no longer needed, list its serial in erase_serials. Anything that is in use must"
            " be released by hand first.",
        )


def _stray_labels(task: _Task) -> List[str]:
    """Pool labels where a partition will be, but not all 4: they do not belong to a pool on such a partition."""
    if task.disk.partitions:
        # The contents of partitions are read from the partitions.
        return []
    return [
        "{0}: pool labels {1} where {2} would be, from a pool on a larger device that lost its partition table".format(
            task.drive.label, ", ".join(str(number) for number in found), entry.name
        )
        for entry, found in zip(task.entries, task.labels)
        if 0 < len(found) < len(ALL_LABELS)
    ]


def _unique(task: _Task, contents: Mapping[Key, Sequence[Content]]) -> List[Content]:
    """What is on a drive; before it is partitioned, all its units report the whole disk's contents."""
    return list(dict.fromkeys(content for key in task.keys for content in contents.get(key, ())))


def _plan(task: _Task, contents: Mapping[Key, Sequence[Content]], wish: Wish) -> Tuple[SplitDrive, List[Command]]:
    if not task.verdict.by_range:
        notes, commands = _make(task, contents, wish)
        return _described(task, "new", notes), commands
    if not task.names:
        return _described(task, "split"), []
    busy = sorted({content.type for content in _unique(task, contents) if content.type in IN_USE})
    if busy:
        note = "the partitions still have other names ({0}); they are renamed once nothing uses the drive".format(
            ", ".join(task.verdict.by_range[index].label or "none" for index in sorted(task.verdict.by_range))
        )
        return _described(task, "split", [note]), []
    renaming = Command(
        table.rename_argv(task.disk.node, task.names), "name the partitions of {0}".format(task.drive.label)
    )
    return _described(task, "renamed"), [renaming]


def _make(task: _Task, contents: Mapping[Key, Sequence[Content]], wish: Wish) -> Tuple[List[str], List[Command]]:
    """Notes and commands for a drive that has no table yet, or one that is to be erased."""
    disk, label = task.disk, task.drive.label
    known = {(part.start, part.size) for part in disk.partitions}
    notes: List[str] = []
    commands: List[Command] = []
    erasing = task.drive.serial in wish.erase_serials
    for entry, found in zip(task.entries, task.labels):
        if found and erasing and (entry.start, entry.size) not in known:
            commands += erase.clear_labels(disk.node, entry.start, entry.size, label)
        elif found and not erasing:
            notes.append(
                "there is a pool label where {0} begins: the drive had the same partitions before".format(entry.name)
            )
    if erasing and (_unique(task, contents) or disk.partitions):
        parts = [(part.node, part.size) for part in disk.partitions]
        commands += erase.commands(disk.node, parts, disk.size, label)
    argv = table.make_argv(disk.node, task.entries, disk.logical_block)
    commands.append(Command(argv, "partition {0} into its {1} ranges".format(label, len(task.entries))))
    return notes, commands


def _described(task: _Task, state: str, notes: Sequence[str] = ()) -> SplitDrive:
    bay = _bay(task.drive)
    parts = {
        index: Entry(part.number, part.start, part.size, unit_name(bay, index), part.uuid)
        for index, part in task.verdict.by_range.items()
    }
    nodes = {index: part.node for index, part in task.verdict.by_range.items()}
    entries = parts or dict(enumerate(task.entries))
    units = tuple(
        SplitUnit(entry.name, index, entry.number, entry.start, entry.size, entry.uuid, nodes.get(index, ""))
        for index, entry in sorted(entries.items())
    )
    confirmed = task.ranges.source == "kernel"
    unconfirmed = [] if confirmed else ["the ranges are unconfirmed: {0}".format(_SOURCES[task.ranges.source])]
    return SplitDrive(task.drive.serial, bay, task.ranges.source, confirmed, state, units, (*unconfirmed, *notes))


_SOURCES = {
    "declared": "the kernel reports none; they are declared in the inventory",
    "table": "the kernel reports none; they come from the partitions that this collection made",
}


def _verified(access: Access, wish: Wish, planned: Sequence[SplitDrive]) -> Tuple[SplitDrive, ...]:
    """The drives as they are now; raises CoreError when they are not as planned."""
    now = {task.drive.serial: task for task in _tasks(access, wish)}
    return tuple(
        split if split.state == "split" else _verify(access.run, now[split.serial], split) for split in planned
    )


def _verify(run: Runner, task: _Task, split: SplitDrive) -> SplitDrive:
    wanted = [Entry(unit.number, unit.start, unit.size, unit.name, unit.uuid) for unit in split.units]
    kind, entries = table.parse_table(checked(run, table.read_argv(task.disk.node)))
    seen = _described(task, split.state, split.notes)
    kernel = [Entry(unit.number, unit.start, unit.size, unit.name, unit.uuid) for unit in seen.units]
    labels = {index: part.label for index, part in task.verdict.by_range.items()}
    for who, found in (
        ("the table on the disk", list(entries) if kind == "gpt" else []),
        ("the kernel's view", kernel if labels == {unit.index: unit.name for unit in split.units} else []),
    ):
        if found != wanted:
            raise CoreError(
                "{0} differs from what was written".format(who),
                subject=task.drive.label,
                remedy="Do not use the drive. Look at `sfdisk --json {0}` and at the kernel log.".format(
                    task.disk.node
                ),
            )
    notes = tuple(note for note in dict.fromkeys((*split.notes, *seen.notes)))
    return SplitDrive(seen.serial, seen.bay, split.source, split.confirmed, split.state, seen.units, notes)


def _found_text(task: _Task) -> str:
    lines = ["{0}: {1}".format(task.drive.label, "partitions" if task.disk.partitions else "no partitions")]
    lines += [
        "  {0} {1} at {2}, {3} bytes".format(part.number, part.label or "-", part.start, part.size)
        for part in task.disk.partitions
    ]
    return "".join(line + "\n" for line in lines)


def _bay(drive: Drive) -> str:
    return drive.bay.label if drive.bay else ""
