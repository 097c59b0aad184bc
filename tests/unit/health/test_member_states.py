# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Metrics of pools with lost members, as real hosts printed them: every form of every release gives the same."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health import pool_metrics
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.families import Samples
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.pools import reading
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.snapshot import PoolReading
from tests.unit.zfs.recorded import DRAID, FORMS, pool, tree

from .build import NOW, WALL, snapshot


def metrics(one: PoolReading) -> dict[str, dict[tuple[str, ...], Any]]:
    found = Samples()
    pool_metrics.add(found, replace(snapshot(), pools=(one,), states={"archive": "degraded"}), NOW, WALL, True)
    return {family.name: dict(values) for family, values in found}


def of(name: str, form: str) -> dict[str, dict[tuple[str, ...], Any]]:
    return metrics(reading(tree(name, form), pool(name, form), {}))


@pytest.mark.parametrize("form", FORMS)
def test_members_that_were_absent_at_import_do_not_serve(form: str) -> None:
    found = of("absent", form)
    assert found["pool_state"] == {("archive",): "degraded"}
    assert found["vdev_state"] == {("archive", vdev): "degraded" for vdev in ("raidz2-0", "raidz2-1", "mirror-2")}
    assert set(found["vdev_members_lost"].values()) == {1}
    silent = {labels[2] for labels, serves in found["member_serving"].items() if not serves}
    assert silent == {"bay03.0", "bay03.1", "bay08.0", "bay07.0"}
    assert found["pool_margin"] == {("archive",): 0}  # the log mirror stands none


@pytest.mark.parametrize(("name", "form"), DRAID)
def test_a_distributed_spare_serves_once_it_is_full_and_the_others_all_the_while(name: str, form: str) -> None:
    """While it is filled, zpool prints (resilvering) beside members that hold all their data; see `without_echo`."""
    lost = running = int(name == "draid-rebuilding")
    found = of(name, form)
    assert set(found["vdev_members_lost"].values()) == {lost}
    assert found["pool_margin"] == {("archive",): 1 - lost}
    assert found["pool_scan_running"][("archive", "resilver")] == running


@pytest.mark.parametrize("state", ["UNKNOWN", "SPLIT", "SOMETHING_NEW"])
def test_states_that_nobody_knows_are_unknown_and_never_online(state: str) -> None:
    one = reading(tree("draid", FORMS[0]), pool("draid", FORMS[0]), {})
    odd = replace(one.pool, state=state, vdevs=tuple(replace(vdev, state=state) for vdev in one.pool.vdevs))
    found = metrics(replace(one, pool=odd))
    assert set(found["vdev_state"].values()) == {"unknown"}
    assert set(found["pool_state"].values()) == {"unknown"}
