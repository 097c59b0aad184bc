# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The main job on the older supported release, whose OpenZFS tells its state as text.

Every other test runs there too: C(make lab RELEASE=bookworm), C(make lab-long RELEASE=bookworm).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from tests.lab.lab import Lab
from tests.lab.modules import call, four_runs
from tests.lab.parts import Chassis, load
from tests.lab.test_refusals import DECLARED, layout

from .conftest import CHASSIS

pytestmark = pytest.mark.lab_long
SERIALS = ("REF00", "REF01", "REF02")


@pytest.fixture
def older(lab_of: Callable[[Chassis], Lab]) -> Lab:
    return lab_of(replace(load(CHASSIS / "refusals.yml"), release="bookworm"))


def test_debian_12_builds_loses_and_imports(older: Lab) -> None:
    lab = older
    assert 'VERSION_ID="12"' in lab.run("cat /etc/os-release").out
    assert lab.run("zfs version").out.startswith("zfs-2.1.")
    # With WWNs, as survey writes them: members are known by them once their drive has gone.
    declared = {
        bay: {**entry, "wwns": [f"naa.{unit.wwn:016x}" for unit in lab.drive(entry["serial"]).units]}
        for bay, entry in DECLARED.items()
        if entry["serial"] in SERIALS
    }
    options: dict[str, Any] = {"pool": "archive", "layout": layout(*SERIALS), "declared": declared}
    four_runs(lab, "pool", **options)
    lab.run("head -c 20000000 /dev/urandom > /archive/tide && sha256sum /archive/tide > /root/sum && sync")
    lab.pull(1)
    lab.run("touch /archive/now; zpool sync archive; zpool scrub -w archive", timeout=300)
    pool = call(lab, "pool_info", pool="archive", declared=declared)["pools"][0]
    assert [(one["bay"], one["serial"], len(one["units"])) for one in pool["visit"]] == [("bay01", "REF01", 2)]
    assert [sum(not slot["serving"] for slot in vdev["slots"]) for vdev in pool["vdevs"]] == [1, 1]
    assert pool["margin"] == 1
    lab.push("REF01")
    lab.run("zpool online archive $(zpool status -P archive | awk '/REMOVED|UNAVAIL|FAULTED/ {print $1}')", check=False)
    lab.run("zpool clear archive; zpool wait -t resilver archive; sha256sum -c /root/sum", timeout=300)
    runs = four_runs(lab, "pool", pool="archive", state="exported")
    assert runs.done["commands"] == [["zpool", "export", "archive"]]
    four_runs(lab, "pool", **options, state="imported")
    lab.run("sha256sum -c /root/sum")
