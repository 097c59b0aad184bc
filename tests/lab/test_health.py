# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The health service on a real host: real scrapes while real drives come, go and hang.

The role is run once; each test begins from a checkpoint of the running machine. SMART answers come from a
stand-in where a test is about what drives report, since virtual ones report nothing.
"""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.parser import text_string_to_metric_families as parse

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core import onhost
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.declared import DeclaredDrive
from tests.checkout import REPO
from tests.lab.conftest import Labs
from tests.lab.lab import Lab
from tests.lab.playbooks import Site

# All of it: the role's run, the checkpoint and the waiting for intervals take more than two minutes together.
pytestmark = pytest.mark.lab_long

DATA = REPO / "tests" / "data" / "smartctl"
READY = "health"
AGENT = "/var/lib/agent"
# The guest shares two cores with whatever else runs: what takes a second there can take a minute.
PATIENCE = 600.0
PLAY = """
- hosts: all
  gather_facts: true
  become: true
  roles:
    - role: evenkeel.split_actuator.health_exporter
"""
SETTINGS = {
    "health_exporter_smartctl": "/opt/standin/smartctl",
    "health_exporter_text_directory": AGENT,
    "health_exporter_interval": 20,
    "health_exporter_smart_interval": 600,
    "health_exporter_drives_timeout": 300,
    "health_exporter_pools_timeout": 120,
    "health_exporter_smart_timeout": 120,
    # The timers must not act by themselves in a test.
    "health_exporter_scrub_calendar": "2099-01-01",
    "health_exporter_short_calendar": "2099-01-01",
    "health_exporter_long_calendar": "2099-01-01",
}

Labels = tuple[tuple[str, str], ...]
Metrics = dict[str, dict[Labels, float]]


@dataclass
class Watched:
    """A lab machine with the health service running."""

    lab: Lab
    seen: list[str] = field(default_factory=list)

    def scrape(self) -> Metrics:
        """A real scrape over HTTP, as a metrics server does it."""
        return decode(self.lab.run("python3 -c 'import urllib.request as r; "
                                   "print(r.urlopen(\"http://127.0.0.1:9837/metrics\", timeout=100).read().decode())'",
                                   timeout=PATIENCE).out)  # fmt: skip

    def text_file(self) -> Metrics | None:
        """What an agent on the host would read; None when the file is not there."""
        done = self.lab.run(f"cat {AGENT}/*.prom", check=False, timeout=PATIENCE)
        return decode(done.out) if done.rc == 0 else None

    def until(self, true: Callable[[Metrics], bool], seconds: float = PATIENCE) -> Metrics:
        """Scrape until the metrics are so; they."""
        deadline = time.monotonic() + seconds
        while True:
            found = self.scrape()
            if true(found):
                return found
            assert time.monotonic() < deadline, summary(found)
            time.sleep(1)

    def journal(self, unit: str) -> str:
        """What a service told."""
        return self.lab.run(f"journalctl --no-pager -o cat -u '{unit}'", timeout=PATIENCE).out


def decode(text: str) -> Metrics:
    found: Metrics = {}
    for family in parse(text):
        for sample in family.samples:
            labels = tuple(sorted(sample.labels.items()))
            assert labels not in found.setdefault(sample.name, {}), "two samples under the same labels"
            found[sample.name][labels] = sample.value
    return found


def of(found: Metrics, name: str, **labels: str) -> list[float]:
    """The values of a metric whose labels are these, and perhaps others."""
    wanted = set(labels.items())
    return [value for content, value in found.get("split_actuator_" + name, {}).items() if wanted <= set(content)]


def state(found: Metrics, name: str, **labels: str) -> list[str]:
    """The states of the things of a state set."""
    own = "split_actuator_" + name
    wanted = set(labels.items())
    return [
        dict(content)[own] for content, value in found.get(own, {}).items() if value == 1 and wanted <= set(content)
    ]


def summary(found: Metrics) -> dict[str, Any]:
    kept = ("collector_up", "pool_", "vdev_", "source", "read_failures", "stuck", "snapshot_age", "drive_present")
    return {
        name: content
        for name, content in found.items()
        if name.removeprefix("split_actuator_").startswith(kept) and "space" not in name
    }


def healthy(found: Metrics) -> bool:
    return (
        of(found, "collector_up") == [1]
        and state(found, "pool_state", pool="archive") == ["online"]
        and state(found, "unit_health").count("ok") == 24
        and of(found, "pool_margin") == [2]
    )


def declare(lab: Lab) -> None:
    """The inventory file and the bays' names, as the role disk_inventory leaves them."""
    drives = [
        DeclaredDrive(
            "bay{0:02d}".format(drive.bay),
            drive.serial,
            drive.model,
            2,
            drive.units[0].size,
            tuple("naa.{0:016x}".format(unit.wwn) for unit in drive.units),
        )
        for drive in lab.chassis.drives
    ]
    bay_map = [
        {"pattern": "pci-0000:00:08.0-sas-phy{phy}-lun-*", "bay": "bay{phy}"},
        {"pattern": "pci-0000:00:09.0-sas-phy{phy}-lun-*", "bay": "bay{phy+6}"},
    ]
    inventory = onhost.Inventory("ebb01", tuple(drives), {"name": "archive"}, {"bay_map": bay_map})
    put(lab, onhost.PATH, onhost.to_text(inventory))


