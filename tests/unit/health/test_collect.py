# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The collector against a stand-in smartctl (tests/data/smartctl/standin) in real processes.

Time is told by hand where a test is about intervals, and real where it is about hanging.
"""

from __future__ import annotations

import json
import os
import shutil
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core import checked, onhost
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.collect import Collector
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.config import Config
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.jobs import ENVIRONMENT, Jobs
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.metrics import Moment
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.snapshot import unit_key
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Drive, Finding
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import to_plain
from tests.unit.health.build import BOOT, WALL, declared, drive, pool, values

DATA = Path(__file__).parents[2] / "data" / "smartctl"


class Readers:
    """What the host would say; *drives_say* and *pools_say* may be replaced by other work."""

    def __init__(self, drives: list[Drive]) -> None:
        self.found = drives
        self.drives_say: Callable[[int], None] = lambda pipe: self._tell(
            pipe, {"drives": to_plain(self.found), "findings": []}
        )
        self.pools_say: Callable[[int], None] = self._pools
        self.states_say: Callable[[int], None] = lambda pipe: self._tell(pipe, {"states": {"archive": "online"}})

    def _pools(self, pipe: int) -> None:
        self._tell(pipe, {"states": {"archive": "online"}})
        self._tell(pipe, {"pools": [to_plain(pool(self.found, len(self.found)))]})

    @staticmethod
    def _tell(pipe: int, told: object) -> None:
        data = json.dumps(told).encode() + b"\n"
        while data:
            data = data[os.write(pipe, data) :]

    def drives(self, _inventory: object) -> Callable[[int], None]:
        return self.drives_say

    def pools(self, _drives: object, _declared: object) -> Callable[[int], None]:
        return self.pools_say

    def states(self) -> Callable[[int], None]:
        return self.states_say


class Host:
    """A collector on an invented host."""

    def __init__(self, folder: Path, drives: int = 4, **settings: Any) -> None:
        self.folder = folder
        self.block = folder / "block"
        self.block.mkdir()
        shutil.copy(DATA / "standin", folder / "smartctl")
        for path in DATA.glob("*.json"):
            shutil.copy(path, folder)
        self.drives = [drive(bay) for bay in range(drives)]
        for one in self.drives:
            for unit in one.units:
                name = os.path.basename(unit.node)
                self.say(unit.node, "scsi_healthy.json", unit.wwn, one.serial)
                (self.block / name).mkdir()
                (self.block / name / "stat").write_text("100 0 800 50 10 0 80 5 0 50 55 0 0 0 0 0 0\n")
        self.readers = Readers(self.drives)
        self.now = 1000.0
        self.real = True
        self.jobs = Jobs({**ENVIRONMENT, "PATH": os.environ["PATH"], "STANDIN": str(folder)})
        told: dict[str, Any] = {
            "smartctl": str(folder / "smartctl"),
            "inventory": str(folder / "inventory.json"),
            "checked": str(folder / "findings.json"),
            "state_directory": str(folder),
            "interval_seconds": 1,
            "smart_timeout_seconds": 6,
        }
        self.config = Config(**{**told, **settings})
        self.collector = self.make()

    def make(self) -> Collector:
        return Collector(
            self.config, self.jobs, self.readers, BOOT, self.clock, lambda: WALL, class_block=str(self.block)
        )

    def clock(self) -> float:
        return time.monotonic() if self.real else self.now

    def say(self, node: str, file: str, wwn: str, serial: str) -> None:
        """Let smartctl answer for the device as *file* does, under the unit's own names."""
        told = json.loads((DATA / file).read_text())
        told.update(logical_unit_id="0x" + wwn.partition(".")[2], serial_number=serial)
        name = os.path.basename(node)
        (self.folder / (name + ".json")).write_text(json.dumps(told))
        self.mode(node, "replay {0}.json {1}".format(name, told["smartctl"]["exit_status"]))

    def mode(self, node: str, mode: str) -> None:
        (self.folder / os.path.basename(node)).write_text(mode + "\n")

    def run(self, until: Callable[[dict], bool], seconds: float = 60) -> dict:
        """Step until the metrics satisfy *until*; the metrics."""
        deadline = time.monotonic() + seconds
        while time.monotonic() < deadline:
            self.collector.step(0.05)
            found = self.metrics()
            if until(found):
                return found
        raise AssertionError("not within {0} seconds: {1}".format(seconds, found))

    def metrics(self) -> dict:
        return values(self.collector.snapshot(), Moment(BOOT, self.clock(), WALL))

    def calls(self) -> list[str]:
        path = self.folder / "calls"
        return path.read_text().splitlines() if path.exists() else []


