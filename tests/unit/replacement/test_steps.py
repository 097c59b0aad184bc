# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The steps of a replacement against a host in memory: what each does, refuses, and how it goes on when cut off."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import (
    HostError,
    InputError,
    Refusal,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Content
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.replacement import situation, steps, watch
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.replacement.situation import Wish
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.pools import ZfsVersion
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.tree import Scan

from .pools import declared, guid
from .world import SIZE, FakeAccess, World, drive

OFFLINE = [("zpool", "offline", "archive", guid(3, index)) for index in (0, 1)]


@pytest.fixture
def world(monkeypatch):
    one = World.built()
    monkeypatch.setattr(situation, "version", lambda dummy_run: ZfsVersion((2, 3, 9), "2.3.9", ""))
    monkeypatch.setattr(situation, "read_pools", lambda dummy_run, dummy_zfs: (one.tree,))
    monkeypatch.setattr(steps.time, "sleep", lambda dummy_seconds: None)
    return one


def wish(leave="bay03", **more):
    return Wish("archive", leave, declared=declared(), **more)


def replaces(bay=3):
    by = "/dev/disk/by-vdev/bay{0:02d}.".format(bay)
    return [
        ("zpool", "replace", "archive", guid(3, 0), by + "0"),
        ("zpool", "replace", "archive", guid(3, 1), by + "1"),
        ("zpool", "resilver", "archive"),
    ]


def run(step, world, the_wish, check_mode=False):
    """One step after its prediction: the commands predicted are those run."""
    access = FakeAccess(world)
    predicted = step(access, the_wish, True)
    before = len(world.ran)
    done = step(access, the_wish, check_mode)
    assert predicted.commands == done.commands
    assert [command.argv for command in done.commands] == world.ran[before:]
    return done


def test_in_its_bay_from_the_first_step_to_the_last(world):
    for leave in ("bay03", "ACT3"):
        told = steps.plan(FakeAccess(world), wish(leave)).status
        assert (told.stage, told.way, told.leaving_serial, told.leaving_bay) == ("idle", "in_place", "ACT3", "bay03")
        assert (told.margin, told.margin_without) == (2, 1)
    run(steps.take_out, world, wish())
    assert world.ran == OFFLINE
    assert run(steps.take_out, world, wish()).changed is False
    world.pull(3)
    assert steps.plan(FakeAccess(world), wish()).status.stage == "out"
    with pytest.raises(HostError, match=r"^bay03: no new drive is in this bay yet"):
        steps.put_in(FakeAccess(world), wish(), False)
    world.drives.append(drive(3, "NEW3"))
    # Names and declaration have followed: the path of the old leaf leads to the new drive now.
    assert steps.plan(FakeAccess(world), wish()).status.stage == "entered"
    run(steps.put_in, world, wish())
    assert world.ran[2:] == replaces()
    assert run(steps.put_in, world, wish()).changed is False
    assert steps.follow(FakeAccess(world), wish(), 0, False).status.stage == "resilvering"
    world.filled()
    done = steps.follow(FakeAccess(world), wish(), 0, False)
    assert (done.status.stage, done.status.entering_serial) == ("done", "NEW3")
    for leave in ("bay03", "ACT3"):  # the same wish again finds it done, and does not touch the new drive
        for step in (steps.take_out, steps.put_in):
            assert run(step, world, wish(leave)).changed is False
    told = steps.plan(FakeAccess(world), wish("NEW3")).status
    assert (told.stage, told.leaving_serial) == ("idle", "NEW3")


def test_a_new_drive_that_fails_in_its_turn_is_replaced_by_its_bay(world):
    run(steps.take_out, world, wish())
    world.pull(3)
    world.drives.append(drive(3, "NEW3"))
    run(steps.put_in, world, wish())
    world.filled()
    steps.follow(FakeAccess(world), wish(), 0, False)
    world.pull(3)
    told = steps.plan(FakeAccess(world), wish()).status
    assert (told.stage, told.leaving_serial) == ("out", "NEW3")


