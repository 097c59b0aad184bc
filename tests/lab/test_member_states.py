# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Members that are lost in ways of their own, on a real kernel: absent at the import, or of a dRAID.

What OpenZFS tells is taken from C(zpool status) for people, whatever form our code reads.
EVENKEEL_LAB_RELEASE=bookworm has OpenZFS 2.1, which prints no JSON.
"""

from __future__ import annotations

import re
import time
from typing import Any

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.record import HostRecord
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.report.host_page import host_page
from tests.lab.cohorts import SIZE, raidz, until
from tests.lab.lab import Lab
from tests.lab.library import ask, ship
from tests.lab.modules import call
from tests.lab.replacements import BAY_MAP

# What the exporter makes of the pools, by metric and labels.
METRICS = """
from core.declared import read_drives
from core.health import pool_metrics, pools
from core.health.families import Samples
from core.health.snapshot import Snapshot, Source
now = time.time()
snapshot = Snapshot(boot="", at=now, wall=now, interval=15.0, stale_after={"pools": 60.0},
                    pools=pools.read(runner, (), read_drives(DECLARED)), sources={"pools": Source(at=now)})
found = Samples()
pool_metrics.add(found, snapshot, now, now, True)
answer = {family.name: {" ".join(labels): value for labels, value in values.items()} for family, values in found}
"""


def declared(lab: Lab, drives: int) -> dict[str, Any]:
    return {
        f"bay{bay:02d}": {
            "serial": f"COH{bay:02d}",
            "unit_bytes": SIZE,
            "wwns": [f"naa.{unit.wwn:016x}" for unit in lab.drive(bay).units],
        }
        for bay in range(drives)
    }


def states(lab: Lab) -> dict[str, str]:
    """State by name of every row of the pool, as OpenZFS prints it for people."""
    rows = re.findall(r"^\t +(\S+) +([A-Z]+)(?: .*was (\S+))?", lab.run("zpool status -P archive").out, re.MULTILINE)
    return {was or name: state for name, state, was in rows}


def told_of(lab: Lab, drive: dict[str, Any]) -> list[str]:
    """The states of the members that are units of a declared drive."""
    names = [wwn.split(".")[1] for wwn in drive["wwns"]]
    return [state for name, state in states(lab).items() if any(wwn in name for wwn in names)]


def codes(told: dict[str, Any]) -> set[tuple[str, str, str]]:
    return {(one["code"], one["found"], one["bay"] or one["about"]) for one in told["findings"]}


def metrics(lab: Lab, drives: dict[str, Any]) -> dict[str, dict[str, Any]]:
    ship(lab)
    found: dict[str, dict[str, Any]] = ask(lab, f"DECLARED = {drives!r}\n" + METRICS)
    return found


def without(lab: Lab, bay: int) -> None:
    """The pool is imported while the drive in this bay is out."""
    lab.run("zpool export archive; udevadm settle", timeout=200)
    lab.pull(bay)
    lab.run("udevadm settle; zpool import -d /dev/disk/by-id archive; udevadm settle", timeout=200)


@pytest.mark.lab
def test_a_drive_that_was_absent_at_the_import_is_lost_for_everybody(labs: Any) -> None:
    """2.3's JSON calls such members CANT_OPEN, its text and 2.1's UNAVAIL."""
    lab: Lab = labs.get("cohorts")
    lab.run("modprobe zfs; systemctl stop zfs-zed")
    drives = declared(lab, 7)
    layout = {"vdevs": [raidz(range(6), index) for index in (0, 1)]}
    made = call(lab, "pool", pool="archive", layout=layout, declared=drives, bay_map=BAY_MAP)
    assert not made["failed"], made["msg"]
    without(lab, 3)
    print(lab.run("zpool status -P archive; zpool status -j -P --json-int 2>/dev/null || true").out)
    assert told_of(lab, drives["bay03"]) == ["UNAVAIL", "UNAVAIL"]
    options: dict[str, Any] = {"pool": "archive", "declared": drives, "bay_map": BAY_MAP}

    told = call(lab, "pool_info", **options)["pools"][0]
    assert [(one["bay"], one["units"]) for one in told["visit"]] == [
        ("bay03", [["bay03.0", "UNAVAIL"], ["bay03.1", "UNAVAIL"]])
    ]
    assert told["margin"] == 1
    page = host_page(HostRecord("cohorts", "2026-11-27T00:00:00Z", pool=told, margin=told["margin"]))
    assert [row.lost for row in page.vdevs] == [1, 1]
    assert page.visits == ("Visit bay03, serial COH03: both units unavail.",)
    found = codes(call(lab, "drift_info", **{**options, "pool": {"name": "archive"}, "areas": ["pool"]}))
    assert found == {("member_failed", "UNAVAIL", "bay03"), ("pool_degraded", "DEGRADED", "pool archive")}
    seen = metrics(lab, drives)
    assert seen["vdev_state"] == {"archive raidz2-0": "degraded", "archive raidz2-1": "degraded"}
    assert seen["vdev_members_lost"] == {"archive raidz2-0": 1, "archive raidz2-1": 1}
    assert sorted(name.split()[2] for name, serves in seen["member_serving"].items() if not serves) == [
        "bay03.0", "bay03.1",
    ]  # fmt: skip
    # A replacement sees two places that are free already, and a spare drive is wanted for both.
    wanted = call(lab, "drive_replacement", leave="bay03", step="plan", **options)
    assert not wanted["failed"], wanted["msg"]
    assert not [one for one in wanted["commands"] if "offline" in one]
    refused = call(lab, "drive_replacement", leave="bay02", step="plan", least_margin=1, **options)
    assert refused["failed"]
    assert "bay03.0 (UNAVAIL) serves no data now" in refused["msg"]
    units = [{"serial": "COH06", "index": index, "bay": "bay06", "size": SIZE} for index in (0, 1)]
    spare = {"serial": "COH06", "bay": "bay06", "members": units}
    duty = call(lab, "spare_drives", layout={**layout, "spares": [spare]}, **options)
    assert duty["taken"] == ["bay06 (serial COH06) stands in for bay03 (serial COH03)"], duty
    lab.run("zpool wait -t resilver archive", timeout=300)
    after = call(lab, "pool_info", **options)["pools"][0]
    assert after["margin"] == 2
    assert [(one["name"], one["state"]) for one in after["spares"]] == [("bay06.0", "INUSE"), ("bay06.1", "INUSE")]
    # Back in its bay: the lost units come back online, and the report is empty again.
    lab.push("COH03")
    lab.run("udevadm settle; sleep 2")
    gone = [row.split()[0] for row in lab.run("zpool status -g archive").out.splitlines() if "UNAVAIL" in row]
    lab.run(f"zpool online archive {' '.join(gone)}; zpool wait -t resilver archive", timeout=300)
    assert call(lab, "pool_info", **options)["pools"][0]["visit"] == []


@pytest.mark.lab_long
def test_a_draid_is_built_read_loses_a_drive_and_a_distributed_spare_stands_in(labs: Any) -> None:
    lab: Lab = labs.get("cohorts")
    lab.run("modprobe zfs; systemctl start zfs-zed")
    drives = declared(lab, 6)
    layout = {"vdevs": [{**raidz(range(6), index, 1), "kind": "draid", "data": 3, "spares": 1} for index in (0, 1)]}
    options: dict[str, Any] = {"pool": "archive", "declared": drives, "bay_map": BAY_MAP}
    made = call(lab, "pool", layout=layout, **options)
    assert not made["failed"], made["msg"]
    lab.run("zfs set compression=off archive; for n in 1 2 3 4; do head -c 20000000 /dev/urandom > /archive/$n; done;"
            " sync; cd /archive; sha256sum * > /root/sums", timeout=300)  # fmt: skip
    check: dict[str, Any] = {**options, "pool": {"name": "archive"}, "layout": layout, "areas": ["pool", "layout"]}
    told = call(lab, "pool_info", **options)["pools"][0]
    assert [(one["kind"], one["state"], one["redundancy"]) for one in told["vdevs"]] == [("draid", "ONLINE", 1)] * 2
    assert [(one["name"], one["state"]) for one in told["spares"]] == [("draid1-0-0", "AVAIL"), ("draid1-1-0", "AVAIL")]
    assert told["margin"] == 1
    assert codes(call(lab, "drift_info", **check)) == set()
    # Nobody takes a distributed spare out of its vdev.
    idle = call(lab, "spare_drives", check=True, **options, layout=layout)
    assert (idle["failed"], idle["commands"]) == (False, []), idle

    assert lab.run("systemctl is-active zfs-zed").out.strip() == "active"
    lab.pull(5)
    until(lambda: list(states(lab).values()).count("INUSE") == 2, 120, "the event daemon's spares")
    begun = time.monotonic()
    while time.monotonic() - begun < 20:  # while it is filled: never more lost than one in each vdev
        now = call(lab, "pool_info", **options)["pools"][0]
        assert [sum(not slot["serving"] for slot in vdev["slots"]) <= 1 for vdev in now["vdevs"]] == [True, True]
    lab.run("zpool wait -t resilver archive; sleep 2; zpool wait -t scrub archive; zpool wait -t resilver archive",
            timeout=600)  # fmt: skip
    # Two rebuilds at the same time end in different ways (2.1.11, 2.3.9): both to their end; or the scrub that the
    # first one starts cancels the second, and reports damage that a later scrub does not find.
    status = lab.run("zpool status -P archive; zpool status -j -P --json-int 2>/dev/null || true").out
    print(status)
    cut_off = set(re.findall(r"resilver \((\S+)\) canceled", status))
    assert told_of(lab, drives["bay05"]) == ["REMOVED", "REMOVED"]
    now = call(lab, "pool_info", **options)["pools"][0]
    for vdev in now["vdevs"]:
        assert all(slot["serving"] for slot in vdev["slots"]) == (vdev["name"] not in cut_off), vdev
    assert now["margin"] == (0 if cut_off else 1)
    found = codes(call(lab, "drift_info", **check))
    known = {
        ("member_failed", "REMOVED", "bay05"),
        ("spare_in_use", "in use", "pool archive, draid1-0-0"),
        ("spare_in_use", "in use", "pool archive, draid1-1-0"),
        ("pool_degraded", "DEGRADED", "pool archive"),
    }
    assert known <= found
    others = {code for code, *_rest in found - known}
    assert others <= {"data_errors", "member_errors", "resilver_running", "scrub_errors"}, found
    assert ("data_errors" in others) == ("No known data errors" not in status), found
    assert ("scrub_errors" in others) == bool(re.search(r"scrub repaired .* with [1-9]", status)), found

    lab.run("zpool scrub -w archive; zpool clear archive; zpool scrub -w archive", timeout=600)
    now = call(lab, "pool_info", **options)["pools"][0]
    assert [all(slot["serving"] for slot in vdev["slots"]) for vdev in now["vdevs"]] == [True, True]
    assert now["margin"] == 1
    assert [(one["bay"], [state for _name, state in one["units"]]) for one in now["visit"]] == [
        ("bay05", ["REMOVED", "REMOVED"])
    ]
    seen = metrics(lab, drives)
    assert set(seen["vdev_members_lost"].values()) == {0}
    duty = call(lab, "spare_drives", check=True, **options, layout=layout)
    assert (duty["failed"], duty["commands"]) == (False, []), duty
    assert lab.run("cd /archive && sha256sum --quiet -c /root/sums", timeout=300).out == ""
    lab.run("zpool scrub -w archive", timeout=300)
    assert "with 0 errors" in lab.run("zpool status archive").out
