# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Comparing servers that should be alike, and the outcome of checking them."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.filter.drift import drift_junit, drift_table
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift import outcome as told
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.accept import read_accepted
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.codes import CODES
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.fleet import fleet_findings
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Finding
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.record import HostRecord

AT = "2026-09-21T14:13:20Z"


def server(number: int, **settings: str) -> HostRecord:
    name = f"ebb{number:02d}"
    base = {"class": "c", "hostid": f"{number:08x}", "pool.guid": str(number), "kernel": "6.12", "pool ashift": "12"}
    return HostRecord(
        name, AT, drives=({"serial": f"ACT{number}", "bay": {"enclosure": "", "slot": 3}},),
        declared={"bay03": {"serial": f"ACT{number}"}}, settings={**base, **settings}, margin=2,
    )  # fmt: skip


def fleet(*changed: HostRecord) -> list[HostRecord]:
    by_name = {f"ebb{number:02d}": server(number) for number in range(1, 5)}
    by_name.update({one.host: one for one in changed})
    return list(by_name.values())


def moved() -> list[HostRecord]:
    """The drive of ebb01 sits in ebb02."""
    gone = replace(server(1), drives=())
    guest = server(2)
    return fleet(gone, replace(guest, drives=(*guest.drives, {"serial": "ACT1", "bay": "bay07"})))


FLEET_CASES: dict[str, Callable[[], tuple[list[HostRecord], dict[str, str]]]] = {
    "fleet_differs": lambda: (fleet(server(3, kernel="6.1")), {}),
    "hostid_shared": lambda: (fleet(server(3, hostid="00000002")), {}),
    "pool_shared": lambda: (fleet(replace(server(3), settings={**server(3).settings, "pool.guid": "2"})), {}),
    "drive_elsewhere": lambda: (moved(), {}),
    "drift_unchecked": lambda: (fleet(), {"ebb09": "no route to host"}),
}


def outcome(
    records: list[HostRecord], unchecked: dict[str, str], fail_on: str = "warning", accepted: Any = None
) -> dict[str, Any]:
    found = told.outcome(records, unchecked, accepted or {}, fail_on)
    data: dict[str, Any] = json.loads(json.dumps(told.to_data(found)))
    return data


@pytest.mark.parametrize("code", sorted(FLEET_CASES))
def test_each_is_found_and_gone_again(code: str) -> None:
    data = outcome(*FLEET_CASES[code]())
    found = [one for host in data["hosts"] for one in host["findings"] if one["code"] == code]
    assert found
    assert all(one["severity"] in CODES[code].severities and one["remedy"] for one in found)
    assert outcome(fleet(), {})["verdict"] == "clean"


def test_the_odd_one_out_is_named_with_what_most_have() -> None:
    found = fleet_findings(fleet(server(3, kernel="6.1")))
    assert list(found) == ["ebb03"]
    (one,) = found["ebb03"]
    assert (one.about, one.found, one.declared) == ("kernel", "6.1", "6.12, as on 3 of 4 servers of the class")


def test_without_a_majority_each_is_told_what_the_others_have() -> None:
    found = fleet_findings([server(1), server(2, kernel="6.1")])
    assert [(host, one.found, one.declared) for host, some in found.items() for one in some] == [
        ("ebb01", "6.12", "6.1 on 1"),
        ("ebb02", "6.1", "6.12 on 1"),
    ]


def test_servers_of_another_class_are_not_compared() -> None:
    assert fleet_findings([server(1), server(2, kernel="6.1", **{"class": "d"})]) == {}


def test_a_drive_in_the_wrong_server_is_named_with_where_it_is() -> None:
    (one,) = fleet_findings(moved())["ebb01"]
    assert (one.code, one.serial, one.bay, one.found) == ("drive_elsewhere", "ACT1", "bay03", "in bay07 of ebb02")


@pytest.mark.parametrize(
    ("severity", "fail_on", "failing"),
    [
        ("info", "warning", 0),
        ("warning", "warning", 1),
        ("warning", "error", 0),
        ("error", "error", 1),
        ("info", "info", 1),
    ],
)
def test_only_findings_of_the_chosen_severity_fail(severity: str, fail_on: str, failing: int) -> None:
    record = replace(server(1), findings=(Finding("pool_degraded", severity, about="pool archive"),))
    data = outcome([record], {}, fail_on)
    assert data["hosts"][0]["failing"] == failing
    assert data["verdict"] == ("findings" if failing else "clean")


def test_a_host_that_could_not_be_checked_counts_more_than_findings() -> None:
    data = outcome(fleet(server(3, kernel="6.1")), {"ebb09": "no route to host"})
    assert data["verdict"] == "incomplete"
    assert [host["host"] for host in data["hosts"] if not host["checked"]] == ["ebb09"]


def test_fleet_findings_can_be_accepted() -> None:
    rules = read_accepted([{"code": "fleet_differs", "about": "kernel", "reason": "on trial", "until": "2026-12-31"}])
    data = outcome(fleet(server(3, kernel="6.1")), {}, accepted={"ebb03": rules})
    assert data["verdict"] == "clean"
    assert [one["reason"] for host in data["hosts"] for one in host["accepted"]] == ["on trial"]


def test_the_table_has_a_line_for_each_finding_and_each_host() -> None:
    lines = drift_table(outcome(fleet(server(3, kernel="6.1")), {"ebb09": "no route"}))
    assert lines[0].split()[:4] == ["host", "severity", "code", "subject"]
    assert len([line for line in lines if "fleet_differs" in line]) == 1
    assert lines[-1] == "Some hosts could not be compared."
    assert [line for line in lines if line.startswith("ebb01: ")] == ["ebb01: clean, margin 2"]


def test_junit_is_read_by_another_reader() -> None:
    """The form: testsuites, testsuite, testcase, failure, skipped, as JUnit's own reports have it."""
    rules = read_accepted([{"code": "fleet_differs", "reason": "on <trial> & more", "until": "2026-12-31"}])
    text = drift_junit(outcome(fleet(server(3, kernel="6.1")), {"ebb09": 'no "route"'}, accepted={"ebb03": rules}))
    root = ET.fromstring(text)
    assert root.tag == "testsuites"
    suites = {suite.get("name"): suite for suite in root}
    assert set(suites) == {"ebb01", "ebb02", "ebb03", "ebb04", "ebb09"}
    assert suites["ebb09"].get("failures") == "1"
    (skipped,) = suites["ebb03"].iter("skipped")
    assert "on <trial> & more" in (skipped.text or "")
    assert suites["ebb01"].get("tests") == "1"
