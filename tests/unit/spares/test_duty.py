# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Spares on duty: whole drives stand in and go back; what was done unit by unit is named and put right."""

from __future__ import annotations

from typing import Any

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import CoreError, InputError, Refusal
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.run import SETTLE
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Content, Layout, SpareDrive
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.spares import action, duty
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.spares.plan import Wish
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.labels import Label
from tests.unit.scripted import ScriptedRunner
from tests.unit.zfs.pools import drive, layout, leaf, member
from tests.unit.zfs.recorded import DRAID, FORMS
from tests.unit.zfs.recorded import pool as recorded
from tests.unit.zfs.world import NO_POOL, World, disk, spread, stand_in, start, status

# Six drives: those in bays 0 to 3 in the pool, those in bays 4 and 5 spares.
DRIVES = [drive(bay) for bay in range(6)]
NOW = layout(4)
SPARES = tuple(SpareDrive(f"ACT{bay}", f"bay{bay:02d}", (member(bay, 0), member(bay, 1))) for bay in (4, 5))
LAID_OUT = Layout(NOW.vdevs, SPARES)
RESILVER: dict[str, Any] = {"scan_stats": {"function": "RESILVER", "state": "SCANNING"}}
DEFER = (("zpool", "get", "-H", "-p", "-o", "value", "feature@resilver_defer", "archive"), "active\n")
DECLARED = {f"bay{bay:02d}": {"serial": f"ACT{bay}"} for bay in range(6)}


def key(bay, index):
    return (f"ACT{bay}", index)


def unit(bay, index):
    return DRIVES[bay].units[index].links[0]


def lost(*keys):
    return {one: disk(one, "REMOVED") for one in keys}


def taken(owner, spare, state="REMOVED", **more):
    """A place in which a spare stands in."""
    return {owner: stand_in("spare", disk(owner, state), disk(spare, **more))}


def inuse(*keys, state="INUSE"):
    return [disk(one, state) for one in keys]


def detach(bay, index):
    return ("zpool", "detach", "archive", leaf(key(bay, index)))


def remove(bay, index):
    return ("zpool", "remove", "archive", leaf(key(bay, index)))


def add(bay, *indices):
    return ("zpool", "add", "archive", "spare", *(unit(bay, index) for index in indices))


def replace(bay, index, by):
    return ("zpool", "replace", "archive", leaf(key(bay, index)), unit(by, index))


PASS = ("zpool", "resilver", "archive")


def world(*gone, **more):
    """Everything on the host but the drives in the bays *gone*."""
    here = [one for bay, one in enumerate(DRIVES) if bay not in gone]
    return World(found_drives=here, on_units=spread(NOW), **more)


def once(access, told, *before, check=True, wanted=LAID_OUT, **more):
    """One round in check mode: the report and its commands."""
    from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.declared import read_drives

    access.run = ScriptedRunner([*start(told), *before])
    wish = Wish("archive", wanted, declared=read_drives(DECLARED), **more)
    report = action.ensure_spares(access, wish, check)
    access.run.finished()
    return report, [one.argv for one in report.outcome.commands]


def test_a_healthy_pool_needs_nothing_and_is_asked_nothing():
    report, words = once(world(), status(NOW))
    assert words == []
    assert (report.findings, report.taken, report.returned, report.waiting) == ((), (), (), ())


PULLED = lost(key(1, 0), key(1, 1))
STANDING = {**taken(key(1, 0), key(4, 0)), **taken(key(1, 1), key(4, 1))}


def test_a_lost_drive_is_stood_in_for_by_a_whole_drive_by_unit_index_in_one_pass():
    access = world(1)
    words = [add(4, 0, 1), replace(1, 0, 4), replace(1, 1, 4), PASS]
    after = status(NOW, STANDING, inuse(key(4, 0), key(4, 1)), **RESILVER)
    run = [DEFER, (SETTLE, ""), (words[0], ""), (SETTLE, ""), (words[1], ""), (words[2], ""), (SETTLE, ""),
           (PASS, ""), (SETTLE, ""), *start(after)]  # fmt: skip
    report, told = once(access, status(NOW, PULLED), *run, check=False)
    assert told == words
    assert report.taken == ("bay04 (serial ACT4) stands in for bay01 (serial ACT1)",)
    assert access.noted[0][2] == tuple(one.wwn for one in DRIVES[4].units)
    predicted, expected = once(world(1), status(NOW, PULLED), DEFER)
    assert (expected, predicted.taken) == (words, report.taken)
    # While it stands in, there is nothing to do.
    report, told = once(access, after)
    assert (told, report.findings, report.waiting) == ([], (), ())


