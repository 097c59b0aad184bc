# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Retiring a pool: only what was spelled out is cleared, and only when it is surely this pool's."""

from __future__ import annotations

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import CommandError, Refusal
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.run import SETTLE, Result
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Content
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs import retiring
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.actions import Wish
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_pool_state import ensure_state
from tests.unit.scripted import ScriptedRunner
from tests.unit.zfs.pools import GUID, drive, layout
from tests.unit.zfs.world import NO_POOL, World, spread, start, status

DRIVES = [drive(bay) for bay in range(6)]
NOW = layout(4)
LIST = ("zpool", "list", "-H", "-p", "-o", "name,guid")
EXPORT = ("zpool", "export", "archive")


def members(serials, *extra):
    """What is seen on members: the label on partition 1, the table, and what is *extra*."""
    units = {(one.serial, unit.index): unit for one in DRIVES for unit in one.units}
    return {
        key: (
            Content("partition_table", "gpt", units[key].node),
            Content("pool_label", "archive", units[key].node + "1"),
            *(Content(kind, "", units[key].node + "1") for kind in extra),
        )
        for key in units
        if key[0] in serials
    }


class Clears(ScriptedRunner):
    """Exporting is written down on the labels; clearing the last of a unit empties it."""

    def __init__(self, script, access):
        super().__init__(script)
        self.access = access

    def __call__(self, argv):
        if argv == EXPORT:
            self.access.on_units = spread(NOW, state="exported", txg=101)
        if argv[0] == "wipefs":
            gone = [key for key, unit in self.access.units().items() if unit.node == argv[-1]]
            for key in gone:
                self.access.on_units.pop(key, None)
                self.access.on_disks.pop(key, None)
        return super().__call__(argv)


def retire(access, script, *serials, check=False, guid=""):
    access.run = Clears(script, access)
    report = retiring.ensure_retired(access, Wish("archive", layout(4), erase_serials=serials), guid, check)
    access.run.finished()
    return report


def exported(*serials, **more):
    return World(
        found_drives=DRIVES, on_units=spread(NOW, state="exported", **more), on_disks=members(serials or ["ACT1"])
    )