@pytest.fixture
def host(tmp_path: Path) -> Iterator[Host]:
    made = Host(tmp_path)
    yield made
    made.jobs.abandon()


def states(found: dict) -> dict[tuple[str, str], str]:
    return {(bay, unit): state for (bay, _serial, unit), state in found.get("unit_health", {}).items()}


def count(state: str, number: int) -> Callable[[dict], bool]:
    return lambda found: list(states(found).values()).count(state) == number


def test_everything_is_read(host: Host) -> None:
    found = host.run(lambda found: count("ok", 8)(found) and {"pool_margin", "unit_operations"} <= set(found))
    assert found["pool_state"] == {("archive",): "online"}
    assert found["unit_operations"][("bay02", "ACS0002", "1", "read")] == 100
    assert found["drive_temperature_celsius"][("bay02", "ACS0002")] == 34
    assert "read_failures" not in found
    assert all("-n standby,3" in call for call in host.calls())


@pytest.mark.parametrize(
    ("mode", "reason"),
    [
        ("hang", "timeout"),
        ("silent", "timeout"),
        ("child", "timeout"),
        ("crash", "crash"),
        ("flood", "flood"),
        ("garbage", "output"),
        ("replay scsi_healthy.json 0", "mismatch"),
        ("replay not_opened.json 2", "open"),
    ],
)
def test_a_disk_in_trouble_spoils_its_own_reading_only(host: Host, mode: str, reason: str) -> None:
    host.mode("/dev/sd5", mode)
    started = time.monotonic()
    host.run(count("ok", 7))
    assert time.monotonic() - started < 6 or mode != "hang", "the other disks did not wait for it"
    found = host.run(lambda found: ("smart", reason) in found.get("read_failures", {}))
    assert states(found)[("bay02", "1")] == "unknown"
    assert list(states(found).values()).count("ok") == 7
    assert found["unit_smart_up"][("bay02", "ACS0002", "1")] == 0


def test_a_disk_that_begins_to_hang_keeps_its_last_good_values(tmp_path: Path) -> None:
    host = Host(tmp_path, smart_interval_seconds=1)
    try:
        host.run(count("ok", 8))
        host.mode("/dev/sd5", "hang")
        found = host.run(lambda found: states(found)[("bay02", "1")] == "unknown")
        label = ("bay02", "ACS0002", "1")
        assert found["unit_corrected_errors"][label + ("read",)] == 41
        assert found["unit_smart_age_seconds"][label] > 1
        host.say("/dev/sd5", "scsi_failing.json", drive(2).units[1].wwn, "ACS0002")
        # After a failure the next attempt comes after a pause, not at once.
        assert len([call for call in host.calls() if call.endswith("/dev/sd5")]) < 5
    finally:
        host.jobs.abandon()


def test_twenty_hanging_disks_do_not_keep_the_others_waiting_for_their_time_limit(tmp_path: Path) -> None:
    host = Host(tmp_path, drives=16, smart_timeout_seconds=60, smart_at_a_time=4)
    try:
        for number in range(20):
            host.mode("/dev/sd{0}".format(number), "hang")
        started = time.monotonic()
        host.run(count("ok", 12), 50)
        # Two seconds for each four that hang, not a minute.
        assert time.monotonic() - started < 40
    finally:
        host.jobs.abandon()