def test_what_did_not_come_about_is_an_error():
    run = [DEFER, (SETTLE, ""), (add(4, 0, 1), ""), (SETTLE, ""), (replace(1, 0, 4), ""), (replace(1, 1, 4), ""),
           (SETTLE, ""), (PASS, ""), (SETTLE, ""), *start(status(NOW, PULLED))]  # fmt: skip
    with pytest.raises(CoreError, match="serial ACT4 unit 0 does not stand in for bay"):
        once(world(1), status(NOW, PULLED), *run, check=False)


def test_a_drive_with_a_unit_that_answers_or_taken_offline_is_stood_in_for_only_when_told():
    for places in (lost(key(1, 0)), {one: disk(one, "OFFLINE") for one in (key(1, 0), key(1, 1))}):
        report, words = once(world(), status(NOW, places))
        assert (words, report.waiting) == ([], ())
        report, words = once(world(), status(NOW, places), DEFER, lost=("ACT1",))
        assert words == [add(4, 0, 1), replace(1, 0, 4), replace(1, 1, 4), PASS]


def test_another_drive_in_the_bay_means_a_replacement_and_no_spare():
    access = world()
    access.found_drives = [*DRIVES[:1], *DRIVES[2:], drive(1, "NEW1")]
    report, words = once(access, status(NOW, PULLED))
    assert words == []
    assert report.waiting == (
        "bay01 (serial ACT1): another drive is in its bay, bay01 (serial NEW1); run the playbook replace_drive",
    )


def test_a_spare_that_is_not_empty_or_whole_or_large_enough_does_not_stand_in():
    full = {key(4, 1): (Content("filesystem", "ext4", "/dev/sdj"),)}
    _report, words = once(world(1, on_disks=full), status(NOW, PULLED), DEFER)
    assert words[0] == add(5, 0, 1)
    report, words = once(world(1, 5, on_disks=full), status(NOW, PULLED))
    assert words == []
    assert "no spare drive can stand in: bay04 (serial ACT4) unit 1: filesystem ext4" in report.waiting[0]
    from dataclasses import replace as changed

    access = world(1, 5)
    small = changed(DRIVES[4], units=tuple(changed(one, size=10**11) for one in DRIVES[4].units))
    access.found_drives = [*access.found_drives[:-1], small]
    report, words = once(access, status(NOW, PULLED))
    assert "usable bytes, raidz2-0 needs" in report.waiting[0]
    half = changed(DRIVES[4], units=DRIVES[4].units[:1])
    access.found_drives = [*access.found_drives[:-1], half]
    report, words = once(access, status(NOW, PULLED))
    assert "shows 1 of its 2 units" in report.waiting[0]
    assert words == []


def test_a_spare_that_served_before_serves_again():
    was = {
        one: (Content("partition_table", "gpt", "x"), Content("pool_label", "", "y")) for one in (key(4, 0), key(4, 1))
    }
    access = world(1, on_disks=was)
    report, words = once(world(1, 5, on_disks=was), status(NOW, PULLED))
    assert words == []  # a label that says nothing of a spare
    access.on_units.update({one: Label("spare", leaf(one)) for one in was})
    report, words = once(access, status(NOW, PULLED), DEFER)
    assert report.taken == ("bay04 (serial ACT4) stands in for bay01 (serial ACT1)",)


def test_a_resilver_for_another_drive_is_not_begun_anew_unless_told():
    busy = {**PULLED, key(2, 0): stand_in("replacing", disk(key(2, 0)), disk(key(3, 0), scan_processed=5))}
    report, words = once(world(1), status(NOW, busy, **RESILVER))
    assert words == []
    assert "once the running resilver ends" in report.waiting[0]
    _report, words = once(world(1), status(NOW, busy, **RESILVER), DEFER, restart=True)
    assert words[0] == add(4, 0, 1)


def test_a_take_over_that_was_cut_off_is_finished():
    # The power went after the first replacement; the other unit is an idle spare in the pool.
    half = {**taken(key(1, 0), key(4, 0), scan_processed=5), **lost(key(1, 1))}
    told = status(NOW, half, [*inuse(key(4, 0)), *inuse(key(4, 1), state="AVAIL")], **RESILVER)
    report, words = once(world(1), told)
    assert words == [replace(1, 1, 4)]
    assert report.taken == ("bay04 (serial ACT4) stands in for bay01 (serial ACT1)",)
    # It went before any.
    told = status(NOW, PULLED, inuse(key(4, 0), key(4, 1), state="AVAIL"))
    _report, words = once(world(1), told, DEFER)
    assert words == [replace(1, 0, 4), replace(1, 1, 4), PASS]