def test_from_another_bay_nothing_goes_offline(world):
    world.drives.append(drive(12, "NEW12"))
    hot = wish("ACT3", enter="bay12")
    assert run(steps.take_out, world, hot).changed is False
    done = run(steps.put_in, world, hot)
    assert done.status.way == "hot"
    assert world.ran == replaces(bay=12)
    world.filled()
    told = steps.follow(FakeAccess(world), hot, 0, False).status
    assert (told.stage, told.leaving_bay, told.entering_bay) == ("done", "bay03", "bay12")
    assert run(steps.put_in, world, wish("bay03", enter="bay12")).changed is False


def test_an_empty_bay_named_for_the_new_drive_does_not_take_the_old_one_out(world):
    with pytest.raises(InputError, match=r"^bay12: no drive was found in this bay"):
        steps.take_out(FakeAccess(world), wish("ACT3", enter="bay12"), False)
    assert world.ran == []


def test_a_bay_without_a_member_is_named_once(world):
    with pytest.raises(InputError, match=r"^bay12: it is not a member of pool archive"):
        steps.plan(FakeAccess(world), wish("bay12"))


@pytest.mark.parametrize("cut", range(2, 5))
def test_cut_off_after_any_command_it_goes_on(world, cut):
    run(steps.take_out, world, wish())
    world.pull(3)
    world.drives.append(drive(3, "NEW3"))
    world.fail_at = cut
    with pytest.raises(KeyboardInterrupt):
        steps.put_in(FakeAccess(world), wish(), False)
    world.fail_at = -1
    if cut == 4:  # both are begun, the second was put off
        world.change(lambda node: replace(node, put_off=node.guid.startswith("9") and len(node.guid) < 4))
    run(steps.put_in, world, wish())
    assert [argv for argv in world.ran[2:] if argv[1] == "replace"] == replaces()[:2]
    assert world.ran[-1] == ("zpool", "resilver", "archive")
    world.filled()
    assert steps.follow(FakeAccess(world), wish(), 0, False).status.stage == "done"


def test_cut_off_between_the_units_it_goes_on_after_the_first_has_been_filled(world):
    run(steps.take_out, world, wish())
    world.pull(3)
    world.drives.append(drive(3, "NEW3"))
    world.fail_at = 3
    with pytest.raises(KeyboardInterrupt):
        steps.put_in(FakeAccess(world), wish(), False)
    world.fail_at = -1
    world.filled()
    done = run(steps.put_in, world, wish())
    assert [command.argv for command in done.commands] == replaces()[1:2]
    world.filled()
    assert steps.follow(FakeAccess(world), wish(), 0, False).status.stage == "done"


def test_it_ends_only_once_the_new_pass_has_begun(world, monkeypatch):
    """OpenZFS begins it with its next transaction; until then the second unit shows as put off."""
    run(steps.take_out, world, wish())
    world.pull(3)
    world.drives.append(drive(3, "NEW3"))
    start, waits = steps.passes.start, []

    def put_off(yes):
        world.change(lambda node: replace(node, put_off=yes and node.guid.startswith("9") and len(node.guid) < 4))

    def started(access, commands):
        start(access, commands)
        put_off(True)

    def wait(seconds):
        waits.append(seconds)
        put_off(len(waits) < 3)

    monkeypatch.setattr(steps.passes, "start", started)
    monkeypatch.setattr(steps.time, "sleep", wait)
    run(steps.put_in, world, wish())
    assert len(waits) == 3
    assert run(steps.put_in, world, wish()).commands == ()


def test_what_a_cut_off_replacement_left_on_the_new_drive_is_its_own(world):
    run(steps.take_out, world, wish())
    world.pull(3)
    world.drives.append(drive(3, "NEW3"))
    world.contents["NEW3", 0] = [Content("partition_table", "gpt", "/dev/NEW30")]
    world.halves.append("/dev/NEW30")
    with pytest.raises(Refusal, match="partition table gpt"):
        steps.put_in(FakeAccess(world), wish(), False)
    world.contents.clear()
    world.fail_at = 2
    with pytest.raises(KeyboardInterrupt):
        steps.put_in(FakeAccess(world), wish(), False)
    world.fail_at = -1
    world.contents["NEW3", 0] = [Content("partition_table", "gpt", "/dev/NEW30"), Content("pool_label", "archive", "x")]
    world.labels["NEW3", 0] = ("4711", "777")
    run(steps.put_in, world, wish())
    # Of another pool it would not be.
    world.labels["NEW3", 0] = ("4711", "778")


