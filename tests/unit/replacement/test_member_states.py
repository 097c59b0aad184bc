# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The view of a replacement on drives that are lost, in pools as real hosts printed them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import Refusal
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.replacement import places, risk, steps
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.replacement.progress import (
    Progress,
    progress,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.tree import Scan
from tests.unit.zfs.recorded import FORMS, pool, tree

from .test_steps import wish, world  # noqa: F401  pylint: disable=unused-import
from .world import FakeAccess


@pytest.mark.parametrize("form", FORMS)
def test_the_places_of_a_drive_that_was_absent_at_import(form):
    found = pool("absent", form)
    held = places.places_of(found, "COH03")
    assert [(one.vdev, one.index, one.leaving.state) for one in held] == [
        ("raidz2-0", 0, "UNAVAIL"), ("raidz2-1", 1, "UNAVAIL"),
    ]  # fmt: skip
    assert places.offline("archive", held) == ()  # they serve no more: nothing is to be taken out
    paths = {index: f"/dev/disk/by-vdev/bay03.{index}" for index in (0, 1)}
    guids = [one.leaving.guid for one in held]
    assert [one.argv[3] for one in places.replacements("archive", held, paths)] == guids
    other = places.places_of(found, "COH02")
    with pytest.raises(Refusal) as refused:
        risk.refuse_too_many_out(found, [*other, *places.places_of(found, "COH01")], Scan(), 0, Progress())
    assert "bay03.0 (UNAVAIL) serves no data now" in str(refused.value)


@pytest.mark.parametrize("form", FORMS[:2])
def test_a_rebuild_is_a_resilver_that_runs(form):
    """dRAID: JSON has the rebuilds of single vdevs beside the pool's last scan, which says FINISHED."""
    scan = tree("draid-rebuilding", form).scan or Scan()
    told = progress(scan, 0)
    assert told.running
    assert 0 < told.share < 1
    found = pool("draid-rebuilding", form)
    with pytest.raises(Refusal, match="resilver is running"):
        risk.refuse_scan(found, places.places_of(found, "COH02"), scan, (), told)


def test_a_member_that_could_not_be_opened_and_is_back_is_brought_online_first(world):  # noqa: F811
    """Left by a wrong pull across a boot: the drive is there again, its leaf is UNAVAIL since the import."""
    guids = {world.labels["ACT4", index][0] for index in (0, 1)}
    world.change(lambda node: replace(node, state="UNAVAIL") if node.guid in guids else node)
    done = steps.take_out(FakeAccess(world), wish(), False)
    assert [one.argv[:2] for one in done.commands][:2] == [("zpool", "online")] * 2
    assert {one.argv[3] for one in done.commands[:2]} == guids
