# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""A lab machine with the health service on it, and its metrics as a metrics server reads them.

The role is run once; each test begins from a checkpoint of the running machine. SMART answers come from a
stand-in where a test is about what drives report, since the emulator's drives report nothing.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from prometheus_client.parser import text_string_to_metric_families as parse

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core import onhost
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.declared import DeclaredDrive
from tests.checkout import REPO
from tests.lab.conftest import CHASSIS, Labs
from tests.lab.lab import Lab
from tests.lab.parts import load
from tests.lab.playbooks import Run, Site

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
    "health_exporter_interval_seconds": 20,
    "health_exporter_smart_interval_seconds": 600,
    "health_exporter_drives_timeout_seconds": 300,
    "health_exporter_pools_timeout_seconds": 120,
    "health_exporter_smart_timeout_seconds": 120,
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

    def scrape(self) -> Metrics:
        """A real scrape over HTTP, as a metrics server does it."""
        return decode(self.text())

    def text(self) -> str:
        """What a metrics server is told."""
        return self.lab.run("curl --silent --fail --max-time 100 http://127.0.0.1:9837/metrics", timeout=PATIENCE).out

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
            time.sleep(2)

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
            (drive.units[0].size,),
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
    lab.run("dd if=/dev/urandom of=/archive/data bs=1M count=32 status=none; zpool sync", timeout=600)


def watched_machine(labs: Labs, folder: Path, release: str = "trixie") -> Watched:
    """The machine as it was when the service first told that all is well."""
    lab = labs.get(replace(load(CHASSIS / "ebb01.yml"), release=release), READY)
    if not lab.has_checkpoint(READY):
        declare(lab)
        standin(lab, folder / "standin")
        build_pool(lab)
        lab.run(f"install -d -o root -g root -m 755 {AGENT}")
    watched = Watched(lab)
    # A machine that was kept from an earlier session may have what the role put there then.
    if lab.run("cat /opt/standin/version", check=False).out != version():
        play(Site(lab, folder / "site")).check()
        put(lab, "/opt/standin/version", version())
        watched.until(healthy)
        lab.checkpoint(READY)
    watched.until(healthy)
    return watched


def version() -> str:
    """What the role and the program are made of."""
    digest = hashlib.sha256()
    for folder in ("roles/health_exporter", "plugins/module_utils"):
        for path in sorted((REPO / folder).rglob("*")):
            if path.is_file() and "__pycache__" not in path.parts:
                digest.update(str(path.relative_to(REPO)).encode() + path.read_bytes())
    return digest.hexdigest()


def play(site: Site, *options: str, **changes: Any) -> Run:
    """Run the role."""
    path = site.folder / "play.yml"
    path.write_text(PLAY)
    return site.playbook(str(path), *options, variables={**SETTINGS, **changes})


def scan_paused(lab: Lab, paused: bool) -> None:
    """Hold scans where they are, so that a scrape can meet them at work (zfs(4), zfs_scan_suspend_progress)."""
    put(lab, "/sys/module/zfs/parameters/zfs_scan_suspend_progress", "1" if paused else "0")


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


def configure(watched: Watched, **changes: Any) -> None:
    """Change the service's configuration on the machine (not by the role) and have the collector read it."""
    path = "/etc/evenkeel/split_actuator/health.json"
    told = json.loads(watched.lab.run(f"cat {path}").out)
    put(watched.lab, path, json.dumps({**told, **changes}))
    watched.lab.run("systemctl restart evenkeel-health.service", timeout=PATIENCE)
