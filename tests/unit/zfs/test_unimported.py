# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""What labels tell of a pool that is not imported: its vdevs, whoever moved there, and nothing of other use."""

from __future__ import annotations

import json
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.declared import read_drives
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.assign import plan
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.policy import Policy
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Layout
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import from_plain, to_plain
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.membership import (
    Comparison,
    Places,
    choose,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.unimported import on_units
from tests.unit.zfs.pools import GUID, drive, labels, layout, leaf

DRIVES = tuple(drive(bay) for bay in range(12))
SIX = Policy.from_plain({"kind": "raidz", "parity": 2, "width": 6, "survive": {"drives": 2}})


def cohorts(*bays):
    """The keys of each vdev of cohorts of drives in these bays."""
    return [[(f"ACT{bay}", index) for bay in some] for some in bays for index in (0, 1)]


def units_of(found: Layout) -> list[set[tuple[str, int]]]:
    return [{(one.serial, one.index) for one in vdev.members} for vdev in found.vdevs]


def test_the_layout_is_that_of_the_labels():
    (pool,) = on_units(labels(), DRIVES[:4], (), frozenset())
    assert (pool.name, pool.guid, pool.state) == ("archive", GUID, "active")
    assert pool.last_used.startswith("by host west1 (host id 0a5a05af)")
    assert pool.layout.vdevs == layout().vdevs
    assert pool.layout.survives_drives == 2


def test_what_is_imported_is_left_out_and_others_are_in_order_of_name():
    found = {**labels(), **labels([("ACT5", 0)], name="tide", guid="555"), **labels([("ACT6", 0)], guid="111")}
    assert [one.guid for one in on_units(found, DRIVES, (), frozenset({GUID}))] == ["111", "555"]


@given(st.permutations(range(12)))
@settings(max_examples=40, deadline=None)
def test_whichever_drives_a_cohort_has_the_plan_that_keeps_it_is_that_pool(order):
    """As the role does it: placed goes to the plan as plain data, and the labels are compared with the plan."""
    found = labels(*cohorts(order[:6], order[6:]))
    (pool,) = on_units(found, DRIVES, (), frozenset())
    placed = from_plain(Layout, json.loads(json.dumps(to_plain(pool.layout))), "placed")
    kept = plan(DRIVES, SIX, placed)
    places = Places(kept, DRIVES)
    comparison = Comparison(choose("archive", "", found, kept, places), kept, places)
    assert comparison.wrong == comparison.beyond == []
    fresh = plan(DRIVES, SIX)
    differs = Comparison(choose("archive", "", found, fresh, places), fresh, places).wrong != []
    assert differs == (set(order[:6]) not in ({0, 1, 2, 3, 4, 5}, {6, 7, 8, 9, 10, 11}))


def test_a_missing_drive_is_identified_by_the_name_in_its_label():
    found = labels()
    for key, label in list(found.items()):
        children = tuple(
            replace(one, path=f"/dev/disk/by-vdev/bay03.{number}-part1") if one.guid == leaf(("ACT3", number)) else one
            for number in (0, 1)
            for one in label.vdev.children
            if number == key[1]
        )
        found[key] = replace(label, vdev=replace(label.vdev, children=children))
    left = {key: label for key, label in found.items() if key[0] != "ACT3"}
    declared = read_drives(
        {f"bay{bay:02d}": {"serial": f"ACT{bay}", "unit_count": 2, "unit_bytes": 10**12} for bay in range(4)}
    )
    (pool,) = on_units(left, DRIVES[:3], declared, frozenset())
    assert units_of(pool.layout) == units_of(layout())
    (unknown,) = on_units(left, DRIVES[:3], (), frozenset())
    assert {(leaf(("ACT3", 0)), -1)} <= units_of(unknown.layout)[0]


def test_logs_and_drives_of_other_use_are_no_data():
    found = labels(*cohorts([0, 1, 2, 3]), [("ACT5", 0), ("ACT6", 0)], [("ACT7", 0)])
    for key in (("ACT5", 0), ("ACT6", 0)):
        found[key] = replace(found[key], vdev=replace(found[key].vdev, kind="mirror", is_log=True))
    data = {f"bay{bay:02d}": {"serial": f"ACT{bay}", "unit_count": 2} for bay in range(4)}
    # A supporting device need not be declared as a drive at all: its vdev is identified by its WWN.
    for more in ({}, {"bay07": {"serial": "ACT7", "unit_count": 2, "use": "other"}}):
        (pool,) = on_units(found, DRIVES, read_drives({**data, **more}), frozenset())
        assert units_of(pool.layout) == units_of(layout())
    (both,) = on_units(found, DRIVES, (), frozenset())
    assert len(both.layout.vdevs) == 3