def test_a_spare_goes_back_whole_once_all_its_places_are_served():
    back = {**taken(key(1, 0), key(4, 0), "ONLINE"), **taken(key(1, 1), key(4, 1), "ONLINE")}
    used = inuse(key(4, 0), key(4, 1))
    report, words = once(world(), status(NOW, back, used))
    assert words == [detach(4, 0), remove(4, 0), detach(4, 1), remove(4, 1)]
    assert report.returned == ("bay04 (serial ACT4) is released: bay01 (serial ACT1) serves again",)
    # Not while one of its places needs it, nor under a resilver.
    some = {**back, **taken(key(1, 1), key(4, 1))}
    report, words = once(world(), status(NOW, some, used))
    assert (words, report.returned) == ([], ())
    report, words = once(world(), status(NOW, back, used, **RESILVER))
    assert words == []
    assert "released once the resilver has finished" in report.waiting[0]


def test_an_idle_spare_leaves_the_pool_before_anybody_takes_one_unit_of_it():
    report, words = once(world(), status(NOW, None, inuse(key(4, 0), key(4, 1), state="AVAIL")))
    assert words == [remove(4, 0), remove(4, 1)]
    assert [(one.code, one.index) for one in report.findings] == [("spare_exposed", 0), ("spare_exposed", 1)]


# What the event daemon was seen to do (tests/lab/test_spares.py): two drives lose their unit 1, and it takes
# both units of one spare drive into one vdev.
DOUBLED = {**taken(key(1, 1), key(4, 0)), **taken(key(2, 1), key(4, 1))}
BOTH = inuse(key(4, 0), key(4, 1))


def test_two_units_of_a_spare_in_one_vdev_are_named_and_parted_when_another_spare_is_free():
    report, words = once(world(), status(NOW, DOUBLED, BOTH))
    assert [(one.code, one.severity, one.serial) for one in report.findings] == [("spare_doubled", "error", "ACT4")]
    assert words[:2] == [detach(4, 1), remove(4, 1)]
    assert words[2:] == [add(5, 1), ("zpool", "replace", "archive", leaf(key(2, 1)), unit(5, 1))]
    assert report.taken == ("bay05 (serial ACT5) stands in for bay02 (serial ACT2)",)


def test_they_stay_while_there_is_no_other_spare():
    report, words = once(world(5), status(NOW, DOUBLED, BOTH))
    assert words == []
    assert "keeps 2 units in one vdev until another spare drive is free" in report.waiting[0]


def test_units_of_a_spare_for_two_drives_are_named():
    divided = {**taken(key(1, 0), key(4, 0)), **taken(key(2, 1), key(4, 1))}
    report, words = once(world(), status(NOW, divided, BOTH))
    assert words == []
    assert [(one.code, one.found) for one in report.findings] == [
        ("spare_divided", "its units stand in for bay01 (serial ACT1) and bay02 (serial ACT2)")
    ]


def test_a_pool_that_is_suspended_or_not_there():
    with pytest.raises(Refusal, match="nothing was changed"):
        once(world(), status(NOW, state="SUSPENDED"))
    with pytest.raises(InputError, match="no pool of this name"):
        once(world(), NO_POOL)


# --- pools as real hosts printed them


@pytest.mark.parametrize("form", FORMS)
def test_a_drive_that_was_absent_at_import_is_lost_and_so_are_its_spares(form):
    """2.3's JSON calls it CANT_OPEN: as long as nobody knew the word, no spare stood in."""
    found = recorded("absent", form)
    gone = {drive: [(seat.vdev.name, seat.owner.index) for seat in held] for drive, held in duty.gone(found).items()}
    assert gone == {("COH03", "bay03"): [("raidz2-0", 0), ("raidz2-1", 1)]}
    # The spares that were in the pool are gone themselves: none is idle in it, so none is exposed.
    assert [one.state for one in found.spares] == ["UNAVAIL", "UNAVAIL"]
    assert duty.findings(found) == ()


def test_a_member_of_an_unknown_state_is_left_to_a_person():
    """Nothing says that it has gone: no spare is spent on it, and it is told (drift: member_failed)."""
    told = status(NOW, {key(1, index): disk(key(1, index), "SOMETHING_NEW") for index in (0, 1)})
    report, commands = once(world(), told)
    assert commands == []
    assert not report.taken


@pytest.mark.parametrize(("name", "form"), DRAID)
def test_a_distributed_spare_is_part_of_its_vdev(name, form):
    """It belongs in the pool, idle or at work, and is no drive whose units could be divided or doubled."""
    found = recorded(name, form)
    assert all(one.distributed for one in found.spares)
    assert len(found.spares) == 2
    assert duty.findings(found) == ()
    assert duty.returnable(found) == {}


def test_an_idle_distributed_spare_is_not_taken_out_of_the_pool():
    mine = {"name": "draid2-0-0", "vdev_type": "dspare", "guid": 4711, "path": "draid2-0-0", "state": "AVAIL"}
    report, commands = once(world(), status(NOW, spares=[mine]))
    assert commands == []
    assert report.findings == ()
