# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""drift_info on a real kernel and pool, in one call: what is not as declared is told, and clears. See test_drift.py."""

from __future__ import annotations

from typing import Any

import pytest

from tests.lab.lab import Lab
from tests.lab.modules import call
from tests.lab.test_refusals import DECLARED, layout

pytestmark = pytest.mark.lab_long
OPTIONS = {
    "declared": DECLARED, "models": {"ACTW-D9": {"unit_count": 2}}, "pool": {"name": "archive"},
    "areas": ["inventory", "layout", "pool"],
}  # fmt: skip


def found(lab: Lab, **options: Any) -> set[tuple[str, str]]:
    told = call(lab, "drift_info", **{**OPTIONS, **options})
    assert (told["failed"], told["changed"]) == (False, False), told
    return {(one["code"], one["bay"] or one["about"]) for one in told["findings"]}


def test_what_is_not_as_declared_is_told_and_clears(labs: Any) -> None:
    lab: Lab = labs.get("refusals")
    others: list[tuple[int | str, int]] = [(bay, unit) for bay in (2, 3, 4, 5) for unit in (0, 1)]
    before = lab.content_hashes(others)
    assert not call(lab, "pool", pool="archive", layout=layout("REF00", "REF01"), declared=DECLARED)["failed"]
    # What the chassis file makes so: a drive that shows one unit, and two with one serial number.
    usual = found(lab)
    assert ("half_visible", "bay06") in usual
    assert "serial_collision" in {code for code, _where in usual}
    name = str(lab.guest_unit(1, 1)["wwid"]).replace("naa.", "")
    lab.run(f"zpool offline archive $(zpool status -P archive | awk '/{name}/ {{print $1}}')")
    assert found(lab) - usual == {("member_failed", "bay01"), ("pool_degraded", "pool archive")}
    swapped = {**DECLARED, "bay02": {"serial": "REF03"}, "bay03": {"serial": "REF02"}, "bay04": {"serial": "GONE4"}}
    told = found(lab, declared=swapped)
    assert ("drive_missing", "bay04") in told
    lab.run("zpool online archive $(zpool status -P archive | awk '/OFFLINE/ {print $1}')")
    lab.run("zpool wait -t resilver archive")
    assert found(lab) == usual
    assert lab.content_hashes(others) == before
