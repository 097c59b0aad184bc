# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Drift on a real server: somebody changes something by hand, the check tells what, where, and with which code.

The server is built, watched and scheduled once; each test begins from a checkpoint of it.
"""

from __future__ import annotations

import json
import re
import shutil
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.lab.conftest import Labs
from tests.lab.lab import Lab
from tests.lab.parts import Port
from tests.lab.playbooks import Run, Site

pytestmark = pytest.mark.lab_long

READY = "drift"
PLAY = [{"hosts": "all", "gather_facts": True, "gather_subset": ["!all"], "become": True,
         "roles": [f"evenkeel.split_actuator.{role}" for role in ("disk_inventory", "drift_schedule")]}]  # fmt: skip
HEALTH = [{"hosts": "all", "gather_facts": True, "become": True,
           "roles": ["evenkeel.split_actuator.health_exporter"]}]  # fmt: skip
STATE = (
    "sha256sum /etc/systemd/system/evenkeel-* /etc/evenkeel/split_actuator/* /etc/udev/rules.d/* /etc/hostid"
    " /usr/local/lib/evenkeel/* 2>/dev/null; ls -l /dev/disk/by-vdev; zpool status -P archive | grep -v scan"
)
FINDINGS = "/var/lib/evenkeel/split_actuator/findings.json"
NO_SMARTD = {"disk_inventory_smartd": False}
CLASS = {"split_actuator_drift_outputs": ["table", "json", "junit"], "split_actuator_scrub_days": 30}


class Server:
    """The server with its site."""

    def __init__(self, lab: Lab, folder: Path) -> None:
        self.lab = lab
        self.site = Site(lab, folder)
        self.reports = self.site.folder / "reports"
        (folder / "schedule.yml").write_text(yaml.safe_dump(PLAY))
        (folder / "health.yml").write_text(yaml.safe_dump(HEALTH))

    def check(self, *options: str, **variables: Any) -> Run:
        return self.site.playbook("drift", *options, variables={**CLASS, **variables})

    def record(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads((self.reports / "ebb01.json").read_text())
        return found

    def codes(self) -> set[tuple[str, str]]:
        """Code and subject's bay (or what it is about) of all findings of the last check."""
        return {(one["code"], one["bay"] or one["about"]) for one in self.record()["findings"]}

    def state(self) -> str:
        return self.lab.run(STATE, check=False, timeout=300).out


@pytest.fixture(scope="module")
def prepared(labs: Labs) -> tuple[Server, dict[str, Any]]:
    """The server as it should be, with what was seen on the way.

    A lab that is kept (EVENKEEL_LAB_KEEP) has both from the run that made it; remove it after changes of the roles.
    """
    lab = labs.get("ebb01", at=READY)
    kept = lab.folder / "drift.json"
    if lab.has_checkpoint(READY) and kept.exists():
        return Server(lab, lab.folder / "site"), json.loads(kept.read_text())
    shutil.rmtree(lab.folder / "site", ignore_errors=True)
    server = Server(lab, lab.folder / "site")
    server.site.playbook("survey").check()
    server.site.playbook("build").check()
    lab.run("zgenhostid -f 00c0ffee")
    seen: dict[str, Any] = {"first": server.site.playbook("./schedule.yml", variables=NO_SMARTD).check().changed}
    # Disks without SMART: smartd ends with a failure, which would be a finding, and rightly so.
    lab.run("systemctl disable --now smartmontools.service; systemctl reset-failed", check=False)
    seen["again"] = server.site.playbook("./schedule.yml", variables=NO_SMARTD).check().changed
    seen["checked"] = server.site.playbook("./schedule.yml", "--check", variables=NO_SMARTD).check().changed
    before = server.state()
    clean = server.check()
    seen["clean"] = (clean.rc, clean.output)
    seen["touched"] = server.state() != before
    seen["record"] = server.record()
    lab.checkpoint(READY)
    kept.write_text(json.dumps(seen))
    return server, seen


@pytest.fixture
def server(prepared: tuple[Server, dict[str, Any]]) -> Server:
    """The server, as it was."""
    prepared[0].lab.restore(READY)
    prepared[0].site.refresh()
    return prepared[0]