def clearing(node, size=10**12):
    """zeroes both ends of the partition and of the disk, then its signatures; 9 is too small for labels."""
    span, label = 1 << 20, 1 << 18
    words = []
    for device, length in ((node + "1", size - (16 << 20)), (node, size)):
        for offset in (0, length // label * label - span):
            words.append(
                ("blkdiscard", "--zeroout", "--offset", str(offset), "--length", str(span), device),
            )
    return [*words, ("wipefs", "--all", node)]


def forgetting(*nodes):
    return [("blockdev", "--rereadpt", node) for node in nodes]


def test_without_serials_it_is_an_export_and_no_more():
    access = World(found_drives=DRIVES, on_units=spread(NOW), on_disks=members(["ACT1"], "open"))
    script = [*start(status(NOW)), (SETTLE, ""), (EXPORT, ""), (SETTLE, ""), (LIST, "")]
    report = retire(access, script)
    assert report.outcome.changed
    assert report.erased == report.notes == ()
    assert report.left == tuple(f"bay{bay:02d} (serial ACT{bay})" for bay in range(4))


def test_exactly_the_units_of_the_drives_spelled_out_are_cleared_after_the_export():
    access = World(found_drives=DRIVES, on_units=spread(NOW), on_disks=members(["ACT1"], "open"))
    words = [*clearing("/dev/sdc"), *clearing("/dev/sdd")]
    acting = [(one, "") for one in words]
    first, last = forgetting("/dev/sdc", "/dev/sdd")
    busy = Result(1, "", "blockdev: ioctl error on BLKRRPART: Device or resource busy")
    forgotten = [(first, busy), (SETTLE, ""), (first, ""), (SETTLE, ""), (last, ""), (SETTLE, "")]
    script = [
        *start(status(NOW)), (SETTLE, ""), (EXPORT, ""), (SETTLE, ""), (LIST, ""),
        *acting[:-1], (SETTLE, ""), acting[-1], (SETTLE, ""), *forgotten,
    ]  # fmt: skip
    report = retire(access, script, "ACT1")
    assert [one.argv for one in report.outcome.commands] == [EXPORT, *words, *forgetting("/dev/sdc", "/dev/sdd")]
    assert report.erased == ("bay01 (serial ACT1)",)
    assert len(report.left) == 3
    assert "not sanitisation" in report.notes[0]
    assert "IEEE 2883" in report.notes[0]
    again = retire(access, start(NO_POOL), "ACT1")
    assert (again.outcome.changed, again.erased, again.notes) == (False, (), ())


def test_check_mode_predicts_it():
    access = World(found_drives=DRIVES, on_units=spread(NOW), on_disks=members(["ACT1"], "open"))
    report = retire(access, start(status(NOW)), "ACT1", check=True)
    assert [one.argv for one in report.outcome.commands] == [
        EXPORT, *clearing("/dev/sdc"), *clearing("/dev/sdd"), *forgetting("/dev/sdc", "/dev/sdd")
    ]  # fmt: skip
    assert "labels on bay01" in report.outcome.before
    assert "labels on bay01" not in report.outcome.after


def test_clearing_that_was_cut_off_is_finished():
    access = exported("ACT1")
    # Unit 0 has lost its labels and kept its table.
    access.on_units.pop(("ACT1", 0))
    access.on_disks[("ACT1", 0)] = (Content("partition_table", "gpt", "/dev/sdc"),)
    report = retire(access, start(NO_POOL), "ACT1", check=True)
    assert [one.argv for one in report.outcome.commands] == [
        *clearing("/dev/sdc"), *clearing("/dev/sdd"), *forgetting("/dev/sdc", "/dev/sdd")
    ]  # fmt: skip


def refused(access, script, *serials, guid=""):
    with pytest.raises(Refusal) as told:
        retire(access, script, *serials, guid=guid)
    access.run.finished()
    assert "nothing was changed" in str(told.value)
    return "\n".join(told.value.reasons)


def test_what_is_not_a_part_of_this_pool_is_never_cleared():
    access = exported("ACT1")
    access.on_disks[("ACT4", 0)] = (Content("filesystem", "ext4", "/dev/sdi"),)
    assert refused(access, start(NO_POOL), "ACT1", "ACT4") == "bay04 (serial ACT4) unit 0: filesystem ext4 on /dev/sdi"
    # The label of another pool, though a drive of the same table.
    access = exported("ACT1")
    access.on_units[("ACT4", 1)] = spread(NOW, pool_guid="9", name="tide")[("ACT1", 1)]
    access.on_disks[("ACT4", 1)] = (Content("pool_label", "tide", "/dev/sdj1"),)
    assert "bay04 (serial ACT4) unit 1: pool label tide on /dev/sdj1" in refused(access, start(NO_POOL), "ACT4")
    # A member's own disk in use for something else as well.
    access = exported()
    access.on_disks = members(["ACT1"], "mount")
    assert "unit 0: mount on /dev/sdc1" in refused(access, start(NO_POOL), "ACT1")
    # Another label beside the pool's.
    access = exported("ACT1")
    access.on_disks[("ACT1", 0)] += (Content("pool_label", "old", "/dev/sdc"),)
    assert "pool label old on /dev/sdc" in refused(access, start(NO_POOL), "ACT1")


def test_a_serial_that_is_not_there_stops_all():
    assert refused(exported("ACT1"), start(NO_POOL), "ACT1", "ACT9") == "serial ACT9: not on the host"


def test_a_pool_that_another_host_did_not_export_is_left_alone():
    access = World(
        found_drives=DRIVES,
        on_units=spread(NOW, hostname="west1", hostid=0xABCD),
        on_disks=members(["ACT1"]),
    )
    told = refused(access, start(NO_POOL), "ACT1")
    assert told == "the pool was not exported; host west1 (host id 0000abcd) used it last"
    # A drive that left the pool before the export says so still; the newest label counts.
    access = exported("ACT1")
    access.on_units[("ACT3", 0)] = spread(NOW, txg=50)[("ACT3", 0)]
    assert retire(access, start(NO_POOL), "ACT1", check=True).outcome.changed


def test_which_pool_is_meant_must_be_sure():
    access = exported("ACT1")
    access.on_units[("ACT4", 0)] = spread(NOW, pool_guid="9")[("ACT1", 0)]
    assert refused(access, start(NO_POOL), "ACT1") == f"GUID {GUID}\nGUID 9"
    assert retire(access, start(NO_POOL), "ACT1", check=True, guid=GUID).outcome.changed
    assert "but 9 was requested" in refused(World(found_drives=DRIVES), start(status(NOW)), guid="9")
    assert refused(World(found_drives=DRIVES), start(status(NOW, state="SUSPENDED")))


def test_a_busy_pool_stays_and_no_label_is_touched():
    access = World(found_drives=DRIVES, on_units=spread(NOW), on_disks=members(["ACT1"], "open"))
    script = [*start(status(NOW)), (SETTLE, ""), (EXPORT, Result(1, "", "pool is busy"))]
    with pytest.raises(CommandError, match="pool is busy"):
        retire(access, script, "ACT1")
    access.run.finished()


def test_the_module_needs_no_layout_for_it():
    """A pool that is to go is not compared with any plan."""
    access = World(found_drives=DRIVES, on_units=spread(NOW), on_disks=members(["ACT1"], "open"))
    access.run = Clears(start(status(NOW)), access)
    given: dict[str, object] = {
        "state": "retired", "pool": "archive", "layout": None, "guid": "", "declared": {}, "support": [],
        "pool_settings": {}, "root_settings": {}, "erase_serials": [], "require_trial": "none",
        "allow_siblings": False, "by_name": False,
    }  # fmt: skip
    outcome, more = ensure_state(given, access, check_mode=True)
    access.run.finished()
    assert [command.argv for command in outcome.commands] == [EXPORT]
    assert len(more["left"]) == 4
