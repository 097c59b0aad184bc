# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Writing the pages: check mode, only what changed, and the action and the playbook as people run them."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import HostError
from ansible_collections.evenkeel.split_actuator.plugins.plugin_utils._report.report import Report, Request
from tests.bench.bench_report import write_records
from tests.checkout import REPO
from tests.unit.report import records
from tests.unit.report.test_pages import keep


def request(tmp_path: Path, **changes: Any) -> Request:
    return replace(Request(str(tmp_path / "records"), str(tmp_path / "pages")), **changes)


def test_check_mode_writes_nothing_and_a_second_run_changes_nothing(tmp_path: Path) -> None:
    keep(tmp_path / "records", *records.scenes())
    told = Report(request(tmp_path)).write(check_mode=True)
    assert not (tmp_path / "pages").exists()
    done = Report(request(tmp_path)).write(check_mode=False)
    assert (done.made, done.replaced, done.unchanged) == (told.made, (), 0)
    assert sorted(done.made) == sorted(str(path) for path in (tmp_path / "pages").rglob("*.html"))
    stamps = {path: path.stat().st_mtime_ns for path in (tmp_path / "pages").rglob("*.html")}
    again = Report(request(tmp_path)).write(check_mode=False)
    assert (again.made, again.replaced, again.unchanged) == ((), (), 9)
    assert stamps == {path: path.stat().st_mtime_ns for path in (tmp_path / "pages").rglob("*.html")}


def test_only_what_changed_is_written(tmp_path: Path) -> None:
    keep(tmp_path / "records", *records.scenes())
    Report(request(tmp_path)).write(check_mode=False)
    keep(tmp_path / "records", replace(records.healthy(), settings={"openzfs": "zfs-2.4.0-1"}))
    done = Report(request(tmp_path)).write(check_mode=False)
    assert [os.path.relpath(path, tmp_path / "pages") for path in done.replaced] == ["hosts/ebb01.html", "index.html"]


def test_faults_are_told(tmp_path: Path) -> None:
    with pytest.raises(HostError, match="does not exist"):
        Report(request(tmp_path)).write(check_mode=False)
    folder = keep(tmp_path / "records", records.healthy())
    (folder / "old.json").write_text((folder / "ebb01.json").read_text())
    told = Report(request(tmp_path)).write(check_mode=True)
    assert told.unreadable == ("old.json: belongs to host ebb01, like ebb01.json",)
    (tmp_path / "pages").write_text("in the way")
    with pytest.raises(HostError, match="cannot be written"):
        Report(request(tmp_path)).write(check_mode=False)


def run(folder: Path, *arguments: str) -> tuple[int, dict[str, Any]]:
    """ansible-playbook's exit code, and what the first task that writes pages returned."""
    environment = {
        **os.environ,
        "ANSIBLE_COLLECTIONS_PATH": str(REPO / ".work"),
        "ANSIBLE_HOME": str(folder / "ansible"),
        "ANSIBLE_LOCALHOST_WARNING": "false",
        "ANSIBLE_INVENTORY_UNPARSED_WARNING": "false",
        "ANSIBLE_NOCOLOR": "1",
        "ANSIBLE_VERBOSITY": "1",
    }
    program = Path(sys.executable).parent / "ansible-playbook"
    done = subprocess.run(
        [str(program), *arguments],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    lines = [line for line in done.stdout.splitlines() if '"written":' in line]
    assert lines, done.stdout + done.stderr
    return done.returncode, json.loads(lines[0].split("=> ", 1)[1])


def test_the_playbook_reports_on_saved_records_without_a_host(tmp_path: Path) -> None:
    keep(tmp_path / "records", *records.scenes())
    (tmp_path / "hosts.yml").write_text("all: {hosts: {ebb01: , ebb02: , ebb03: , ebb04: , ebb05: }}\n")
    arguments = (
        "evenkeel.split_actuator.report", "-i", "hosts.yml",
        "-e", f"split_actuator_report_from={tmp_path}/records",
        "-e", f"split_actuator_report_pages={tmp_path}/pages",
    )  # fmt: skip
    code, told = run(tmp_path, *arguments, "--check", "--diff")
    assert (code, told["changed"], len(told["written"])) == (0, True, 9)
    assert not (tmp_path / "pages").exists()
    code, done = run(tmp_path, *arguments)
    assert (code, done["written"]) == (0, told["written"])
    assert "ebb05" in (tmp_path / "pages" / "index.html").read_text()
    code, again = run(tmp_path, *arguments)
    assert (code, again["changed"], again["written"], again["unchanged"]) == (0, False, [], 9)


def test_a_fleet_costs_little(tmp_path: Path) -> None:
    """A tenth of the bench's fleet in processor time, with room for a slow machine: a third of 10 s, not a tenth."""
    write_records(tmp_path / "records", 100)
    before = time.process_time()
    done = Report(request(tmp_path, labels=False)).write(check_mode=False)
    assert len(done.hosts) == 100
    assert time.process_time() - before < 3.3