def put(lab: Lab, path: str, text: str) -> None:
    lab.run(f"mkdir -p $(dirname {path}) && cat >{path} && chmod 644 {path}", stdin=text, timeout=PATIENCE)


def standin(lab: Lab, folder: Path) -> None:
    """A smartctl that answers for each unit as a healthy one, under its own names."""
    folder.mkdir()
    shutil.copy(DATA / "standin", folder / "smartctl")
    told = json.loads((DATA / "scsi_healthy.json").read_text())
    for drive in lab.chassis.drives:
        for unit in drive.units:
            told.update(logical_unit_id="0x{0:016x}".format(unit.wwn), serial_number=drive.serial)
            (folder / f"{name_of(lab, drive.bay, unit.index)}.json").write_text(json.dumps(told))
            (folder / name_of(lab, drive.bay, unit.index)).write_text(
                f"replay {name_of(lab, drive.bay, unit.index)}.json 0\n"
            )
    lab.ssh().copy_to(folder, "/opt/standin")


def name_of(lab: Lab, bay: int, index: int) -> str:
    """What the stand-in calls a unit: its own designator."""
    return "naa.{0:016x}".format(lab.chassis.drive(bay).unit(index).wwn)


def build_pool(lab: Lab) -> None:
    """Two raidz2 vdevs, one for each unit index, on names that are made of the units' own designators."""
    vdevs = " ".join(
        "raidz2 "
        + " ".join("/dev/disk/by-id/wwn-0x{0:016x}".format(drive.unit(index).wwn) for drive in lab.chassis.drives)
        for index in range(2)
    )
    lab.run(f"zpool create -o ashift=12 archive {vdevs}", timeout=600)
    lab.run("dd if=/dev/urandom of=/archive/data bs=1M count=96 status=none; zpool sync", timeout=600)


@pytest.fixture(scope="module")
def machine(labs: Labs, tmp_path_factory: pytest.TempPathFactory) -> Lab:
    """The lab with the role applied, and a checkpoint of it."""
    lab = labs.get("ebb01")
    if not lab.has_checkpoint(READY):
        declare(lab)
        standin(lab, tmp_path_factory.mktemp("standin") / "standin")
        build_pool(lab)
        lab.run(f"install -d -o root -g root -m 755 {AGENT}")
        site = Site(lab, tmp_path_factory.mktemp("site"))
        play(site).check()
        Watched(lab).until(healthy, 600)
        lab.checkpoint(READY)
    return lab


def play(site: Site, *options: str, **changes: Any) -> Any:
    path = site.folder / "play.yml"
    path.write_text(PLAY)
    return site.playbook(str(path), *options, variables={**SETTINGS, **changes})


@pytest.fixture
def watched(machine: Lab) -> Watched:
    machine.restore(READY)
    made = Watched(machine)
    made.until(healthy)
    return made


