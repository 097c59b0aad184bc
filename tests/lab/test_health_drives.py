# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The health service and single drives: those that hang, sleep, lag or fail, and the self-tests of each unit."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import pytest

from tests.lab.conftest import Labs
from tests.lab.parts import Limits
from tests.lab.rangedisks import smart_drives
from tests.lab.watch import PATIENCE, Metrics, Watched, configure, name_of, of, put, state, watched_machine

TEST_SECONDS = 60
EVERY_20_SECONDS = "[Timer]\nOnCalendar=\nOnCalendar=*:*:0/20\nRandomizedDelaySec=0\nAccuracySec=1\n"
# The real smartctl for the drives that the shelf serves; the stand-in for the emulator's.
EITHER = """#!/bin/sh
for node; do :; done
read -r wwid <"/sys/class/block/${node##*/}/device/wwid"
case $wwid in naa.5acf*) exec smartctl "$@" ;; esac
exec /opt/standin/smartctl "$@"
"""

pytestmark = pytest.mark.lab_long


@pytest.fixture
def watched(labs: Labs, tmp_path: Path) -> Watched:
    return watched_machine(labs, tmp_path)


def test_a_disk_that_hangs_delays_only_itself(watched: Watched) -> None:
    lab = watched.lab
    for bay, index, mode in ((4, 1, "hang"), (5, 0, "crash"), (6, 1, "flood")):
        put(lab, f"/opt/standin/{name_of(lab, bay, index)}", mode + "\n")
    begun = time.monotonic()
    # Every unit is read anew when the collector begins.
    lab.run("systemctl restart evenkeel-health.service", timeout=PATIENCE)
    found = watched.until(lambda now: state(now, "unit_health").count("unknown") == 3 + 1, 600)
    assert state(found, "unit_health", bay="bay04", unit="1") == ["unknown"]
    assert of(found, "read_failures_total", source="smart", reason="timeout") >= [1]
    assert of(found, "read_failures_total", source="smart", reason="crash") >= [1]
    assert of(found, "read_failures_total", source="smart", reason="flood") >= [1]
    assert of(found, "unit_corrected_errors_total", bay="bay04", unit="1", operation="read") == [41]
    good = [age for age in of(found, "unit_smart_age_seconds") if age < time.monotonic() - begun]
    assert len(good) == 21, "the others were read since, and the three keep their last good values"
    assert len(of(found, "unit_smart_age_seconds")) == 24
    assert state(found, "unit_health").count("ok") == 21


def test_skew_shows_the_slow_unit(watched: Watched) -> None:
    lab = watched.lab
    # Nearly the same load, or it would not be compared; but one unit is at its limit, where requests wait.
    lab.limit(3, Limits(iops=12), 1)
    serial = lab.chassis.drive(3).serial
    # The same random reads on both units of each of two drives.
    nodes = [str(lab.guest_unit(bay, index)["block"]) for bay in (3, 4) for index in range(2)]
    jobs = " ".join(f"--name={name} --filename=/dev/{name}" for name in nodes)
    lab.run(f"fio --readonly --rw=randread --bs=64k --direct=1 --rate_iops=15 --time_based --runtime=150 {jobs}"
            " >/dev/null 2>&1 &", timeout=PATIENCE)  # fmt: skip

    def skew(now: Metrics, unit: int) -> float:
        return next(iter(of(now, "unit_skew_ratio", serial=serial, unit=str(unit), measure="latency")), 0.0)

    found = watched.until(lambda now: skew(now, 1) > 1.5, 600)
    assert skew(found, 0) == 1


@pytest.fixture
def smart(labs: Labs, tmp_path: Path) -> Watched:
    """The machine with three more drives, SMT0001 to SMT0003, whose SMART is read by the real smartctl."""
    watched = watched_machine(labs, tmp_path)
    lab = watched.lab
    smart_drives(lab, 3, TEST_SECONDS)
    put(lab, "/opt/standin/either", EITHER)
    lab.run("chmod 755 /opt/standin/either")
    # The stand-in's drives passed a long test 18 days ago; the shelf's never did.
    upkeep = {"scrub_days": 0, "short_days": 0, "long_days": 60, "tests_at_a_time": 2}
    configure(
        watched, smartctl="/opt/standin/either", smart_interval_seconds=30, smart_timeout_seconds=30, upkeep=upkeep
    )
    watched.until(lambda now: all_of(now, "ok", "SMT0001", "SMT0002", "SMT0003"))
    return watched


def all_of(found: Any, wanted: str, *serials: str) -> bool:
    return all(state(found, "unit_health", serial=serial) == [wanted] * 2 for serial in serials)


def running(found: Any) -> list[str]:
    return [one for one in state(found, "unit_self_test") if one == "running"]