def test_a_hanging_pool_delays_nothing_and_the_kernels_word_is_heard(host: Host) -> None:
    def hang(pipe: int) -> None:
        Readers._tell(pipe, {"states": {"archive": "suspended"}})
        time.sleep(1000)

    host.config = replace(host.config, pools_timeout_seconds=1)
    host.collector = host.make()
    host.run(lambda found: ("archive",) in found.get("pool_margin", {}))
    host.readers.pools_say = hang
    found = host.run(lambda found: found["pool_state"][("archive",)] == "suspended")
    assert found["pool_margin"] == {("archive",): -1}
    assert found["source_up"][("pools",)] == 0
    host.run(count("ok", 8))


def test_while_a_pool_reading_is_stuck_the_kernel_is_still_asked(host: Host) -> None:
    host.config = replace(host.config, pools_timeout_seconds=1)
    host.collector = host.make()
    host.run(lambda found: ("archive",) in found.get("pool_margin", {}))

    class Held(Jobs):
        """As if the kernel held the processes of a killed pool reading."""

        def _bury(self) -> None:
            held = self._lingering.pop("pools", None)
            super()._bury()
            if held is not None:
                self._lingering["pools"] = held

    host.jobs = Held()
    host.collector = host.make()
    host.run(lambda found: ("archive",) in found.get("pool_margin", {}))
    host.readers.pools_say = lambda _pipe: time.sleep(1000)
    host.run(lambda found: found["pool_state"][("archive",)] == "unknown" and found["stuck_reads"][("pools",)] == 1)
    host.readers.states_say = lambda pipe: Readers._tell(pipe, {"states": {"archive": "suspended"}})
    found = host.run(lambda found: found["pool_state"][("archive",)] == "suspended")
    assert found["read_failures"][("pools", "stuck")] >= 1


def writing(told: bytes) -> Callable[[int], None]:
    def work(pipe: int) -> None:
        os.write(pipe, told + b"\n")

    return work


def failures(found: dict) -> int:
    return int(found.get("read_failures", {}).get(("pools", "output"), 0))


def test_damaged_readings_of_the_host_are_failures(host: Host) -> None:
    host.run(lambda found: ("archive",) in found.get("pool_margin", {}))
    for told in (b'{"pools": [{"pool": 1}]}', b"no json", b"{}", b"[]", b"7"):
        before = failures(host.metrics())
        host.readers.pools_say = writing(told)
        found = host.run(lambda found, before=before: failures(found) > before)  # type: ignore[misc]
        assert found["pool_state"] == {("archive",): "unknown"}


def test_a_failed_look_for_drives_is_made_again_before_the_interval(host: Host) -> None:
    host.real = False
    looks: list[float] = []

    def fail(pipe: int) -> None:
        Readers._tell(pipe, {"error": "no udev"})

    class Counting(Readers):
        def drives(self, _inventory: object) -> Callable[[int], None]:
            looks.append(host.now)
            return fail

    host.readers = Counting(host.drives)
    host.collector = host.make()
    for _step in range(40):
        host.collector.step(0.0)
        while host.jobs.under_way():
            host.collector.step(0.05)
        host.now += 10
    assert 6 <= len(set(looks)) <= 8, "every minute, not every five"


def test_a_foreseeable_failure_is_told_in_words(host: Host) -> None:
    host.readers.pools_say = lambda pipe: Readers._tell(pipe, {"error": "OpenZFS: zpool is not installed"})
    host.run(lambda found: ("pools", "error") in found.get("read_failures", {}))
    assert host.collector.snapshot().sources["pools"].error == "OpenZFS: zpool is not installed"


def test_a_pulled_drive_is_noticed_at_once(host: Host) -> None:
    onhost.write(onhost.Inventory("ebb01", tuple(declared(bay) for bay in range(4))), host.config.inventory)
    host.run(count("ok", 8))
    host.readers.found = host.drives[:3]
    for name in ("sd6", "sd7"):
        shutil.rmtree(host.block / name)
    found = host.run(count("absent", 2))
    assert found["drive_present"][("bay03", "ACS0003")] == 0


