# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Which places a drive's units have in a pool, and the commands that put another drive's units there."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import CommandError, InputError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.discover import Wanted
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.run import SETTLE, Result
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.replacement import passes, places
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.replacement.places import Identity
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.access import Access
from tests.unit.scripted import ScriptedRunner

from .pools import BY, guid, leaf, pool, replacing, tree

NEW = {0: BY + "bay03.0", 1: BY + "bay03.1"}
FEATURE = ("zpool", "get", "-H", "-p", "-o", "value", "feature@resilver_defer", "archive")


def argvs(commands):
    return [command.argv for command in commands]


def test_each_unit_is_replaced_by_the_unit_of_its_index_and_both_in_one_pass():
    found = places.places_of(pool(tree()), "ACT3")
    assert [(place.vdev, place.index) for place in found] == [("raidz2-0", 0), ("raidz2-1", 1)]
    for value in ("enabled\n", "active\n"):
        runner = ScriptedRunner([(FEATURE, value)])
        assert argvs(passes.plan(runner, "archive", found, NEW)) == [
            ("zpool", "replace", "archive", guid(3, 0), BY + "bay03.0"),
            ("zpool", "replace", "archive", guid(3, 1), BY + "bay03.1"),
            ("zpool", "resilver", "archive"),
        ]
        runner.finished()


def test_a_pool_that_puts_nothing_off_needs_no_new_pass():
    runner = ScriptedRunner([(FEATURE, "disabled\n")])
    commands = passes.plan(runner, "archive", places.places_of(pool(tree()), "ACT3"), NEW)
    assert [argv[1] for argv in argvs(commands)] == ["replace", "replace"]


def test_what_is_being_filled_already_is_left_and_the_rest_joins_its_pass():
    half = tree(places={(3, 0): replacing(leaf(3, 0, "OFFLINE"), leaf(3, 0, generation=1))})
    known = {guid(3, 0): Identity("ACT3", "bay03", 0), guid(3, 0, 1): Identity("NEW3", "bay03", 0)}
    found = places.places_of(places.identified(pool(half), known, {}), "ACT3")
    assert [place.incoming and place.incoming.serial for place in found] == ["NEW3", None]
    assert argvs(passes.plan(ScriptedRunner([(FEATURE, "enabled\n")]), "archive", found, NEW)) == [
        ("zpool", "replace", "archive", guid(3, 1), BY + "bay03.1"),
        ("zpool", "resilver", "archive"),
    ]


def test_a_drive_that_dies_while_it_is_filled_gives_way_to_another():
    """Its leaf is detached, and the place goes on to be that of the drive before it."""
    half = tree(places={(3, 0): replacing(leaf(3, 0, "OFFLINE"), leaf(3, 0, "REMOVED", generation=1))})
    known = {guid(3, 0): Identity("ACT3", "bay03", 0), guid(3, 0, 1): Identity("NEW3", "bay03", 0)}
    found = places.places_of(places.identified(pool(half), known, {}), "NEW3")
    assert argvs(places.replacements("archive", found, NEW)) == [
        ("zpool", "detach", "archive", guid(3, 0, 1)),
        ("zpool", "replace", "archive", guid(3, 0), BY + "bay03.0"),
    ]


def test_a_spare_that_stands_in_does_not_hide_the_place():
    spared = tree(places={(3, 1): replacing(leaf(3, 1, "FAULTED"), leaf(5, 1, generation=2), kind="spare")})
    found = places.places_of(pool(spared), "ACT3")
    assert [(place.vdev, place.leaving.state, place.incoming) for place in found] == [
        ("raidz2-0", "ONLINE", None),
        ("raidz2-1", "FAULTED", None),
    ]


def test_a_drive_with_fewer_units_cannot_enter():
    with pytest.raises(InputError, match="it has no unit 1"):
        places.replacements("archive", places.places_of(pool(tree()), "ACT3"), {0: "/dev/x"})


def test_only_units_that_answer_are_taken_offline():
    one_bad = tree(places={(3, 1): leaf(3, 1, "FAULTED")})
    assert argvs(places.offline("archive", places.places_of(pool(one_bad), "ACT3"))) == [
        ("zpool", "offline", "archive", guid(3, 0))
    ]


def test_the_leaf_of_a_drive_that_left_is_not_taken_for_the_one_in_its_bay():
    """Both have the same path; the one in the bay does not have the leaf's label."""
    gone = tree(places={(3, index): leaf(3, index, "OFFLINE") for index in (0, 1)})
    labelled = {guid(2, 0): Identity("ACT2", "bay02", 0)}
    taken = places.identified(pool(gone), {}, labelled)
    assert places.places_of(taken, "ACT3") != ()  # as declared: nothing on the host contradicts it
    there = {"9": Identity("ACT3", "bay03", 0), "8": Identity("ACT3", "bay03", 1)}
    told = places.identified(pool(gone), {}, there)
    assert places.places_of(told, "ACT3") == ()
    assert [place.leaving.guid for place in places.places_of(told, bay="bay03")] == [guid(3, 0), guid(3, 1)]


@pytest.mark.parametrize(
    "words",
    [
        "one or more devices is currently unavailable",
        "failed to detect device partitions on '/dev/sda1': 19",
        "no such device in pool",
        "no such pool or dataset",
    ],
)
def test_replacements_wait_for_slow_devices_and_retry_a_lost_race(words):
    commands = places.replacements("archive", places.places_of(pool(tree()), "ACT3"), NEW)
    first, second = (command.argv for command in commands)
    race = Result(1, "", f"cannot replace 1 with 2: {words}\n")
    runner = ScriptedRunner([(first, race), (SETTLE, ""), (first, ""), (SETTLE, ""), (second, ""), (SETTLE, "")])
    passes.start(Access(runner, Wanted()), commands)
    runner.finished()
    busy = Result(1, "", "/dev/x is part of active pool 'other'\n")
    with pytest.raises(CommandError, match="part of active pool"):
        passes.start(Access(ScriptedRunner([(first, busy)]), Wanted()), commands)


def test_without_a_note_the_place_of_a_drive_that_left_is_known_by_its_bay():
    """While a leaf is replaced by one of the same path, OpenZFS calls the former <path>/old (spa_vdev_attach)."""
    old = replace(leaf(3, 0, "OFFLINE"), path=BY + "bay03.0-part1/old")
    half = tree(places={(3, 0): replacing(old, leaf(3, 0, generation=1)), (3, 1): leaf(3, 1, "OFFLINE")})
    there = {guid(3, 0, 1): Identity("NEW3", "bay03", 0), "8": Identity("ACT3", "bay03", 1)}
    found = places.places_of(places.identified(pool(half), {}, there), bay="bay03")
    assert [(place.index, place.incoming and place.incoming.serial) for place in found] == [(0, "NEW3"), (1, None)]
