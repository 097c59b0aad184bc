# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The playbook report, told to check every host first: a mocked world of two hosts, and one that does not answer."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
import yaml

from tests.bench.bench_drift import prepare, run

DEAD = {"ansible_connection": "ssh", "ansible_host": "127.0.0.1", "ansible_port": 1}
BOOK = "evenkeel.split_actuator.report"


@pytest.mark.skipif(shutil.which("umockdev-run") is None, reason="umockdev is not installed")
def test_the_report_may_ask_the_hosts_itself(tmp_path: Path) -> None:
    prepare(tmp_path, 2)
    hosts = yaml.safe_load((tmp_path / "hosts.yml").read_text())
    hosts["all"]["hosts"]["ebb900"] = DEAD
    (tmp_path / "hosts.yml").write_text(yaml.safe_dump(hosts))
    ask = ("-e", "split_actuator_report_ask_hosts=true", "-e", "split_actuator_report_labels=false")

    told = run(tmp_path, BOOK, *ask)[1]
    assert "2 hosts, 3 pages written" in told
    assert "ebb900 was not compared now: " in told
    assert "ebb000 was not compared now" not in told
    kept = [json.loads((tmp_path / "reports" / f"ebb00{n}.json").read_text()) for n in (0, 1)]
    assert [(one["host"], one["margin"], len(one["drives"])) for one in kept] == [("ebb000", 2, 12), ("ebb001", 2, 12)]
    page = (tmp_path / "reports" / "pages" / "index.html").read_text()
    assert "<strong>ebb900</strong>: could not be read" in page

    # Without it no host is asked: the records stay as they are, also where a host would not answer.
    before = [path.stat().st_mtime_ns for path in sorted((tmp_path / "reports").glob("*.json"))]
    told = run(tmp_path, BOOK, "-e", "split_actuator_report_labels=false")[1]
    assert "not compared now" not in told
    assert [path.stat().st_mtime_ns for path in sorted((tmp_path / "reports").glob("*.json"))] == before