def test_a_damaged_inventory_is_told_and_the_last_good_one_serves(host: Host) -> None:
    onhost.write(onhost.Inventory("ebb01", (declared(0),)), host.config.inventory)
    found = host.run(lambda found: "drive_declared" in found)
    assert found["inventory_declared"] == {(): 1}
    Path(host.config.inventory).write_text("{")
    found = host.run(lambda found: found["inventory_declared"] == {(): 0})
    assert found["drive_declared"][("bay00", "ACS0000")] == 1


def test_units_of_a_drive_are_not_read_at_the_same_time(host: Host) -> None:
    host.mode("/dev/sd0", "hang")
    host.collector.step(0.0)
    seen: set[str] = set()
    deadline = time.monotonic() + 1.5
    while time.monotonic() < deadline:
        host.collector.step(0.05)
        under_way = [name for name in host.jobs.under_way() if name.startswith("smart:")]
        parts = [name.split("/")[0] for name in under_way]
        assert len(parts) == len(set(parts)), under_way
        seen.update(under_way)
    assert any("ACS0000" in name for name in seen)


def test_a_new_collector_begins_with_the_last_good_values(host: Host) -> None:
    host.run(lambda found: count("ok", 8)(found) and ("archive",) in found.get("pool_margin", {}))
    old = host.collector.snapshot()
    host.readers.drives_say = lambda _pipe: time.sleep(100)
    host.readers.pools_say = lambda _pipe: time.sleep(100)
    host.collector = host.make()
    host.collector.restore(old)
    for _step in range(5):
        host.collector.step(0.05)
    found = host.metrics()
    assert len(found["unit_health"]) == 8
    assert found["unit_smart_age_seconds"][("bay00", "ACS0000", "0")] > 0
    host.collector = host.make()
    host.collector.restore(replace(old, boot="another"))
    assert host.metrics().get("unit_health") is None


def test_the_end_of_a_scrub_is_remembered_after_a_resilver(host: Host) -> None:
    ended = int(WALL) - 86400
    host.run(lambda found: "pool_scrub_age_seconds" in found)
    assert host.collector.scrubs == {"77": ended}
    later = replace(pool(host.drives, 4), last_scrub=None)
    host.readers.pools_say = lambda pipe: Readers._tell(pipe, {"pools": [to_plain(later)]})
    host.run(lambda _found: host.collector._pools == (later,))
    assert host.metrics()["pool_scrub_age_seconds"] == {("archive",): 86400.0}


def test_two_ranges_on_one_undivided_device_have_one_smart_reading_and_no_counters(tmp_path: Path) -> None:
    host = Host(tmp_path)
    try:
        one = host.drives[0]
        ranges = tuple(replace(one.units[0], index=index, unit_kind="range") for index in range(2))
        host.readers.found = [replace(one, units=ranges)]
        found = host.run(count("ok", 2))
        assert "unit_operations" not in found
        assert len(host.calls()) == 1
        assert unit_key(one, ranges[0]) != unit_key(one, ranges[1])
    finally:
        host.jobs.abandon()


def test_the_findings_of_the_scheduled_check_are_taken_over(host: Host) -> None:
    found = host.run(lambda found: "finding" not in found and "findings" in found)
    assert ("drift",) not in found["source_up"]
    checked.write(checked.Checked(WALL - 60, 3600.0, (Finding("scrub_old", "warning"),)), host.config.checked)
    found = host.run(lambda found: "finding" in found)
    assert list(found["finding"]) == [("", "", "", "", "scrub_old", "warning")]
    Path(host.config.checked).write_text("{")
    found = host.run(lambda found: ("drift", "invalid") in found.get("read_failures", {}))
    assert list(found["finding"]) == [("", "", "", "", "scrub_old", "warning")], "the last good one serves"


def test_a_reading_is_as_old_as_its_beginning(host: Host) -> None:
    """What a unit did while it was being read may not be in it."""
    (host.folder / "slow").write_text('#!/bin/sh\nsleep 2\nexec "{0}" "$@"\n'.format(host.config.smartctl))
    (host.folder / "slow").chmod(0o755)
    host.config = replace(host.config, smartctl=str(host.folder / "slow"))
    host.collector = host.make()
    found = host.run(lambda found: "ok" in states(found).values())
    assert min(found["unit_smart_age_seconds"].values()) >= 2
