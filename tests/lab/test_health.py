# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The health service on a real host: real scrapes while real drives come, go and hang, and while it dies itself."""

from __future__ import annotations

import shutil
import subprocess
import time
from pathlib import Path

import pytest

from tests.lab.conftest import Labs
from tests.lab.watch import (
    AGENT,
    PATIENCE,
    Watched,
    gone,
    healthy,
    of,
    put,
    scan_paused,
    state,
    told_healthy,
    until_text,
    watched_machine,
)

LONG = pytest.mark.lab_long


@pytest.fixture
def watched(labs: Labs, tmp_path: Path) -> Watched:
    return watched_machine(labs, tmp_path)


# The role, the machine's checkpoint and this test make about four minutes on an idle machine of two cores.
@pytest.mark.parametrize(
    "release", [pytest.param("trixie", marks=pytest.mark.lab), pytest.param("bookworm", marks=LONG)]
)
def test_scrapes_during_pull_resilver_and_scrub(labs: Labs, tmp_path: Path, release: str) -> None:
    watched = watched_machine(labs, tmp_path, release)
    lab = watched.lab
    found = watched.scrape()
    if shutil.which("promtool"):
        done = subprocess.run(
            ["promtool", "check", "metrics"], input=watched.text(), capture_output=True, text=True, check=False
        )
        assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    serial = lab.chassis.drive(7).serial
    assert of(found, "vdev_margin") == [2, 2]
    assert of(found, "member_serving") == [1] * 24
    assert of(found, "vdev_sibling_drives") == [0, 0]
    assert of(found, "drive_present") == [1] * 13, "with the one that the machine boots from"
    assert of(found, "pool_size_bytes")[0] == int(lab.run("zpool list -Hpo size archive").out)
    assert of(found, "vdev_size_bytes") == [of(found, "pool_size_bytes")[0] / 2] * 2
    text = watched.text_file()
    assert text is not None
    assert healthy(text)

    lab.pull(7, announce=True)
    lab.run("dd if=/dev/urandom of=/archive/more bs=1M count=8 status=none; zpool sync", timeout=600)
    found = watched.until(lambda now: of(now, "vdev_members_lost") == [1, 1] and 0 in of(now, "drive_present"))
    assert of(found, "drive_present", bay="bay07", serial=serial) == [0]
    assert state(found, "unit_health", bay="bay07") == ["absent", "absent"]
    assert state(found, "pool_state") == ["degraded"]
    assert of(found, "vdev_margin") == [1, 1]
    assert sorted(of(found, "member_serving", bay="bay07")) == [0, 0]
    assert state(found, "unit_health").count("ok") == 22

    scan_paused(lab, True)
    lab.push(serial)
    back = " ".join("wwn-0x{0:016x}".format(unit.wwn) for unit in lab.chassis.drive(7).units)
    lab.run(f"udevadm settle; zpool online archive {back}", timeout=PATIENCE)
    found = watched.until(lambda now: of(now, "pool_scan_running", function="resilver") == [1])
    assert of(found, "pool_scan_running", function="scrub") == [0]
    assert len(of(found, "pool_scan_progress_ratio", function="resilver")) == 1
    assert 0 <= of(found, "pool_scan_progress_ratio")[0] <= 1
    assert of(found, "pool_scan_started_timestamp_seconds", function="resilver")[0] > 1e9
    scan_paused(lab, False)
    found = watched.until(lambda now: healthy(now) and of(now, "pool_scan_running", function="resilver") == [0])
    assert of(found, "pool_data_errors") == [0]

    scan_paused(lab, True)
    lab.run("zpool scrub archive", timeout=PATIENCE)
    found = watched.until(lambda now: of(now, "pool_scan_running", function="scrub") == [1])
    assert "split_actuator_pool_scrub_age_seconds" not in found, "it has never finished one"
    scan_paused(lab, False)
    found = watched.until(lambda now: of(now, "pool_scan_running", function="scrub") == [0])
    assert 0 <= of(found, "pool_scrub_age_seconds")[0] < 600