def notes(watched: Watched, file: str) -> list[tuple[float, str, str]]:
    """What the drives themselves noted: moment, unit, what."""
    lines = watched.lab.run(f"cat /run/lab-smart/{file}", check=False).out.splitlines()
    return [(float(when), unit, what) for when, unit, what in (line.split() for line in lines)]


def test_timers_test_every_unit_in_turn_and_never_two_of_one_drive(smart: Watched) -> None:
    lab = smart.lab
    found = smart.scrape()
    assert of(found, "drive_temperature_celsius", serial="SMT0001") == [30], "told once for both units"
    put(lab, "/run/systemd/system/evenkeel-selftest-long.timer.d/now.conf", EVERY_20_SECONDS)
    lab.run("systemctl daemon-reload; systemctl restart evenkeel-selftest-long.timer", timeout=PATIENCE)
    smart.until(lambda now: len(running(now)) == 2)
    deadline = time.monotonic() + 2 * PATIENCE
    while len(begun := notes(smart, "tests")) < 6:
        assert time.monotonic() < deadline, smart.journal("evenkeel-selftest@long.service")
        time.sleep(2)
    found = smart.until(
        lambda now: all(state(now, "unit_self_test", serial=f"SMT000{drive}") == ["passed"] * 2 for drive in (1, 2, 3))
    )
    assert len(of(found, "unit_self_test_passed_age_seconds", kind="long")) >= 6
    # No more are due now, however often the timer asks.
    time.sleep(45)
    assert notes(smart, "tests") == begun
    units = [unit for _when, unit, _what in begun]
    assert sorted(units) == [f"SMT000{drive}.{lun}" for drive in (1, 2, 3) for lun in (0, 1)]
    for when, unit, what in begun:
        assert what == "2", "a long one in the background"
        beside = [other for at, other, _what in begun if 0 <= when - at < TEST_SECONDS and other != unit]
        assert len(beside) < 2, "two drives at a time"
        assert unit[:7] not in [other[:7] for other in beside], "two units of one drive"
    told = smart.journal("evenkeel-selftest@long.service")
    assert "Started the long self-test of SMT0001.0 (serial SMT0001)." in told
    assert "its drive or vdev already runs as many self-tests as allowed" in told
    assert "Failed" not in told


def test_units_that_sleep_fail_and_hang_in_the_kernel(smart: Watched) -> None:
    lab = smart.lab
    lab.run("cd /run/lab-smart; touch asleep-SMT0001.0 asleep-SMT0001.1 broken-SMT0003.1", timeout=PATIENCE)
    found = smart.until(
        lambda now: (
            all_of(now, "asleep", "SMT0001") and state(now, "unit_health", serial="SMT0003", unit="1") == ["failing"]
        )
    )
    assert state(found, "unit_health", serial="SMT0003", unit="0") == ["ok"]
    assert of(found, "drive_temperature_celsius", serial="SMT0001") == [30], "the last good value stays"
    before = of(found, "unit_smart_age_seconds", serial="SMT0001")
    found = smart.until(lambda now: of(now, "unit_smart_age_seconds", serial="SMT0001")[0] > before[0] + 45)
    assert all_of(found, "asleep", "SMT0001"), "however often it is asked"
    assert notes(smart, "woken") == [], "nothing was sent that would wake it"
    lab.run("systemctl start evenkeel-selftest@long.service", timeout=PATIENCE)
    assert [unit for _when, unit, _what in notes(smart, "tests")] == ["SMT0002.0", "SMT0003.0"], (
        "what sleeps or fails is not put to a test"
    )

    # A reading that hangs in the kernel cannot be ended by anyone.
    lab.run("touch /run/lab-smart/hang-SMT0002.1", timeout=PATIENCE)
    found = smart.until(lambda now: of(now, "stuck_reads", source="smart") >= [1])
    assert state(found, "unit_health", serial="SMT0002", unit="1") == ["unknown"]
    at = of(found, "snapshot_timestamp_seconds")[0]
    found = smart.until(lambda now: of(now, "snapshot_timestamp_seconds")[0] > at + 60)
    assert of(found, "collector_up") == [1]
    assert of(found, "stuck_reads", source="smart")[0] >= 1
    for bay in range(12):
        ages = of(found, "unit_smart_age_seconds", bay=f"bay{bay:02d}")
        assert len(ages) == 2
        assert max(ages) < 240, "the others are read as often as before"
    assert state(found, "unit_health", serial="SMT0003", unit="0") == ["ok"]
    # Nor can the service be kept from starting anew.
    lab.run("systemctl restart evenkeel-health.service", timeout=PATIENCE)
    found = smart.until(lambda now: of(now, "collector_up") == [1] and state(now, "pool_state") == ["online"])
    assert state(found, "unit_health", serial="SMT0002", unit="1") == ["unknown"]
    lab.run("rm /run/lab-smart/hang-SMT0002.1", timeout=PATIENCE)
    smart.until(lambda now: all_of(now, "ok", "SMT0002") and of(now, "stuck_reads", source="smart") == [0])