def test_a_server_as_declared_ends_with_0_and_is_not_touched(prepared: tuple[Server, dict[str, Any]]) -> None:
    seen = prepared[1]
    assert seen["clean"][0] == 0, seen["clean"][1]
    assert not seen["touched"]
    record = seen["record"]
    assert record["findings"] == []
    assert (record["host"], record["margin"], len(record["bays"])) == ("ebb01", 2, 12)
    assert len([drive for drive in record["drives"] if len(drive["units"]) == 2]) == 12
    assert record["guarantees"]["drives"] == 2
    assert record["pool"]["name"] == "archive"
    assert record["settings"]["hostid"] == "00c0ffee"


def test_the_schedule_is_idempotent_and_left_its_findings(prepared: tuple[Server, dict[str, Any]]) -> None:
    seen = prepared[1]
    assert seen["first"] > 0
    assert (seen["again"], seen["checked"]) == (0, 0)


def hostid(lab: Lab) -> None:
    lab.run("zgenhostid -f 0badcafe")


def timer(lab: Lab) -> None:
    lab.run("systemctl stop evenkeel-drift.timer")


def rules(lab: Lab) -> None:
    lab.run("sed -i 's/bay07.1/bay44.1/' /etc/udev/rules.d/70-evenkeel-units.rules")


def prop(lab: Lab) -> None:
    lab.run("zfs set recordsize=128K archive")


def cache(lab: Lab) -> None:
    lab.run("zpool set cachefile=none archive")


def link(lab: Lab) -> None:
    lab.run("ln -sfn ../../$(basename $(readlink -f /dev/disk/by-vdev/bay02.0)) /dev/disk/by-vdev/bay03.0")


def offline(lab: Lab) -> None:
    lab.run("zpool offline archive bay05.0")


def kept(lab: Lab) -> None:
    lab.run("rm /etc/evenkeel/split_actuator/inventory.json; echo '{}' > /etc/evenkeel/split_actuator/inventory.json")


BY_HAND: list[tuple[Callable[[Lab], None], set[tuple[str, str]], dict[str, Any]]] = [
    (hostid, {("hostid_differs", "host id")}, {"split_actuator_hostid": "00c0ffee"}),
    (timer, {("timer_stopped", "evenkeel-drift.timer")}, {}),
    (rules, {("rules_differ", "udev rules")}, {}),
    (prop, {("property_differs", "pool archive, root dataset, recordsize")}, {}),
    (cache, {("boot_import", "pool archive")}, {}),
    (link, {("name_misleads", "bay03")}, {}),
    (offline, {("member_failed", "bay05"), ("pool_degraded", "pool archive"), ("margin_low", "pool archive")}, {}),
    (kept, {("inventory_outdated", "/etc/evenkeel/split_actuator/inventory.json")}, {}),
]


def test_what_was_changed_by_hand_is_told_and_clears(server: Server) -> None:
    """All at once, so that one boot serves: every change is found, with code 2; put right, all are gone."""
    expected: set[tuple[str, str]] = set()
    variables: dict[str, Any] = {}
    for change, codes, more in BY_HAND:
        change(server.lab)
        expected |= codes
        variables.update(more)
    run = server.check(**variables)
    assert run.rc == 2, run.output
    found = server.codes()
    assert expected <= found, (expected - found, found)
    for code, _subject in expected:
        assert code in run.output
    root = ET.parse(server.reports / "outcome" / "drift.xml").getroot()
    assert {case.get("name", "").split()[0] for case in root.iter("testcase")} >= {code for code, _subject in expected}
    told = json.loads((server.reports / "outcome" / "drift.json").read_text())
    assert told["verdict"] == "findings"
    events = {(one["code"], one["event"]) for one in server.record()["history"]}
    assert {(code, "found") for code, _subject in expected} <= events

    server.lab.run(
        "zgenhostid -f 00c0ffee; systemctl start evenkeel-drift.timer; zfs set recordsize=1M archive;"
        " zpool set cachefile=/etc/zfs/zpool.cache archive; zpool online archive bay05.0;"
        " udevadm trigger --subsystem-match=block --action=change; udevadm settle -t 300;"
        " zpool wait -t resilver archive",
        timeout=600,
    )
    server.site.playbook("./schedule.yml", variables=NO_SMARTD).check()
    run = server.check(**variables)
    assert not expected & server.codes(), server.codes() & expected
    assert run.rc == 0, run.output


