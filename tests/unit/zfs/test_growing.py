# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Growing a pool: the exact commands, and everything that refuses it before any of them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import HostError, Refusal
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.run import SETTLE, Result
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.capacity import (
    leaf_asize,
    pool_capacity,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Content, Layout, Vdev
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs import enlarging, growing
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.access import Holding
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.actions import Wish
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.labels import Label, read_label
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.resolve import PoolMember
from tests.unit.scripted import ScriptedRunner
from tests.unit.zfs import world
from tests.unit.zfs.pools import drive, layout, member
from tests.unit.zfs.test_labels import record
from tests.unit.zfs.world import NO_POOL, World, path, spread, start, status

TB = 10**12
DRIVES = [drive(bay) for bay in range(8)]
ASHIFT = (("zpool", "get", "-H", "-p", "-o", "value", "ashift", "archive"), "12\n")


def raidz(bays, index, parity=2, size=TB):
    return Vdev("raidz", parity, tuple(replace(member(bay, index), size=size) for bay in bays))


def cohort(bays, **more):
    return tuple(raidz(bays, index, **more) for index in (0, 1))


NOW = layout(4)
GROWN = Layout((*NOW.vdevs, *cohort(range(4, 8))))


def named(drives):
    """The drives with the names that disk_inventory gives their units."""
    return [
        replace(one, units=tuple(
            replace(unit, links=(path((one.serial, unit.index)), *unit.links)) for unit in one.units
        ))
        for one in drives
    ]  # fmt: skip


def added(*bays):
    return [path((f"ACT{bay}", index)) for index in (0, 1) for bay in bays]


WORDS = ["raidz2", *added(*range(4, 8))[:4], "raidz2", *added(*range(4, 8))[4:]]
TRIAL = (("zpool", "add", "-n", "-o", "ashift=12", "archive", *WORDS), "")
ADD = ("zpool", "add", "-o", "ashift=12", "archive", *WORDS)


def grow(access, script, wanted=GROWN, check=False, **more):
    access.run = ScriptedRunner(script)
    report = growing.ensure_grown(access, Wish("archive", wanted, by_name=True, **more), check)
    access.run.finished()
    return report


def fresh(**more):
    return World(found_drives=named(DRIVES), on_units=spread(NOW), **more)


def test_a_further_cohort_is_added_by_one_command_after_openzfs_was_asked():
    access = fresh()
    script = [*start(status(NOW)), ASHIFT, TRIAL, (SETTLE, ""), (ADD, ""), (SETTLE, ""), status(GROWN)]
    report = grow(access, script)
    assert report.outcome.changed
    assert [one.argv for one in report.outcome.commands] == [ADD]
    assert report.added[0] == "raidz2: bay04.0 bay05.0 bay06.0 bay07.0"
    assert "raidz2: bay04.1" in report.outcome.after
    assert "bay04" not in report.outcome.before
    wwns = tuple(unit.wwn for one in DRIVES[4:] for unit in one.units)
    assert set(access.noted[0][2]) == set(wwns)
    assert access.noted[1] == "end"


def test_check_mode_predicts_the_same_and_runs_nothing_that_acts():
    report = grow(fresh(), [*start(status(NOW)), ASHIFT, TRIAL], check=True)
    assert [one.argv for one in report.outcome.commands] == [ADD]


def test_a_pool_as_large_as_its_layout_is_left_alone():
    access = World(found_drives=named(DRIVES), on_units=spread(GROWN))
    report = grow(access, start(status(GROWN)))
    assert (report.outcome.changed, report.added, report.expanded, report.waiting) == (False, (), (), ())


def refused(access, script, wanted=GROWN, **more):
    access.run = ScriptedRunner(script)
    with pytest.raises(Refusal) as told:
        growing.ensure_grown(access, Wish("archive", wanted, by_name=True, **more), False)
    access.run.finished()
    assert "nothing was changed" in str(told.value)
    return "\n".join(told.value.reasons)


@pytest.mark.parametrize(
    ("new", "reason"),
    [
        (cohort(range(4, 8), parity=1), "raidz1 of bay04.0 .*: the pool has raidz2"),
        (cohort(range(4, 8), parity=1), r"drive failures survived: 1 \(the pool: 2\)"),
        # Two drives whole in one vdev: each loss takes two members.
        (
            (Vdev("raidz", 2, tuple(member(bay, index) for bay in (4, 5) for index in (0, 1))),),
            r"drive failures survived: 1 \(the pool: 2\)",
        ),
        ((Vdev("mirror", 2, tuple(member(bay, 0) for bay in (4, 5, 6))),), "the pool has raidz2"),
    ],
)
def test_what_would_weaken_the_pool_is_refused_by_survival(new, reason):
    told = refused(fresh(), start(status(NOW)), Layout((*NOW.vdevs, *new)), allow_siblings=True)
    assert world.re_found(reason, told)


def test_the_promise_for_enclosures_is_kept_too():
    def housed(vdev, names):
        return replace(vdev, members=tuple(
            replace(one, bay=f"{name}-{one.bay}") for one, name in zip(vdev.members, names, strict=True)
        ))  # fmt: skip

    now = Layout(tuple(housed(vdev, ["east", "west", "north", "south"]) for vdev in NOW.vdevs))
    lopsided = [housed(vdev, ["east", "east", "east", "south"]) for vdev in cohort(range(4, 8))]
    with pytest.raises(Refusal, match=r"enclosure failures survived: 0 \(the pool: 2\)"):
        growing.refuse_weaker(now, lopsided)
    growing.refuse_weaker(now, [housed(vdev, ["east", "west", "north", "south"]) for vdev in cohort(range(4, 8))])


def test_a_layout_that_moves_what_is_placed_is_refused():
    # The drives of bays 3 and 4 have changed places.
    moved = Layout((*cohort([0, 1, 2, 4]), *cohort([3, 5, 6, 7])))
    told = refused(fresh(), start(status(NOW)), moved)
    assert "actual raidz2" in told
    assert "ACT0 unit 0: already a member of another vdev" in told


def test_a_new_unit_that_is_not_empty_is_refused_and_cleared_when_listed():
    disks = {("ACT5", 1): (Content("filesystem", "ext4", "/dev/sdl"),)}
    told = refused(fresh(on_disks=disks), start(status(NOW)))
    assert told == "bay05 (serial ACT5) unit 1: filesystem ext4 on /dev/sdl"
    # Told, it is cleared first; OpenZFS's opinion would only be that it is not empty.
    report = grow(fresh(on_disks=disks), [*start(status(NOW)), ASHIFT], check=True, erase_serials=("ACT5",))
    assert report.outcome.commands[0].argv[0] == "blkdiscard"
    assert report.outcome.commands[-2].argv == ("wipefs", "--all", "/dev/sdl")
    assert report.outcome.commands[-1].argv == ADD


def test_what_a_growth_that_was_cut_off_left_is_forgiven():
    table = {(f"ACT{bay}", 0): (Content("partition_table", "gpt", f"/dev/x{bay}"),) for bay in range(4, 8)}
    ours = frozenset(unit.wwn for one in DRIVES[4:] for unit in one.units)
    access = fresh(on_disks=table, begun_wwns=ours)
    assert grow(access, [*start(status(NOW)), ASHIFT, TRIAL], check=True).outcome.changed
    assert "partition table gpt" in refused(fresh(on_disks=table), start(status(NOW)))


def test_openzfs_objection_changes_nothing():
    access = fresh()
    access.run = ScriptedRunner([*start(status(NOW)), ASHIFT, (TRIAL[0], Result(1, "", "mismatched replication"))])
    with pytest.raises(Exception, match=r"mismatched replication.*Nothing was changed"):
        growing.ensure_grown(access, Wish("archive", GROWN, by_name=True), False)
    access.run.finished()
    assert not access.noted


def test_a_pool_that_is_not_there_or_suspended_does_not_grow():
    with pytest.raises(HostError, match="cannot grow"):
        grow(fresh(), start(NO_POOL))
    told = refused(fresh(), start(status(NOW, state="SUSPENDED")))
    assert told


# Larger drives, one by one.


def larger(*bays):
    """The drives with units of 2 TB in these bays, and the pool's layout on them."""

    def sized(one, size):
        return replace(one, units=tuple(replace(unit, size=size) for unit in one.units))

    drives = [sized(one, 2 * TB if bay in bays else TB) for bay, one in enumerate(DRIVES[:4])]
    return World(found_drives=named(drives), on_units=spread(NOW))


EXPAND = [("zpool", "online", "-e", "archive", *(path((f"ACT{bay}", index)) for bay in range(4))) for index in (0, 1)]


def test_vdevs_whose_members_are_all_larger_are_expanded():
    access = larger(0, 1, 2, 3)
    double = Layout(cohort(range(4), size=2 * TB))

    class Grows(ScriptedRunner):
        def __call__(self, argv):
            if argv[:2] == ("zpool", "sync"):
                access.on_units = spread(double)
            return super().__call__(argv)

    access.run = Grows(
        [*start(status(NOW)), (EXPAND[0], ""), (EXPAND[1], ""), (SETTLE, ""), (("zpool", "sync", "archive"), ""),
         (SETTLE, ""), status(NOW)]
    )  # fmt: skip
    report = growing.ensure_grown(access, Wish("archive", NOW, by_name=True), False)
    access.run.finished()
    size = pool_capacity(double.vdevs).vdevs[0].asize
    assert report.expanded == tuple(f"raidz2-{number}: {size} bytes to allocate" for number in (0, 1))
    assert not report.waiting
    assert not grow(access, start(status(NOW)), NOW).outcome.changed


def test_an_expansion_that_did_nothing_is_an_error():
    access = larger(0, 1, 2, 3)
    script = [*start(status(NOW)), (EXPAND[0], ""), (EXPAND[1], ""), (SETTLE, ""), (("zpool", "sync", "archive"), ""),
              (SETTLE, ""), status(NOW)]  # fmt: skip
    with pytest.raises(Exception, match="lacks: larger size of raidz2-0; larger size of raidz2-1"):
        grow(access, script, NOW)


def test_one_small_member_holds_its_vdev_back_and_is_named():
    report = grow(larger(0, 1, 3), start(status(NOW)), NOW)
    assert not report.outcome.changed
    assert report.waiting[0] == (
        "raidz2-0: 3 of 4 members are larger; it grows once these are larger too: bay02.0 (serial ACT2)"
    )


def test_nothing_is_expanded_under_a_resilver_or_while_a_member_is_lost():
    running: dict[str, Any] = {"scan_stats": {"function": "RESILVER", "state": "SCANNING"}}
    report = grow(larger(0, 1, 2, 3), start(status(NOW, **running)), NOW)
    assert not report.outcome.changed
    assert "raidz2-0 could grow, but a resilver is running; run this again when it has finished" in report.waiting
    lost = {("ACT1", 0): world.disk(("ACT1", 0), "REMOVED")}
    report = grow(larger(0, 1, 2, 3), start(status(NOW, lost)), NOW, check=True)
    assert [one.argv for one in report.outcome.commands] == [EXPAND[1], ("zpool", "sync", "archive")]
    assert "raidz2-0 could grow, but not all of its members are available" in report.waiting


def test_units_that_openzfs_did_not_partition_itself_are_left_alone():
    class ByHand(World):
        def half_made(self, units):  # noqa: ARG002
            return ()

    access = larger(0, 1, 2, 3)
    access = ByHand(found_drives=access.found_drives, on_units=access.on_units)
    assert not grow(access, start(status(NOW)), NOW).outcome.changed


@pytest.mark.parametrize("name", ["2.1.11-raidz2", "2.3.9-raidz2"])
def test_what_a_vdev_allocates_is_computed_as_openzfs_wrote_it(name):
    # Recorded in the lab: four files of 128 MiB each (tests/data/labels/capture.py).
    data, offset, _words = record(name)
    found = read_label(data, offset).vdev
    assert (found.asize, found.metaslab_shift) == (4 * leaf_asize(128 << 20), 25)


@pytest.mark.parametrize(
    ("path", "kind", "told"),
    [
        ("/dev/disk/by-vdev/bay01.0-part1", "lun", "/dev/disk/by-vdev/bay01.0"),
        ("/dev/disk/by-id/wwn-0x5000ace278dc0f21-part1", "lun", "/dev/disk/by-id/wwn-0x5000ace278dc0f21"),
        ("/dev/sdb1", "lun", "/dev/sdb"),
        ("/dev/disk/by-vdev/bay01.1", "lun", "/dev/disk/by-vdev/bay01.1"),
        ("/dev/disk/by-id/wwn-0x5000ace278dc0fa1", "lun", "/dev/disk/by-id/wwn-0x5000ace278dc0fa1"),
        ("", "lun", "77"),
        ("/dev/disk/by-vdev/bay01.0", "range", "77"),
    ],
)
def test_a_whole_disk_is_expanded_by_its_link_and_a_partition_by_its_guid(path, kind, told):
    unit = replace(DRIVES[0].units[0], unit_kind=kind)
    placed = PoolMember("bay00.0", path, "77", "ONLINE", True, serial="ACT0", index=0)
    assert enlarging._called(placed, {("ACT0", 0): Holding(unit, "", 1, Label("active", "77"))}, {}) == told