def test_too_many_out_is_refused_with_what_else_can_be_done(world):
    for bay in (1, 2):
        world.pull(bay)
    with pytest.raises(Refusal) as caught:
        steps.take_out(FakeAccess(world), wish(), False)
    assert caught.value.reasons == tuple(
        "raidz2-{0} tolerates 2 missing members; bay01.{0} (REMOVED), bay02.{0} (REMOVED) serve no data now; without"
        " bay03.{0}, 3 would be missing".format(index)
        for index in (0, 1)
    )
    assert "free bay" in caught.value.remedy
    assert "restore bay01 (serial ACT1), bay02 (serial ACT2) first" in caught.value.remedy
    assert world.ran == []


def test_the_margin_that_must_remain_is_the_persons_choice(world):
    world.pull(1)
    with pytest.raises(Refusal, match="least_margin requires that it survives 1 more failure\n"):
        steps.take_out(FakeAccess(world), wish(least_margin=1), False)
    assert world.ran == []
    assert run(steps.take_out, world, wish()).status.margin_without == 0  # the default


@pytest.mark.parametrize(("function", "words"), [("scrub", "would stop it"), ("resilver", "would delay or restart it")])
def test_running_scans_are_respected_unless_told(world, function, words):
    world.tree = replace(world.tree, scan=Scan(function, "scanning", issued=1, total=4))
    with pytest.raises(Refusal, match=words):
        steps.take_out(FakeAccess(world), wish(), False)
    assert world.ran == []
    assert run(steps.take_out, world, wish(interrupt=(function,))).changed


def test_a_drive_with_one_bad_unit_is_one_drive(world):
    world.change(lambda node: replace(node, state="FAULTED") if node.guid == guid(3, 1) else node)
    told = steps.plan(FakeAccess(world), wish()).status
    assert told.notes == (
        "bay03.1 and bay03.0 are one drive: bay03.1 is FAULTED, and bay03.0, which is healthy, is replaced as well",
    )
    assert run(steps.take_out, world, wish()).commands[0].argv == OFFLINE[0]


@pytest.mark.parametrize(
    ("new", "reason"),
    [
        (drive(3, "NEW3", size=SIZE - 10**9), "too few for raidz2-0"),
        (drive(3, "NEW3", units=1), "it shows 1 unit; units 0, 1 must be present and working"),
        (drive(3, "ACT4"), "2 drives report its serial"),
    ],
)
def test_drives_that_will_not_do(world, new, reason):
    run(steps.take_out, world, wish())
    world.pull(3)
    world.drives.append(new)
    with pytest.raises(Refusal, match=reason):
        steps.put_in(FakeAccess(world), wish(), False)
    assert world.ran == OFFLINE


def test_a_drive_changed_before_anything_was_run_is_known_by_its_note_once_the_new_one_is_declared(world):
    world.pull(3)
    new = drive(3, "NEW3")
    nameless = replace(new, units=tuple(replace(unit, links=unit.links[1:]) for unit in new.units))
    world.drives.append(nameless)
    assert not steps.take_out(FakeAccess(world), wish(), True).commands
    assert world.notes == []
    assert not run(steps.take_out, world, wish()).changed
    world.drives[-1] = new  # declared, and named for its bay
    redeclared = tuple(replace(one, serial="NEW3") if one.serial == "ACT3" else one for one in declared())
    done = run(steps.put_in, world, replace(wish(), declared=redeclared))
    assert (done.status.leaving_serial, done.status.entering_serial) == ("ACT3", "NEW3")
    assert [command.argv for command in done.commands] == replaces()


def test_a_member_from_another_bay_is_told_to_go_back(world):
    run(steps.take_out, world, wish())
    world.pull(3)
    moved = next(one for one in world.drives if one.serial == "ACT4")
    world.drives[world.drives.index(moved)] = replace(moved, bay=drive(3).bay)
    with pytest.raises(Refusal, match=r"it is itself a member of this pool .*put it back where it was"):
        steps.put_in(FakeAccess(world), wish(), False)