@LONG
def test_a_suspended_pool_neither_hangs_the_collector_nor_reads_as_healthy(watched: Watched) -> None:
    lab = watched.lab
    for bay in (2, 5, 9):
        lab.pull(bay)
    lab.run("(dd if=/dev/urandom of=/archive/more bs=1M count=64; sync) >/dev/null 2>&1 &", timeout=PATIENCE)
    watched.until(lambda now: state(now, "pool_state") == ["suspended"])
    # Whoever exports it now holds OpenZFS's lock for ever, and `zpool status` hangs behind it.
    lab.run("zpool export archive >/dev/null 2>&1 &", timeout=PATIENCE)
    lab.run("timeout 20 zpool status >/dev/null", check=False, timeout=PATIENCE)
    begun = of(watched.scrape(), "snapshot_timestamp_seconds")[0]
    found = watched.until(lambda now: of(now, "snapshot_timestamp_seconds")[0] > begun + 90)
    assert state(found, "pool_state") == ["suspended"]
    assert of(found, "pool_margin") == [-1]
    assert of(found, "collector_up") == [1]
    assert of(found, "vdev_margin") == of(found, "member_serving") == []
    assert [value for value in of(found, "drive_margin") if value >= 0] == []
    assert state(found, "unit_health", bay="bay00") == ["ok", "ok"], "other readings go on"
    assert watched.lab.run("systemctl is-active evenkeel-health.service").out.strip() == "active"


@LONG
def test_kill_full_disk_clock_and_stop_never_give_a_wrong_healthy(watched: Watched) -> None:
    lab = watched.lab

    # A clock that jumps, both ways.
    lab.run("timedatectl set-ntp false", check=False)
    for jump in ("+400 days", "-800 days"):
        lab.run(f"date -s '{jump}'")
        found = watched.until(lambda now: of(now, "collector_up") == [1])
        assert healthy(found)
    lab.run("date -s '+400 days'")

    # Killed, and not started again: the text file is taken back, the server stops believing.
    put(lab, "/run/systemd/system/evenkeel-health.service.d/no.conf", "[Service]\nRestart=no\nWatchdogSec=60\n")
    lab.run("systemctl daemon-reload", timeout=PATIENCE)
    lab.run("systemctl kill -s KILL evenkeel-health.service", timeout=PATIENCE)
    gone(watched)
    lab.run("systemctl start evenkeel-health.service", timeout=PATIENCE)
    watched.until(healthy)

    # Stopped in its tracks (as a hang would): nothing says so but the age.
    lab.run("systemctl kill -s STOP evenkeel-health.service", timeout=PATIENCE)
    found = watched.until(lambda now: of(now, "collector_up") == [0])
    assert not told_healthy(found)
    # The service manager's watchdog ends it, and the text file goes.
    deadline = time.monotonic() + 600
    while watched.text_file() is not None:
        assert time.monotonic() < deadline
        time.sleep(5)
    lab.run("systemctl restart evenkeel-health.service", timeout=PATIENCE)
    watched.until(healthy)

    # A full disk: what cannot be renewed is taken back.
    lab.run(f"mount -t tmpfs -o size=512k,mode=755 none {AGENT}", timeout=PATIENCE)
    until_text(watched, present=True)
    lab.run(f"dd if=/dev/zero of={AGENT}/filler bs=1k status=none", check=False, timeout=PATIENCE)
    until_text(watched, present=False)
    lab.run(f"rm {AGENT}/filler")
    until_text(watched, present=True)
    assert "can be written again" in watched.journal("evenkeel-health.service")

    # Nor is the snapshot itself believed when it cannot be renewed.
    lab.run("mount -o remount,size=$(($(df --output=used -k /run | tail -n 1) + 256))k /run", timeout=PATIENCE)
    lab.run("dd if=/dev/zero of=/run/filler bs=4k status=none", check=False, timeout=PATIENCE)
    gone(watched)
    lab.run("rm /run/filler; mount -o remount,size=20% /run", timeout=PATIENCE)
    watched.until(healthy)
