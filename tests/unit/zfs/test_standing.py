# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""What a pool places, handed to a plan as the roles do, gives the pool's own layout again, whatever the chassis."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import assume, given, settings

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import PromiseError, Refusal
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.assign import plan
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.policy import Policy
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Layout, Member, Vdev
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import from_plain, to_plain
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs import build
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.standing import layout_of
from tests.unit.report.records import pool_of
from tests.unit.strategies import Spec, alike, chassis, drives_of, policies


@given(chassis(), policies())
@settings(max_examples=60, deadline=None)
def test_a_pool_that_is_there_is_as_laid_out(specs: tuple[Spec, ...], policy: Policy) -> None:
    drives = drives_of(specs)
    try:
        layout = plan(drives, policy)
    except PromiseError:
        assume(False)
        raise
    pool = replace(pool_of(layout, {}), spares=())  # idle ones are kept out of it
    placed = json.loads(json.dumps(to_plain(layout_of(pool, drives))))
    again = plan(drives, policy, from_plain(Layout, placed, "placed"))
    assert build.differences(pool, again) == ()


def test_siblings_that_a_pool_has_in_one_vdev_are_refused_though_they_are_placed() -> None:
    drives = alike(6)
    thirds = (drives[:3], drives[3:])
    vdevs = tuple(
        Vdev("raidz", 2, tuple(Member(one.serial, unit.index, size=unit.size) for one in three for unit in one.units))
        for three in thirds
    )
    policy = Policy.from_plain({"kind": "raidz", "parity": 2, "width": 6, "survive": {"drives": 1}})
    with pytest.raises(Refusal, match="2 units of the drive with serial"):
        build.refuse_siblings(plan(drives, policy, Layout(vdevs)))