def test_a_moved_drive_is_told_with_both_bays(server: Server) -> None:
    server.lab.move(0, bay=13, port=Port("sas1", 7))
    run = server.check()
    assert run.rc == 2, run.output
    (moved,) = [one for one in server.record()["findings"] if one["code"] == "drive_moved"]
    assert (moved["serial"], moved["declared"], moved["found"].split()[0]) == ("ACT100", "bay00", "bay13")
    assert "drive_missing" not in {code for code, _subject in server.codes()}


def test_siblings_in_one_vdev_are_told(server: Server) -> None:
    """The pool that somebody made by hand: both units of each of four drives in one vdev."""
    names = " ".join(f"bay{bay:02d}.{index}" for bay in range(4) for index in (0, 1))
    server.lab.run(
        f"zpool destroy archive && zpool create -f archive raidz1 $(printf '/dev/disk/by-vdev/%s ' {names})",
        timeout=600,
    )
    run = server.check(split_actuator_fail_on="error")
    assert run.rc == 2, run.output
    found = server.codes()
    assert {("siblings_together", f"bay{bay:02d}") for bay in range(4)} <= found
    assert {code for code, _subject in found} >= {"vdev_differs", "member_absent", "margin_low"}


def test_the_return_codes(server: Server) -> None:
    """0 without findings, 2 with, 4 when the host could not be checked; an accepted finding does not count."""
    timer(server.lab)
    assert server.check().rc == 2
    assert server.check(split_actuator_fail_on="error").rc == 0
    entry = {"code": "timer_stopped", "reason": "on purpose", "until": "2999-12-31"}
    assert server.check(split_actuator_accepted=[entry]).rc == 0
    run = server.check(split_actuator_accepted=[{**entry, "until": "2020-01-01"}])
    assert run.rc == 2
    assert "acceptance_expired" in run.output
    run = server.check(split_actuator_drives={"bay00": {"serial": 7}})
    assert run.rc == 4, run.output
    assert "split_actuator_drives.bay00.serial" in run.output
    # Nobody listens there, and no connection that is already open serves.
    assert server.check(ansible_port=1, ansible_ssh_args="-F /dev/null -o BatchMode=yes -o ControlPath=none").rc == 4


def test_the_schedule_works_without_a_controller_and_reaches_the_metrics(server: Server) -> None:
    lab = server.lab
    assert lab.run("systemctl is-active evenkeel-drift.timer").out.strip() == "active"
    lab.run("systemctl start evenkeel-drift.service", timeout=300)
    last = json.loads(lab.run(f"cat {FINDINGS}").out)
    assert last["findings"] == []
    lab.run("systemctl stop evenkeel-drift.timer; zpool offline archive bay05.0")
    lab.run("systemctl start evenkeel-drift.service", timeout=300)
    last = json.loads(lab.run(f"cat {FINDINGS}").out)
    found = {(one["code"], one["bay"] or one["about"]) for one in last["findings"]}
    assert {("member_failed", "bay05"), ("pool_degraded", "pool archive")} <= found
    since = {one["code"]: one["since"] for one in last["findings"]}
    lab.run("sleep 2; systemctl start evenkeel-drift.service", timeout=300)
    again = json.loads(lab.run(f"cat {FINDINGS}").out)
    assert {one["code"]: one["since"] for one in again["findings"]} == since
    assert again["ended"] > last["ended"]
    shown = lab.run("/usr/local/lib/evenkeel/drift.pyz show").out
    assert "member_failed: bay05" in shown
    assert lab.run("stat -c '%U %a' " + FINDINGS).out == "root 644\n"
    # Its own look at the controller agrees with the schedule's since.
    server.check()
    seen = {one["code"]: one["since"] for one in server.record()["findings"]}
    assert seen["member_failed"] == since["member_failed"]
    server.site.playbook("./health.yml").check()
    text = lab.run("sleep 20; /usr/local/lib/evenkeel/health.pyz show", timeout=300).out
    assert re.search(r'split_actuator_finding\{[^}]*code="member_failed"[^}]*\} 1', text), text[-3000:]