def test_contents_refuse_until_the_serial_is_written_out(world):
    run(steps.take_out, world, wish())
    world.pull(3)
    world.drives.append(drive(3, "NEW3"))
    world.contents["NEW3", 1] = [Content("filesystem", "ext4", "/dev/NEW31")]
    with pytest.raises(Refusal, match="unit 1: filesystem ext4 on /dev/NEW31"):
        steps.put_in(FakeAccess(world), wish(erase_serials=("ACT3",)), False)
    done = run(steps.put_in, world, wish(erase_serials=("NEW3",)))
    assert [command.argv[0] for command in done.commands] == ["blkdiscard"] * 2 + ["wipefs"] + ["zpool"] * 3


def test_given_up_the_old_drive_serves_again(world):
    run(steps.take_out, world, wish())
    world.drives.append(drive(12, "NEW12"))
    run(steps.put_in, world, wish(enter="NEW12"))
    back = run(steps.put_back, world, wish())
    assert [command.argv[1] for command in back.commands] == ["online", "online", "detach", "detach"]
    assert steps.plan(FakeAccess(world), wish()).status.stage == "idle"
    assert run(steps.put_back, world, wish()).changed is False


def waiting(world, events, seconds=30):
    """Wait, each pause being one of *events*; after them, time runs out."""
    clock = [0.0]

    def pause(_seconds):
        clock[0] += 10
        if events:
            events.pop(0)()

    return watch.await_drive(FakeAccess(world), wish(), seconds, False, lambda: clock[0], pause)


def test_waiting_ends_with_the_new_drive(world):
    run(steps.take_out, world, wish())
    told = waiting(world, [lambda: world.pull(3), lambda: world.drives.append(drive(3, "NEW3"))]).status
    assert (told.stage, told.entering_serial) == ("entered", "NEW3")


def test_waiting_ends_in_time(world):
    run(steps.take_out, world, wish())
    with pytest.raises(HostError, match=r"^bay03: the old drive \(serial ACT3\) is still in place after 30 s"):
        waiting(world, [])
    with pytest.raises(HostError, match=r"no new drive was inserted within 30 s[.]") as caught:
        waiting(world, [lambda: world.pull(3)])
    assert "enter" not in caught.value.remedy


def test_a_new_drive_whose_bay_is_not_known_is_named(world):
    run(steps.take_out, world, wish())
    world.pull(3)
    system = replace(drive(90, "SYSTEM", units=1), bay=None)
    new = replace(drive(3, "NEW3"), bay=None)
    told = "no new drive was inserted within 30 s; serial NEW3 is on the host, but its bay is not known"
    with pytest.raises(HostError, match=told) as caught:
        waiting(world, [lambda: world.drives.extend([system, new])])
    assert caught.value.remedy.startswith("If that is the new drive, name its serial in enter")
    done = run(steps.put_in, world, wish(enter="NEW3"))
    assert done.status.entering_serial == "NEW3"


def test_a_wrong_pull_is_named_with_what_undoes_it(world):
    run(steps.take_out, world, wish())
    with pytest.raises(Refusal) as caught:
        waiting(world, [lambda: world.pull(4)])
    assert str(caught.value).startswith(
        "The wrong drive was pulled: bay04 (serial ACT4) is missing; the drive to pull is bay03 (serial ACT3)."
    )
    assert "Put bay04 (serial ACT4) back into its bay at once" in caught.value.remedy
    with pytest.raises(Refusal, match="bay04"):  # as well when it happened while nobody watched
        waiting(world, [])
    world.drives.append(drive(4))
    run_again = steps.take_out(FakeAccess(world), wish(), False)
    assert [command.argv for command in run_again.commands] == [
        ("zpool", "online", "archive", guid(4, i)) for i in (0, 1)
    ]


def test_a_drive_that_was_gone_before_is_no_wrong_pull(world):
    world.pull(1)
    run(steps.take_out, world, wish())
    with pytest.raises(HostError, match="is still in place"):
        waiting(world, [])
