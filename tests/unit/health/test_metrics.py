# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""What a snapshot becomes: above all, that nothing which is not known now reads as healthy."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.openmetrics.exposition import generate_latest as generate_openmetrics
from prometheus_client.openmetrics.parser import text_string_to_metric_families as parse_openmetrics
from prometheus_client.parser import text_string_to_metric_families as parse

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.checked import Checked
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.declared import read_drives
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import DecodeError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health import publish
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.families import FAMILIES, PREFIX
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.metrics import Moment
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.snapshot import (
    Snapshot,
    Source,
    UnitReading,
    from_text,
    to_text,
    unit_key,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Finding
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.tree import Scan
from tests.unit.health.build import BOOT, NOW, READING, WALL, drive, moment, pool, snapshot, values

UNIT = ("bay07", "ACS0007", "1")
KEY = unit_key(drive(7), drive(7).units[1])


def text(one: Snapshot | None, later: float = 0.0) -> str:
    return publish.text_of(publish.MetricsCollector(lambda: one, "0.1.0", lambda: moment(later)))


def with_unit(**changes: Any) -> Snapshot:
    made = snapshot()
    return replace(made, units={**made.units, KEY: replace(made.units[KEY], **changes)})


def healthy(found: dict) -> list[tuple[str, Any]]:
    """Every sample that says that something is well now."""
    told: list[tuple[str, Any]] = []
    for name in ("unit_health", "pool_state", "vdev_state"):
        told += [(name, labels) for labels, value in found.get(name, {}).items() if value in ("ok", "online")]
    for name in ("pool_margin", "vdev_margin", "drive_margin", "enclosure_margin"):
        told += [(name, labels) for labels, value in found.get(name, {}).items() if value >= 0]
    for name in ("member_serving", "drive_present", "unit_smart_up", "source_up", "collector_up"):
        told += [(name, labels) for labels, value in found.get(name, {}).items() if value == 1]
    return told


def test_a_healthy_server_reads_as_healthy() -> None:
    found = values(snapshot())
    assert set(found["unit_health"].values()) == {"ok"}
    assert found["pool_state"] == {("archive",): "online"}
    assert found["vdev_margin"] == {("archive", "raidz2-0"): 2, ("archive", "raidz2-1"): 2}
    assert found["drive_margin"][("bay07", "ACS0007")] == 2
    assert found["member_serving"][("archive", "raidz2-1", "bay07.1", "bay07", "ACS0007", "1")] == 1
    assert found["vdev_sibling_drives"] == {("archive", "raidz2-0"): 0, ("archive", "raidz2-1"): 0}
    assert found["pool_scrub_age_seconds"] == {("archive",): 86400.0}
    assert len(found["unit_health"]) == len(found["unit"]) == 24
    assert len(found["drive_temperature_celsius"]) == 12, "once for a drive, not for each unit"


@pytest.mark.parametrize(
    ("one", "at"),
    [
        (None, moment()),
        (snapshot(), moment(61)),
        (snapshot(), moment(1e6)),
        (snapshot(), moment(-1)),
        (snapshot(), replace(moment(), boot="another boot")),
    ],
    ids=["no snapshot", "just too old", "long dead", "from the future", "from before the reboot"],
)
def test_without_a_living_collector_nothing_reads_as_healthy(one: Snapshot | None, at: Moment) -> None:
    found = values(one, at)
    assert found["collector_up"] == {(): 0}
    assert healthy(found) == []


def test_a_dead_collectors_last_good_counts_stay_with_their_age() -> None:
    found = values(snapshot(), moment(1000))
    assert found["unit_operations"][UNIT + ("read",)] == 10**6
    assert found["unit_smart_age_seconds"][UNIT] == 1060
    assert set(found["unit_health"].values()) == {"unknown"}


@pytest.mark.parametrize("back", [-10 * 365 * 86400.0, 10 * 365 * 86400.0])
def test_no_jump_of_the_wall_clock_changes_what_is_current(back: float) -> None:
    before, after = values(snapshot()), values(snapshot(), replace(moment(), wall=WALL + back))
    moved = ("pool_scrub_age_seconds",)
    assert {name: after[name] for name in after if name not in moved} == {
        name: before[name] for name in before if name not in moved
    }
    # A scrub that seems to have ended in the future has no age: the rule for a missing one then holds.
    assert after.get("pool_scrub_age_seconds") == ({("archive",): 86400.0 + back} if back > 0 else None)


def test_a_unit_that_stopped_answering_is_unknown_with_its_last_good_values() -> None:
    found = values(with_unit(smart_error="No answer within 30 seconds.", smart_tried=NOW))
    assert found["unit_health"][UNIT] == "unknown"
    assert found["unit_smart_up"][UNIT] == 0
    assert found["unit_corrected_errors"][UNIT + ("read",)] == 41
    assert Counter(found["unit_health"].values()) == {"ok": 23, "unknown": 1}


def test_a_reading_that_was_not_renewed_is_unknown() -> None:
    found = values(with_unit(smart_at=NOW - 5000, smart_tried=NOW - 5000))
    assert found["unit_health"][UNIT] == "unknown"


def test_failing_stays_failing_when_the_unit_falls_silent() -> None:
    failing = replace(READING, verdict="failing")
    for changes in (
        {"smart": failing},
        {"smart": failing, "smart_error": "No answer."},
        {"smart": failing, "asleep": True},
    ):
        assert values(with_unit(**changes))["unit_health"][UNIT] == "failing"
    assert values(with_unit(smart=failing), moment(1e5))["unit_health"][UNIT] == "failing"


def test_asleep_unsupported_and_unread_are_told_apart() -> None:
    assert values(with_unit(asleep=True))["unit_health"][UNIT] == "asleep"
    assert values(with_unit(smart=replace(READING, verdict="unsupported")))["unit_health"][UNIT] == "unsupported"
    made = snapshot()
    unread = replace(made, units={**made.units, KEY: UnitReading()})
    assert values(unread)["unit_health"][UNIT] == "unknown"


def test_a_missing_drive_is_absent_with_both_units() -> None:
    made = snapshot()
    left = tuple(one for one in made.drives if one.serial != "ACS0007")
    found = values(replace(made, drives=left))
    assert found["drive_present"][("bay07", "ACS0007")] == 0
    assert found["drive_units_visible"][("bay07", "ACS0007")] == 0
    assert {labels[2] for labels, state in found["unit_health"].items() if state == "absent"} == {"0", "1"}
    assert found["drive"][("bay07", "ACS0007", "", "ACTW-D9", "", "bay07.0 bay07.1")] == 1


def test_undeclared_moved_and_half_visible_drives() -> None:
    made = snapshot()
    stranger = replace(drive(40), serial="XXX1", key="stranger")
    moved = replace(drive(3), bay=drive(41).bay)
    half = replace(drive(5), units=drive(5).units[:1])
    drives = tuple({3: moved, 5: half}.get(number, one) for number, one in enumerate(made.drives)) + (stranger,)
    found = values(replace(made, drives=drives))
    assert found["drive_declared"][("bay40", "XXX1")] == 0
    assert found["drive_in_place"][("bay41", "ACS0003")] == 0
    assert found["drive_in_place"][("bay07", "ACS0007")] == 1
    half_labels = ("bay05", "ACS0005")
    assert (found["drive_units_visible"][half_labels], found["drive_units_expected"][half_labels]) == (1, 2)


def test_without_an_inventory_nothing_is_called_declared_or_undeclared() -> None:
    found = values(snapshot(declared=None))
    assert "drive_declared" not in found
    assert found["inventory_declared"] == {(): 0}
    assert values(snapshot(declared_error="no JSON"))["inventory_declared"] == {(): 0}


def test_a_degraded_pool_tells_members_lost_and_margin() -> None:
    made = snapshot()
    states = {"bay07.0": "REMOVED", "bay07.1": "REMOVED", "bay08.1": "FAULTED"}
    found = values(replace(made, pools=(pool(list(made.drives), 12, states),), states={"archive": "degraded"}))
    assert found["pool_state"] == {("archive",): "degraded"}
    assert found["vdev_members_lost"] == {("archive", "raidz2-0"): 1, ("archive", "raidz2-1"): 2}
    assert found["vdev_margin"] == {("archive", "raidz2-0"): 1, ("archive", "raidz2-1"): 0}
    assert found["pool_margin"] == {("archive",): 0}


def test_a_suspended_pool_that_lists_its_members_as_online_is_not_healthy() -> None:
    made = snapshot()
    listed = replace(made.pools[0], pool=replace(made.pools[0].pool, state="SUSPENDED", suspended=True))
    by_tool = values(replace(made, pools=(listed,), states={"archive": "online"}))
    by_kernel = values(replace(made, states={"archive": "suspended"}))
    hung = Source(NOW - 1000, NOW, "No answer within 20 seconds.")
    by_kernel_alone = values(
        replace(made, states={"archive": "suspended"}, pools=(), sources={**made.sources, "pools": hung})
    )
    for found in (by_tool, by_kernel, by_kernel_alone):
        assert found["pool_state"] == {("archive",): "suspended"}
        assert found["pool_margin"] == {("archive",): -1}
        assert [one for one in healthy(found) if one[0] in ("vdev_state", "vdev_margin", "member_serving")] == []
        assert [value for value in found.get("drive_margin", {}).values() if value >= 0] == []


def test_a_pool_reading_that_hangs_makes_the_pool_unknown() -> None:
    hung = Source(NOW - 1000, NOW, "No answer within 20 seconds.")
    made = snapshot()
    found = values(replace(made, sources={**made.sources, "pools": hung}))
    assert found["pool_state"] == {("archive",): "unknown"}
    assert found["source_up"][("pools",)] == 0
    assert found["source_age_seconds"][("pools",)] == 1000
    for name in ("pool_margin", "vdev_margin", "member_serving", "drive_margin", "pool_scan_running"):
        assert name not in found
    assert found["pool_size_bytes"] == {("archive",): 216 * 10**12}
    assert set(found["vdev_state"].values()) == {"unknown"}


def test_a_pool_that_went_is_absent() -> None:
    assert values(snapshot(pools=(), states={}))["pool_state"] == {("archive",): "absent"}
    # The kernel has no pool of that name any more, though an earlier listing had.
    assert values(snapshot(states={"other": "online"}))["pool_state"] == {("archive",): "absent", ("other",): "unknown"}


def test_scans_running() -> None:
    made = snapshot()
    scan = Scan("resilver", "scanning", started=int(WALL) - 60, issued=25, total=100)
    found = values(replace(made, pools=(pool(list(made.drives), 12, None, scan),)))
    assert found["pool_scan_running"] == {("archive", "resilver"): 1, ("archive", "scrub"): 0}
    assert found["pool_scan_progress_ratio"] == {("archive", "resilver"): 0.25}


def test_siblings_in_one_vdev_are_counted() -> None:
    made = snapshot()
    one = replace(made.pools[0], siblings={"raidz2-0": 2, "raidz2-1": 0})
    found = values(replace(made, pools=(one,)))
    assert found["vdev_sibling_drives"] == {("archive", "raidz2-0"): 2, ("archive", "raidz2-1"): 0}


def test_findings_are_told_and_bounded() -> None:
    many = tuple(Finding("half_visible", "error", "S{0}".format(n), "bay01", 1) for n in range(1000))
    found = values(snapshot(findings=many))
    assert found["findings"] == {("error",): 1000, ("warning",): 0, ("info",): 0}
    assert len(found["finding"]) == 500
    assert found["finding"][("bay01", "S0", "1", "", "half_visible", "error")] == 1


def test_findings_of_one_code_stay_apart_by_what_they_are_about() -> None:
    stopped = tuple(
        Finding("timer_stopped", "warning", about=name) for name in ("evenkeel-drift.timer", "evenkeel-scrub.timer")
    )
    odd = Finding("acceptance_unused", "info", about='drive_missing "{}\n' + "x" * 200)
    found = values(snapshot(findings=stopped[:1], checked=Checked(WALL - 600, 3600.0, (*stopped, odd))))
    assert found["findings"] == {("error",): 0, ("warning",): 2, ("info",): 1}
    assert set(found["finding"]) == {
        ("", "", "", "evenkeel-drift.timer", "timer_stopped", "warning"),
        ("", "", "", "evenkeel-scrub.timer", "timer_stopped", "warning"),
        ("", "", "", "drive_missing ____" + "x" * 110, "acceptance_unused", "info"),
    }


def test_findings_of_the_scheduled_check_join_those_found_now() -> None:
    now = Finding("half_visible", "error", "S1", "bay01", 1)
    then = (replace(now, found="as it was then"), Finding("scrub_old", "warning"))
    made = snapshot(findings=(now,), checked=Checked(WALL - 600, 3600.0, then))
    found = values(made)
    assert found["findings"] == {("error",): 1, ("warning",): 1, ("info",): 0}
    assert set(found["finding"]) == {
        ("bay01", "S1", "1", "", "half_visible", "error"),
        ("", "", "", "", "scrub_old", "warning"),
    }
    assert found["source_up"][("drift",)] == 1
    assert found["source_age_seconds"][("drift",)] == 600
    late = values(made, moment(wall=WALL + 2.5 * 3600))
    assert late["source_up"][("drift",)] == 0
    # A clock that was set back tells no age, and nothing reads as current.
    back = values(made, moment(wall=WALL - 3600))
    assert back["source_up"][("drift",)] == 0
    assert ("drift",) not in back["source_age_seconds"]


def test_two_drives_that_claim_one_serial_stay_two() -> None:
    made = snapshot()
    twins = tuple(replace(drive(n), serial="SAME", key="key{0}".format(n), bay=None) for n in (1, 2))
    found = values(replace(made, drives=twins, declared=None))
    assert len(found["drive"]) == 2
    assert len({labels[1] for labels in found["drive"]}) == 2


def test_a_snapshot_survives_its_file() -> None:
    made = full()
    ranges = {"bay00": {"serial": "ACS0000", "ranges": [4500000000000, 4500000000000]}}
    made = replace(made, declared=read_drives(ranges) + (made.declared or ())[1:], declared_error="x")
    assert from_text(to_text(made)) == made
    for damaged in ("", "{}", "[]", to_text(made)[:-1], to_text(made).replace('"version":1', '"version":2')):
        with pytest.raises(DecodeError):
            from_text(damaged)


HOSTILE = ['a"b', "a\\b", "a\nb", "{}", "\x00", "é" * 200]


@pytest.mark.parametrize("hostile", HOSTILE)
def test_text_from_people_and_pools_stays_within_a_label(hostile: str) -> None:
    made = snapshot()
    renamed = replace(made.pools[0], pool=replace(made.pools[0].pool, name=hostile))
    wanted = tuple(replace(one, model=hostile) for one in made.declared or ())
    one = replace(made, pools=(renamed,), declared=wanted, drives=made.drives[1:], declared_pool=hostile)
    for family in parse(text(one)):
        for sample in family.samples:
            for value in sample.labels.values():
                assert re.fullmatch(r"[A-Za-z0-9_.: -]{0,64}", value), value


def test_the_text_is_prometheus_clients_and_its_parsers_read_it_back() -> None:
    collector = publish.MetricsCollector(snapshot, "0.1.0", moment)
    classic = {sample.name for family in parse(publish.text_of(collector)) for sample in family.samples}
    modern = generate_openmetrics(publish.registry(collector)).decode()
    assert modern.endswith("# EOF\n")
    families = list(parse_openmetrics(modern))
    assert {family.name for family in families} <= {PREFIX + family.name for family in FAMILIES}
    assert classic == {sample.name for family in families for sample in family.samples}


@pytest.mark.skipif(shutil.which("promtool") is None, reason="promtool is not installed")
@pytest.mark.parametrize("later", [0.0, 1000.0])
def test_promtool_finds_no_fault_in_the_metrics(later: float) -> None:
    done = subprocess.run(
        ["promtool", "check", "metrics"], input=text(full(), later), capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def full() -> Snapshot:
    """A snapshot in which every metric has a sample."""
    made = with_unit(
        smart=replace(READING, link_errors=4, self_test=replace(READING.self_test, result="running", remaining=0.5))
    )
    scan = Scan("scrub", "scanning", started=int(WALL) - 60, issued=25, total=100)
    one = replace(pool(list(made.drives), 12, None, scan), enclosure_margins={"west": 2})
    return replace(
        made,
        pools=(one,),
        findings=(Finding("half_visible", "error", "ACS0007", "bay07", 1),),
        checked=Checked(WALL - 60, 3600.0),
        failures={"smart/timeout": 3},
        stuck={"smart": 1},
    )


def test_every_metric_of_the_list_can_appear_and_no_other() -> None:
    assert set(values(full())) == {family.name for family in FAMILIES}


DOCS = Path(__file__).parents[3] / "docs" / "metrics.md"


def test_the_documentation_lists_exactly_these_metrics() -> None:
    rows = {}
    for line in DOCS.read_text().splitlines():
        match = re.fullmatch(r"\| `(split_actuator_\w+)` \| (\w[\w ]*) \| (.*) \| (.*) \|", line)
        if match:
            rows[match.group(1)] = (match.group(2), match.group(3).replace("`", ""), match.group(4))
    kinds = {"gauge": "gauge", "counter": "counter", "info": "info", "states": "state set"}
    endings = {"counter": "_total", "info": "_info"}
    assert rows == {
        PREFIX + family.name + endings.get(family.kind, ""): (
            kinds[family.kind],
            ", ".join(family.labels) or "none",
            family.help,
        )
        for family in FAMILIES
    }


def test_the_documentation_names_every_state_of_every_state_set() -> None:
    """Each set has a table of its own behind its name; that of pools also says which states a vdev cannot have."""
    tables = {
        name: re.findall(r"^\| `(\w+)` \|", table, re.M)
        for name, table in re.findall(
            r"^`split_actuator_(\w+)`[^|\n]*:\n\n\| state \| meaning \|\n((?:\|.*\n)+)", DOCS.read_text(), re.M
        )
    }
    sets = {family.name: list(family.states) for family in FAMILIES if family.kind == "states"}
    vdevs = sets.pop("vdev_state")
    assert tables == sets
    assert sorted(set(sets["pool_state"]) - set(vdevs)) == ["absent", "suspended"]
    assert "`split_actuator_vdev_state` has all but `suspended` and `absent`" in DOCS.read_text()


def test_the_number_of_series_is_as_documented() -> None:
    counted = {}
    for drives in (12, 24, 48):
        found = values(snapshot(drives))
        counted[drives] = sum(
            len(content) * (len(family.states) or 1) for family in FAMILIES for content in [found.get(family.name, {})]
        )
    per_drive = (counted[24] - counted[12]) / 12
    assert (counted[48] - counted[24]) / 24 == per_drive, "it grows with the drives, not faster"
    rest = counted[12] - 12 * per_drive
    assert "{0:.0f} + {1:.1f} x drives".format(rest, per_drive) in DOCS.read_text()
    assert BOOT
