# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Findings on members that are lost, or of which nothing is known, in pools as real hosts printed them."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift import observe
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.placement import layout_findings
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.pools import (
    State,
    Wishes,
    pool_findings,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.run import Result
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.build import differences
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.resolve import Pool
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.standing import layout_of
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.tree import Scan
from tests.unit.zfs.recorded import DATA, DECLARED, DRAID, FORMS, pool

from .world import NOW, World


def told(found: Pool) -> set[tuple[str, str, str, str]]:
    """Code, severity, what was found, and where."""
    findings = pool_findings(found, State(Scan()), Wishes(), NOW)
    return {
        (one.code, one.severity, one.found, f"{one.bay}.{one.index}" if one.serial else one.about) for one in findings
    }


@pytest.mark.parametrize("form", FORMS)
def test_what_was_absent_at_import_is_found_in_every_form(form: str) -> None:
    units = ("bay03.0", "bay03.1", "bay08.0", "bay07.0", "bay06.0", "bay06.1")
    assert told(pool("absent", form)) == {
        *(("member_failed", "error", "UNAVAIL", unit) for unit in units),
        ("pool_degraded", "warning", "DEGRADED", "pool archive"),
    }


@pytest.mark.parametrize("state", ["UNKNOWN", "SPLIT", "SOMETHING_NEW"])
def test_a_state_that_nobody_knows_is_told_as_what_it_is(state: str) -> None:
    world = World()
    world.member("bay03.0")["state"] = state
    codes = {(one.code, one.found, one.bay) for one in world.record().findings}
    assert ("member_failed", state, "bay03") in codes
    record = world.record()
    assert record.margin == 1
    assert record.pool is not None
    assert record.pool["visit"][0]["units"] == [["bay03.0", state]]


def test_a_vdev_and_a_pool_of_unknown_state_are_told() -> None:
    found = pool("draid", "2.3.9 json")
    odd = replace(found, state="UNKNOWN", vdevs=(replace(found.vdevs[0], state="UNKNOWN"), *found.vdevs[1:]))
    assert told(odd) == {
        ("pool_degraded", "warning", "UNKNOWN", "pool archive, draid1:3d:6c:1s-0"),
        ("pool_degraded", "error", "UNKNOWN", "pool archive"),
    }


@pytest.mark.parametrize(("name", "form"), [one for one in DRAID if one[0] != "draid"])
def test_a_distributed_spare_that_stands_in_is_no_stranger(name: str, form: str) -> None:
    """It is in the vdev and in the pool's spares, on no drive: neither foreign, nor undeclared, nor exposed."""
    bay = "bay05" if name == "draid-spared" else "bay04"
    whole, now = pool("draid", form), pool(name, form)
    layout = layout_of(whole, (), DECLARED)
    assert (len(layout.vdevs), layout.spares) == (2, ())
    assert [(one.code, one.about) for one in layout_findings(whole, layout, None, None)] == []
    assert [(one.code, one.about) for one in layout_findings(now, layout, None, None)] == []
    assert differences(now, layout) == ()
    assert told(now) == {
        ("member_failed", "error", "REMOVED", f"{bay}.0"),
        ("member_failed", "error", "REMOVED", f"{bay}.1"),
        ("spare_in_use", "warning", "in use", "pool archive, draid1-0-0"),
        ("spare_in_use", "warning", "in use", "pool archive, draid1-1-0"),
        ("pool_degraded", "warning", "DEGRADED", "pool archive"),
    }


def test_a_host_whose_json_is_unfit_is_asked_for_the_text_too() -> None:
    """The check observes on the host and judges elsewhere: what it does not ask there it never learns."""
    text = (DATA / "draid-2.3.9.json").read_text()
    data = json.loads(text)
    for vdev in data["pools"]["archive"]["vdevs"]["archive"]["vdevs"].values():
        del vdev["vdev_type"], vdev["state"]  # OpenZFS issue 18431
    for printed, wanted in ((text, []), (json.dumps(data), list(observe.TEXT_ARGVS)), ("{}", list(observe.TEXT_ARGVS))):
        answers = {observe.VERSION_ARGV: "zfs-2.3.2-2\nzfs-kmod-2.3.2-2\n", observe.JSON_ARGV: printed}
        commands = observe.Commands(lambda argv, answers=answers: Result(0, answers.get(tuple(argv), ""), ""))
        observe._ask_pools(commands, [], [])
        assert [tuple(one["argv"]) for one in commands.answers[2:]] == wanted
