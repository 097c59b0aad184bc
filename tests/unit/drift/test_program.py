# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The packed program of the scheduled check, run on this machine: it needs nothing but Python and pyudev."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core import checked, onhost
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.declared import read_drives
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.observe import program_version
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.version import VERSION
from tests.checkout import REPO

PACK = f"""
import sys
sys.path[:0] = [{str(REPO / ".work")!r}]
from ansible_collections.evenkeel.split_actuator.plugins.module_utils import _face_drift_program
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health import pack
pack.install(_face_drift_program, sys.argv[1], False)
"""
DRIVES = {"bay07": {"serial": "NOSUCH07"}}


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("program") / "drift.pyz"
    # In a process of its own, as the module does it: what else this one has imported must not help.
    subprocess.run([sys.executable, "-c", PACK, str(path)], check=True)
    return path


class Host:
    def __init__(self, program: Path, folder: Path) -> None:
        self.program, self.folder = program, folder
        onhost.write(onhost.Inventory("ebb01", read_drives(DRIVES)), str(folder / "inventory.json"))
        self.configure(every_seconds=3600)

    def configure(self, **options: Any) -> None:
        (self.folder / "config.json").write_text(json.dumps(options))

    def run(self, command: str) -> subprocess.CompletedProcess[str]:
        given = [f"--{name}={self.folder / file}" for name, file in (
            ("config", "config.json"), ("inventory", "inventory.json"), ("findings", "f/findings.json"),
            ("state", "f/drift.json"),
        )]  # fmt: skip
        return subprocess.run(
            [sys.executable, "-IB", str(self.program), *given, command], capture_output=True, text=True, check=False
        )


@pytest.fixture
def host(program: Path, tmp_path: Path) -> Host:
    return Host(program, tmp_path)


def test_it_leaves_findings_for_the_metrics_and_its_history(host: Host) -> None:
    done = host.run("run")
    assert done.returncode == 0, done.stderr
    assert "error drive_missing: bay07 (serial NOSUCH07)" in done.stderr
    first = checked.read(str(host.folder / "f" / "findings.json"))
    assert first is not None
    assert first.every == 3600
    (missing,) = [one for one in first.findings if one.code == "drive_missing"]
    assert missing.since
    assert host.run("run").returncode == 0
    again = checked.read(str(host.folder / "f" / "findings.json"))
    assert again is not None
    assert again.ended > first.ended
    assert [one.since for one in again.findings if one.code == "drive_missing"] == [missing.since]
    assert "drive_missing" in host.run("show").stdout
    onhost.write(onhost.Inventory("ebb01"), str(host.folder / "inventory.json"))
    assert host.run("run").returncode == 0
    events = json.loads((host.folder / "f" / "drift.json").read_text())["events"]
    assert ("drive_missing", "cleared") in {(one["code"], one["event"]) for one in events}


def test_an_accepted_finding_is_not_left_for_the_metrics(host: Host) -> None:
    host.configure(accepted=[{"code": "drive_missing", "reason": "away", "until": "2999-12-31"}])
    assert host.run("run").returncode == 0
    last = checked.read(str(host.folder / "f" / "findings.json"))
    assert last is not None
    assert "drive_missing" not in [one.code for one in last.findings]


@pytest.mark.parametrize(
    ("text", "told"),
    [("{", "is not valid JSON"), ('{"color": 1}', "has an unknown key"), ('{"hostid": "xyz"}', "is not a host id")],
)
def test_a_wrong_configuration_is_named_and_leaves_nothing(host: Host, text: str, told: str) -> None:
    (host.folder / "config.json").write_text(text)
    done = host.run("run")
    assert done.returncode == 1
    assert told in done.stderr
    assert "Traceback" not in done.stderr
    assert not (host.folder / "f").exists()


def test_without_an_inventory_it_says_what_to_run(host: Host) -> None:
    (host.folder / "inventory.json").unlink()
    done = host.run("run")
    assert (done.returncode, "Run the role disk_inventory first" in done.stderr) == (1, True)
    assert "no drift run yet" in host.run("show").stderr


def test_it_tells_its_version(program: Path) -> None:
    assert program_version(str(program)) == VERSION
    assert program_version("/etc/hostname") == "unknown"
