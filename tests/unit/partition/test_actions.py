# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Deciding what splits a drive, with discovery's own reading of made-up disks and a scripted runner."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import (
    CoreError,
    InputError,
    Refusal,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.discover import Wanted, assemble
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.disks import (
    Blocks,
    Disk,
    Partition,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.run import SETTLE
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.sight import Sight
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Bay, Content
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.names import range_uuid
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.partition import actions, table
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.partition.extents import Spec
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.access import Access
from tests.unit.scripted import ScriptedRunner

MIB = 1 << 20
HALF = 1000 * MIB
RANGES = ((0, HALF), (HALF, HALF))
PART = 999 * MIB
STARTS = (MIB, HALF)


def wwn(number: int) -> str:
    return f"naa.5acf1e00000000{number:02x}"


def disk(number: int, ranges=RANGES, **more) -> Disk:
    name = f"sd{chr(ord('a') + number)}"
    return Disk(
        name, f"/dev/{name}", f"8:{16 * number}", f"/sys/{name}", "scsi", "ACTWO", "ACTW-D9", "0042", f"ACR{number}",
        target=f"{number}:0:0", wwid=wwn(number), size=2 * HALF, logical_block=512, physical_block=4096,
        ranges=ranges, **more,
    )  # fmt: skip


def split(one: Disk, number: int, bay: str = "bay07") -> Disk:
    parts = tuple(
        Partition(
            index + 1, f"{one.name}{index + 1}", f"{one.node}{index + 1}", "8:1", start, PART,
            uuid=range_uuid(wwn(number), index), label=f"{bay}.{index}",
        )
        for index, start in enumerate(STARTS)
    )  # fmt: skip
    return replace(one, partitions=parts)


class Fake(Access):
    """A host whose disks are given, one tuple for each time that it is looked at; the last one stays."""

    def __init__(self, script: Sequence[object], *worlds: Sequence[Disk], **wanted: object) -> None:
        settled = {"serial_bays": {f"ACR{n}": Bay("", 7 + n) for n in range(3)}, "sources": ("serial",), **wanted}
        super().__init__(ScriptedRunner(script), Wanted(**settled))  # type: ignore[arg-type]
        self.worlds = list(worlds)
        self.on: Mapping[tuple[str, int], Sequence[Content]] = {}
        self.old_labels: tuple[int, ...] = ()
        self.asked: list[tuple[str, int]] = []

    def drives(self):
        world = self.worlds.pop(0) if len(self.worlds) > 1 else self.worlds[0]
        self.found = assemble(Sight(Blocks(tuple(world), ())), self.wanted)
        return self.found.drives

    def contents(self, keys: Iterable[tuple[str, int]]):
        self.asked = list(keys)
        return {key: tuple(self.on.get(key, ())) for key in self.asked}

    def labels_within(self, node: str, extents):
        del node
        return tuple(self.old_labels for _one in extents)


def make_argv(number: int, bay: str) -> tuple[str, ...]:
    one = disk(number)
    return table.make_argv(one.node, table.wanted(one, table.Ranges(RANGES), bay, wwn(number)), 512)


def told(one: Disk, **changes: object) -> str:
    """What sfdisk would print of a disk."""
    rows = [
        {"node": part.node, "start": part.start // 512, "size": part.size // 512, "uuid": part.uuid.upper(),
         "name": part.label, **changes}
        for part in one.partitions
    ]  # fmt: skip
    return json.dumps({"partitiontable": {"label": "gpt", "device": one.node, "sectorsize": 512, "partitions": rows}})


def test_two_drives_are_split_read_back_and_then_left_alone() -> None:
    before = (disk(1), disk(0))
    after = (split(disk(1), 1, "bay08"), split(disk(0), 0))
    script = [
        (SETTLE, ""),
        (SETTLE, ""), (make_argv(0, "bay07"), ""), (SETTLE, ""),
        (SETTLE, ""), (make_argv(1, "bay08"), ""), (SETTLE, ""),
        (("sfdisk", "--json", "/dev/sda"), told(after[1])),
        (("sfdisk", "--json", "/dev/sdb"), told(after[0])),
    ]  # fmt: skip
    access = Fake(script, before, after)
    outcome = actions.ensure_split(access, actions.Wish(("ACR1", "ACR0")), False)
    access.run.finished()  # type: ignore[attr-defined]
    assert [command.argv for command in outcome.commands] == [make_argv(0, "bay07"), make_argv(1, "bay08")]
    assert [(one.bay, one.state, one.source, one.confirmed, one.notes) for one in outcome.drives] == [
        ("bay07", "new", "kernel", True, ()),
        ("bay08", "new", "kernel", True, ()),
    ]
    assert [(unit.name, unit.node, unit.start, unit.size) for unit in outcome.drives[0].units] == [
        ("bay07.0", "/dev/sda1", MIB, PART),
        ("bay07.1", "/dev/sda2", HALF, PART),
    ]
    again = Fake([(SETTLE, "")], after)
    second = actions.ensure_split(again, actions.Wish(("ACR0", "ACR1"), ("ACR0",)), False)
    assert (second.changed, second.commands, second.before, second.after) == (False, (), "", "")
    assert [one.state for one in second.drives] == ["split", "split"]
    assert again.asked == []


def test_check_mode_tells_the_same_and_runs_nothing() -> None:
    access = Fake([(SETTLE, "")], (disk(0),))
    outcome = actions.ensure_split(access, actions.Wish(("ACR0",)), True)
    access.run.finished()  # type: ignore[attr-defined]
    assert [command.argv for command in outcome.commands] == [make_argv(0, "bay07")]
    assert outcome.before == "bay07 (serial ACR0): no partitions\n"
    assert outcome.after.splitlines() == [
        "bay07 (serial ACR0): partitions",
        f"  1 bay07.0 at {MIB}, {PART} bytes",
        f"  2 bay07.1 at {HALF}, {PART} bytes",
    ]


def refused(access: Fake, *serials: str, erase: tuple[str, ...] = ()) -> tuple[str, ...]:
    with pytest.raises(Refusal) as caught:
        actions.ensure_split(access, actions.Wish(serials, erase), False)
    access.run.finished()  # type: ignore[attr-defined]  # only settle was run
    return caught.value.reasons


def test_every_drive_that_cannot_be_split_is_named() -> None:
    plain, luns = disk(0, ranges=()), [replace(disk(1, ranges=()), lun=lun, wwid=wwn(16 + lun)) for lun in (0, 1)]
    luns[1] = replace(luns[1], name="sdz", node="/dev/sdz")
    access = Fake([(SETTLE, "")], (plain, *luns, disk(2), disk(3)))
    assert refused(access, "ACR0", "ACR1", "ACR2", "ACR3", "ACR9") == (
        "bay07 (serial ACR0): the kernel reports no access ranges for it, and none are declared",
        "bay08 (serial ACR1): it shows 2 logical units, and each of them is a unit already",
        "bay unknown (serial ACR3): its bay is not known, but the partitions are named after bay and unit",
        "serial ACR9: no drive with this serial is on the host",
    )


def test_two_drives_with_one_serial_are_refused() -> None:
    twin = replace(disk(1), serial="ACR0")
    assert refused(Fake([(SETTLE, "")], (disk(0), twin)), "ACR0") == (
        "bay unknown (serial ACR0): 2 drives report this serial number, so it is not clear which one is meant",
    )


def test_a_drive_on_two_paths_is_refused() -> None:
    second = replace(disk(1), serial="ACR0", wwid=wwn(0))
    assert refused(Fake([(SETTLE, "")], (disk(0), second)), "ACR0") == (
        "bay07 (serial ACR0): it is reached over 2 paths, but a table is only written over a single path",
    )


def test_a_declaration_that_the_kernel_contradicts_is_refused() -> None:
    access = Fake([(SETTLE, "")], (disk(0),), ranges={"ACR0": Spec(parts=4)})
    (reason,) = refused(access, "ACR0")
    assert "the kernel reports 0+1048576000, 1048576000+1048576000" in reason
    agreed = Fake([(SETTLE, "")], (disk(0),), ranges={"ACR0": Spec(parts=2)})
    assert actions.ensure_split(agreed, actions.Wish(("ACR0",)), True).drives[0].confirmed


def test_declared_ranges_are_said_to_be_unconfirmed() -> None:
    access = Fake([(SETTLE, "")], (disk(0, ranges=()),), ranges={"ACR0": Spec(parts=2)})
    (one,) = actions.ensure_split(access, actions.Wish(("ACR0",)), True).drives
    assert (one.source, one.confirmed) == ("declared", False)
    assert one.notes == ("the ranges are unconfirmed: the kernel reports none; they are declared in the inventory",)


def test_a_drive_split_here_is_known_without_kernel_and_declaration() -> None:
    access = Fake([(SETTLE, "")], (split(disk(0, ranges=()), 0),))
    outcome = actions.ensure_split(access, actions.Wish(("ACR0",)), False)
    assert (outcome.changed, outcome.drives[0].source, outcome.drives[0].confirmed) == (False, "table", False)


EXT4 = Content("filesystem", "ext4", "/dev/sda")
MOUNT = Content("mount", "/srv", "/dev/sda")


def test_what_is_on_a_drive_refuses_once_for_all_its_units() -> None:
    access = Fake([(SETTLE, "")], (disk(0), disk(1)))
    access.on = {("ACR0", 0): [EXT4], ("ACR0", 1): [EXT4]}
    assert refused(access, "ACR0", "ACR1", erase=("ACR1",)) == ("bay07 (serial ACR0): filesystem ext4 on /dev/sda",)


def test_a_partial_table_is_explained() -> None:
    half = replace(disk(0), partitions=split(disk(0), 0).partitions[:1])
    access = Fake([(SETTLE, "")], (half,))
    access.on = {("ACR0", index): [Content("partition_table", "gpt", "/dev/sda")] for index in (0, 1)}
    assert refused(access, "ACR0") == (
        "bay07 (serial ACR0): range 1 has no partition of its own",
        "bay07 (serial ACR0): partition table gpt on /dev/sda",
    )


def test_what_is_in_use_is_refused_even_when_told_to_erase() -> None:
    access = Fake([(SETTLE, "")], (disk(0),))
    access.on = {("ACR0", 0): [EXT4, MOUNT]}
    assert refused(access, "ACR0", erase=("ACR0",)) == ("bay07 (serial ACR0): mount /srv on /dev/sda",)


def test_erase_serials_outside_the_list_are_an_input_error() -> None:
    with pytest.raises(InputError, match="ACR1 is not among the drives to partition"):
        actions.ensure_split(Fake([], (disk(0),)), actions.Wish(("ACR0",), ("ACR1",)), False)


def test_erasing_clears_partitions_labels_and_table_first() -> None:
    old = replace(disk(0), partitions=(Partition(1, "sda1", "/dev/sda1", "8:1", MIB, PART),))
    access = Fake([(SETTLE, "")], (old,))
    access.on = {("ACR0", 0): [EXT4]}
    access.old_labels = (0, 1, 2, 3)
    outcome = actions.ensure_split(access, actions.Wish(("ACR0",), ("ACR0",)), True)
    argvs = [command.argv for command in outcome.commands]
    assert argvs[-2:] == [("wipefs", "--all", "/dev/sda"), make_argv(0, "bay07")]
    cleared = [(argv[-1], int(argv[3]), int(argv[5])) for argv in argvs if argv[0] == "blkdiscard"]
    # The second range's old labels, then those of the partition that is there, then the disk's own.
    assert cleared == [
        ("/dev/sda", HALF, MIB), ("/dev/sda", HALF + PART - MIB, MIB),
        ("/dev/sda1", 0, MIB), ("/dev/sda1", PART - MIB, MIB),
        ("/dev/sda", 0, MIB), ("/dev/sda", 2 * HALF - MIB, MIB),
    ]  # fmt: skip


def test_a_lost_table_is_written_anew_and_said_to_bring_its_pool_back() -> None:
    access = Fake([(SETTLE, "")], (disk(0),))
    access.old_labels = (0, 1, 2, 3)
    (one,) = actions.ensure_split(access, actions.Wish(("ACR0",)), True).drives
    assert one.notes[0] == "there is a pool label where bay07.0 begins: the drive had the same partitions before"


def test_labels_of_a_pool_on_the_whole_disk_refuse() -> None:
    access = Fake([(SETTLE, "")], (disk(0),))
    access.old_labels = (0, 1)
    reasons = refused(access, "ACR0")
    assert reasons[0] == (
        "bay07 (serial ACR0): pool labels 0, 1 where bay07.0 would be, from a pool on a larger device that lost its"
        " partition table"
    )
    assert actions.ensure_split(access_told(access), actions.Wish(("ACR0",), ("ACR0",)), True).changed


def access_told(access: Fake) -> Fake:
    again = Fake([(SETTLE, "")], *access.worlds)
    again.old_labels = access.old_labels
    return again


def test_a_moved_drive_is_renamed_when_nothing_uses_it() -> None:
    moved, fresh = split(disk(0), 0, "bay03"), split(disk(0), 0)
    renaming = table.rename_argv("/dev/sda", {1: "bay07.0", 2: "bay07.1"})
    script = [(SETTLE, ""), (SETTLE, ""), (renaming, ""), (SETTLE, ""), (table.read_argv("/dev/sda"), told(fresh))]
    access = Fake(script, (moved,), (fresh,))
    access.on = {("ACR0", 0): [Content("pool_label", "archive", "/dev/sda1")]}
    outcome = actions.ensure_split(access, actions.Wish(("ACR0",)), False)
    access.run.finished()  # type: ignore[attr-defined]
    assert (outcome.changed, outcome.drives[0].state) == (True, "renamed")


def test_names_of_a_drive_in_use_are_left() -> None:
    access = Fake([(SETTLE, "")], (split(disk(0), 0, "bay03"),))
    access.on = {("ACR0", 1): [Content("open", "opened exclusively", "/dev/sda2")]}
    outcome = actions.ensure_split(access, actions.Wish(("ACR0",)), False)
    assert (outcome.changed, outcome.commands) == (False, ())
    assert outcome.drives[0].notes == (
        "the partitions still have other names (bay03.0, bay03.1); they are renamed once nothing uses the drive",
    )


@pytest.mark.parametrize(
    ("after", "table_told", "who"),
    [
        (split(disk(0), 0), told(split(disk(0), 0), name="x"), "the table on the disk"),
        (split(disk(0), 0), told(split(disk(0), 0)).replace("gpt", "dos"), "the table on the disk"),
        (disk(0), told(split(disk(0), 0)), "the kernel's view"),
        (split(disk(0), 0, "bay03"), told(split(disk(0), 0)), "the kernel's view"),
    ],
)
def test_what_was_not_written_as_meant_is_an_error(after: Disk, table_told: str, who: str) -> None:
    script = [
        (SETTLE, ""), (SETTLE, ""), (make_argv(0, "bay07"), ""), (SETTLE, ""),
        (table.read_argv("/dev/sda"), table_told),
    ]  # fmt: skip
    with pytest.raises(CoreError, match=who):
        actions.ensure_split(Fake(script, (disk(0),), (after,)), actions.Wish(("ACR0",)), False)