def scan_paused(lab: Lab, paused: bool) -> None:
    """Hold scans where they are, so that a scrape can meet them at work (zfs(4), zfs_scan_suspend_progress)."""
    put(lab, "/sys/module/zfs/parameters/zfs_scan_suspend_progress", "1" if paused else "0")


def test_scrapes_during_pull_resilver_and_scrub(watched: Watched) -> None:
    lab = watched.lab
    found = watched.scrape()
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
    lab.run("dd if=/dev/urandom of=/archive/more bs=1M count=16 status=none; zpool sync", timeout=600)
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
    put(lab, "/run/systemd/system/evenkeel-health.service.d/no.conf", "[Service]\nRestart=no\n")
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


def told_healthy(found: Metrics) -> list[str]:
    return [
        name
        for name, good in (("unit_health", "ok"), ("pool_state", "online"), ("vdev_state", "online"))
        if good in state(found, name)
    ] + [name for name in ("pool_margin", "vdev_margin", "drive_present", "member_serving") if of(found, name)]


def gone(watched: Watched) -> None:
    found = watched.until(lambda now: of(now, "collector_up") == [0])
    assert told_healthy(found) == []
    assert watched.text_file() is None


def until_text(watched: Watched, present: bool) -> None:
    deadline = time.monotonic() + PATIENCE
    while (watched.text_file() is not None) != present:
        assert time.monotonic() < deadline
        time.sleep(1)


def test_upkeep_starts_what_is_due_and_nothing_beside_it(watched: Watched) -> None:
    lab = watched.lab
    scan_paused(lab, True)
    run_service(lab, "evenkeel-selftest@short.service")
    assert "a scrub is due and goes first" in watched.journal("evenkeel-selftest@short.service")
    run_service(lab, "evenkeel-scrub.service")
    assert "Started a scrub of pool archive." in watched.journal("evenkeel-scrub.service")
    watched.until(lambda now: of(now, "pool_scan_running", function="scrub") == [1])
    run_service(lab, "evenkeel-selftest@short.service")
    assert "Pool archive: a scrub runs." in watched.journal("evenkeel-selftest@short.service")
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
    listening = lab.run("ss -Hltn 'sport = :9837'").out.split()
    assert "127.0.0.1:9837" in listening


def test_the_role_changes_nothing_twice_and_predicts_in_check_mode(labs: Labs, tmp_path: Path) -> None:
    lab = labs.get("ebb01")
    lab.run(f"install -d -o root -g root -m 755 {AGENT}")
    site = Site(lab, tmp_path)
    before = lab.run("ls /etc/systemd/system /usr/local/lib; getent group").out
    predicted = play(site, "--check", "--diff").check()
    assert predicted.changed > 0
    assert lab.run("ls /etc/systemd/system /usr/local/lib; getent group").out == before
    assert play(site).check().changed > 0
    assert play(site).check().changed == 0
    assert play(site, "--check").check().changed == 0
    assert play(site, health_exporter_serve=False).check().changed > 0
    assert lab.run("systemctl is-active evenkeel-health-web.service", check=False).out.strip() == "inactive"


def test_skew_shows_the_slow_unit(watched: Watched) -> None:
    pytest.importorskip("yaml")
    lab = watched.lab
    from tests.lab.parts import Limits

    lab.limit(3, Limits(iops=40), 1)
    serial = lab.chassis.drive(3).serial
    # The same random reads on both units of each of two drives.
    nodes = [str(lab.guest_unit(bay, index)["block"]) for bay in (3, 4) for index in range(2)]
    jobs = " ".join(f"--name={name} --filename=/dev/{name}" for name in nodes)
    lab.run(f"fio --readonly --rw=randread --bs=64k --direct=1 --rate_iops=30 --time_based --runtime=150 {jobs}"
            " >/dev/null 2>&1 &", timeout=PATIENCE)  # fmt: skip
    found = watched.until(lambda now: len(of(now, "unit_skew_ratio", bay="bay03", measure="latency")) == 2, 600)
    slow, quick = (of(found, "unit_skew_ratio", serial=serial, unit=str(unit), measure="latency")[0] for unit in (1, 0))
    assert quick == 1
    assert slow > 1.5
