# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The role health_exporter: what it changes, which rights its services keep, and the upkeep that they start."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.lab.conftest import Labs
from tests.lab.lab import Lab
from tests.lab.playbooks import Site
from tests.lab.watch import AGENT, PATIENCE, Watched, of, play, scan_paused, watched_machine
from tests.unit.test_rights import documented_rights

pytestmark = pytest.mark.lab_long


@pytest.fixture
def watched(labs: Labs, tmp_path: Path) -> Watched:
    return watched_machine(labs, tmp_path)


def test_upkeep_starts_what_is_due_and_nothing_beside_it(watched: Watched) -> None:
    lab = watched.lab
    scan_paused(lab, True)
    run_service(lab, "evenkeel-selftest@short.service")
    assert "a scrub is due and has priority" in watched.journal("evenkeel-selftest@short.service")
    run_service(lab, "evenkeel-scrub.service")
    assert "Started a scrub of pool archive." in watched.journal("evenkeel-scrub.service")
    watched.until(lambda now: of(now, "pool_scan_running", function="scrub") == [1])
    run_service(lab, "evenkeel-selftest@short.service")
    assert "Pool archive: a scrub is running." in watched.journal("evenkeel-selftest@short.service")
    scan_paused(lab, False)
    watched.until(lambda now: len(of(now, "pool_scrub_age_seconds")) == 1)
    # The stand-in's drives passed a long test 434 hours ago, so with 60 days none is due; with 7 all are.
    lab.run('sed -i \'s/"long_days": 60/"long_days": 7/\' /etc/evenkeel/split_actuator/health.json')
    run_service(lab, "evenkeel-selftest@long.service")
    told = watched.journal("evenkeel-selftest@long.service")
    assert told.count("Started the long self-test of ") == 2
    assert "Started the long self-test of bay00.0" in told
    assert "Started the long self-test of bay01.0" in told


def run_service(lab: Lab, unit: str) -> None:
    lab.run(f"systemctl start {unit}", timeout=PATIENCE)


# As docs/metrics.md lists them; tests/unit/health/test_units.py compares.
EXPOSURE = {
    "evenkeel-health.service": 1.1,
    "evenkeel-health-web.service": 1.1,
    "evenkeel-scrub.service": 1.3,
    "evenkeel-selftest@short.service": 1.3,
}


def test_the_services_have_no_rights_beyond_those_listed(watched: Watched) -> None:
    lab = watched.lab
    for unit, limit in EXPOSURE.items():
        told = lab.run(f"systemd-analyze security --no-pager {unit}", timeout=PATIENCE).out
        assert float(told.rpartition("Overall exposure level for ")[2].split()[1]) <= limit, told
    status = lab.run("cat /proc/$(systemctl show -p MainPID --value evenkeel-health.service)/status").out
    capabilities = [line.split()[1] for line in status.splitlines() if line.startswith("Cap")]
    assert set(capabilities) == {"0000000000000000"}
    web = lab.run("cat /proc/$(systemctl show -p MainPID --value evenkeel-health-web.service)/status").out
    assert "Uid:\t0\t" not in web
    sizes = watched.lab.run(
        "cat /sys/fs/cgroup/system.slice/evenkeel-health*.service/cgroup.procs"
        " | while read p; do grep ^Pss: /proc/$p/smaps_rollup; done"
    ).out
    assert sum(int(line.split()[1]) for line in sizes.splitlines()) < 60 * 1024, "kB in all, for 24 units"
    listening = lab.run("ss -Hltn 'sport = :9837'").out.split()
    assert "127.0.0.1:9837" in listening


def test_check_mode_predicts_the_role_and_changes_nothing(labs: Labs, tmp_path: Path) -> None:
    lab = labs.get("ebb01")
    lab.run(f"install -d -o root -g root -m 755 {AGENT}")
    folders = "/etc/systemd/system /etc/evenkeel /usr/local/lib"
    look = f"ls -lR {folders} 2>&1; getent group; systemctl list-unit-files 'evenkeel*'"
    before = lab.run(look, check=False).out
    assert play(Site(lab, tmp_path), "--check", "--diff").check().changed > 0
    assert lab.run(look, check=False).out == before


def test_the_role_changes_nothing_twice(watched: Watched, tmp_path: Path) -> None:
    lab = watched.lab
    site = Site(lab, tmp_path)
    process = lab.run("systemctl show -p MainPID --value evenkeel-health.service").out
    assert play(site).check().changed == 0
    assert play(site, "--check").check().changed == 0
    assert lab.run("systemctl show -p MainPID --value evenkeel-health.service").out == process, "it was not restarted"
    assert play(site, health_exporter_serve=False).check().changed > 0
    assert lab.run("systemctl is-active evenkeel-health-web.service", check=False).out.strip() == "inactive"


OWN = "/etc/evenkeel* /usr/local/lib/evenkeel* /run/evenkeel* /var/lib/evenkeel* /etc/systemd/system/evenkeel*"


def test_every_file_on_the_host_has_the_rights_that_are_documented(watched: Watched) -> None:
    lab = watched.lab
    scan_paused(lab, True)
    run_service(lab, "evenkeel-scrub.service")  # so that there is a lock
    found = {}
    for line in lab.run(f"find {OWN} {AGENT}/* -printf '%p %u:%g %m\\n' 2>/dev/null", check=False).out.splitlines():
        path, owner, mode = line.split()
        found[path] = (owner, "0" + mode)
    assert found.pop(f"{AGENT}/evenkeel_split_actuator.prom") == ("root:evenkeel-health", "0644")
    table = documented_rights()
    assert {path: rights for path, rights in found.items() if table.get(path) != rights} == {}
    theirs = {path for path, _rights in documented_rights("health_exporter").items()}
    assert theirs <= set(found)
    assert {"/run/evenkeel/split_actuator.lock", "/run/evenkeel-health/snapshot.json"} <= set(found)
    # Somebody without rights can read what is not restricted, and change nothing.
    ask = 'for path; do for flag in r w; do test -$flag "$path" && echo "$path $flag"; done; done; true'
    can = lab.run(["runuser", "-u", "nobody", "--", "sh", "-c", ask, "sh", *found]).out.splitlines()
    assert sorted(can) == sorted(f"{path} r" for path, (_owner, mode) in found.items() if int(mode, 8) & 4)
