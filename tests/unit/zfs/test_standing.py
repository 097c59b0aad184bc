# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""What a pool places, handed to a plan as the roles do, gives the pool's own layout again, whatever the chassis."""

from __future__ import annotations

import json
from dataclasses import replace

from hypothesis import assume, given, settings

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import PromiseError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.assign import plan
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.policy import Policy
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Layout
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import from_plain, to_plain
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs import build
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.standing import layout_of
from tests.unit.report.records import pool_of
from tests.unit.strategies import Spec, chassis, drives_of, policies


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
