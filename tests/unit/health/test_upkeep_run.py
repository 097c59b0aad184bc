# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Starting upkeep: the commands, their order, and what stops them."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health import upkeep_run
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.config import Config, Upkeep
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.jobs import Ended, Work
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.memory import Memory
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.smart import SelfTest
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.snapshot import (
    PoolReading,
    ScanReading,
    Snapshot,
    to_text,
    unit_key,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.files import write_atomically
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.lock import one_at_a_time
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import to_plain
from tests.unit.health.build import NOW, READING, WALL, drive, moment, snapshot
from tests.unit.health.test_collect import Readers

DUE = replace(snapshot().pools[0], last_scrub=None)


def due_for_tests() -> Snapshot:
    made = snapshot()
    smart = replace(READING, passed=(SelfTest("passed", "short", None, 200),))
    return replace(made, units={key: replace(one, smart=smart) for key, one in made.units.items()})


class Worker:
    """Plays commands: what each ends with, by its first words; pools are read as given."""

    def __init__(self, found: tuple[PoolReading, ...], **answers: Ended) -> None:
        self.ran: list[tuple[str, ...]] = []
        self._pools = found
        self._answers = answers
        self._next: list[Ended] = []

    def start(self, name: str, work: Work, seconds: float, most: int = 0) -> bool:
        assert seconds > 0
        assert most >= 0
        if callable(work):
            told = {"pools": [to_plain(one) for one in self._pools]}
            made = self._answers.get("pools") or Ended(name, "done", 0, json.dumps(told).encode() + b"\n", 0.1)
        else:
            self.ran.append(tuple(work))
            made = self._answers.get(work[0]) or Ended(name, "done", 0, b"ok\n", 0.1)
        self._next.append(made)
        return True

    def poll(self, seconds: float) -> list[Ended]:
        assert seconds > 0
        return [self._next.pop(0)]


@pytest.fixture
def settings(tmp_path: Path) -> Config:
    (tmp_path / "block").mkdir()
    return Config(
        snapshot=str(tmp_path / "snapshot.json"),
        state_directory=str(tmp_path),
        upkeep=Upkeep(),
        text_directory=str(tmp_path),
    )


def scrub(settings: Config, one: Snapshot, worker: Worker) -> tuple[str, ...]:
    write_atomically(settings.snapshot, to_text(one))
    return upkeep_run.run_scrubs(settings, worker, moment(), Readers([]), lock=settings.state_directory + "/lock")


def selftest(settings: Config, one: Snapshot, worker: Worker) -> tuple[str, ...]:
    write_atomically(settings.snapshot, to_text(one))
    return upkeep_run.run_tests(
        settings,
        "short",
        worker,
        moment(),
        Readers([]),
        lock=settings.state_directory + "/lock",
        class_block=settings.state_directory + "/block",
    )


def test_a_due_scrub_is_started(settings: Config) -> None:
    worker = Worker((DUE,))
    told = scrub(settings, replace(snapshot(), pools=(DUE,)), worker)
    assert (told, worker.ran) == (("Started a scrub of pool archive.",), [("zpool", "scrub", "archive")])


@pytest.mark.parametrize(
    ("answer", "text"),
    [
        (
            Ended("upkeep", "done", 1, b"cannot scrub archive: out of space\n", 0.1),
            "code 1: cannot scrub archive: out of space",
        ),
        (Ended("upkeep", "timeout", 0, b"", 60.0), "no answer within 60 seconds."),
    ],
)
def test_a_scrub_that_does_not_start_is_told(settings: Config, answer: Ended, text: str) -> None:
    told = scrub(settings, replace(snapshot(), pools=(DUE,)), Worker((DUE,), zpool=answer))
    assert told == ("Failed to start a scrub of pool archive: " + text,)


def test_what_the_pools_say_at_that_moment_decides(settings: Config) -> None:
    one = replace(snapshot(), pools=(DUE,))
    running = replace(DUE, scan=ScanReading("resilver", True))
    suspended = replace(DUE, pool=replace(DUE.pool, suspended=True))
    hung = Ended("pools", "timeout", 0, b'{"states": {}}\n', 20.0)
    for worker, text in (
        (Worker((running,)), "Pool archive: a resilver is running."),
        (Worker((suspended,)), "Pool archive is suspended."),
        (Worker((), pools=hung), "Failed to read the pools: no answer within 20 seconds."),
        (
            Worker((), pools=Ended("pools", "done", 0, b'{"error": "no zpool"}\n', 0.1)),
            "Failed to read the pools: no zpool",
        ),
    ):
        assert scrub(settings, one, worker) == (text,)
        assert selftest(settings, due_for_tests(), worker)[-1] == text
        assert worker.ran == []


def test_due_tests_are_started_and_remembered(settings: Config) -> None:
    worker = Worker(snapshot().pools)
    told = selftest(settings, due_for_tests(), worker)
    assert worker.ran == [("smartctl", "-t", "short", "/dev/sd0"), ("smartctl", "-t", "short", "/dev/sd2")]
    assert "Started the short self-test of bay00.0 (serial ACS0000)." in told
    kept = Memory(settings.state_directory).tests()
    assert set(kept) == {unit_key(drive(bay), drive(bay).units[0]) for bay in (0, 1)}
    for one in kept.values():
        assert one.kind == "short"
        assert one.at - NOW == pytest.approx(one.wall - WALL, abs=1e-3)
        assert 0 <= one.at - NOW < 60
    # The next tick finds the two cohort places taken.
    again = Worker(snapshot().pools)
    selftest(settings, due_for_tests(), again)
    assert again.ran == []


def test_a_device_that_is_another_unit_by_now_is_left_alone(settings: Config) -> None:
    for name, wwid in (("sd0", "naa.other"), ("sd2", drive(1).units[0].wwn)):
        place = Path(settings.state_directory) / "block" / name / "device"
        place.mkdir(parents=True)
        (place / "wwid").write_text(wwid + "\n")
    worker = Worker(snapshot().pools)
    told = selftest(settings, due_for_tests(), worker)
    assert worker.ran == [("smartctl", "-t", "short", "/dev/sd2")]
    assert "bay00.0: its device /dev/sd0 belongs to another unit now." in told


def test_a_test_that_does_not_start_is_told_and_not_tried_at_every_tick(settings: Config) -> None:
    failed = Ended("upkeep", "done", 4, b"Self-test not supported\n", 0.1)
    told = selftest(settings, due_for_tests(), Worker(snapshot().pools, smartctl=failed))
    assert "Failed to start the short self-test of bay00.0: code 4: Self-test not supported" in told


def test_it_waits_for_another_action_on_the_host(settings: Config) -> None:
    worker = Worker((DUE,))
    with one_at_a_time("a drive swap", settings.state_directory + "/lock"):
        (told,) = scrub(settings, replace(snapshot(), pools=(DUE,)), worker)
        assert told.startswith("Waits: host: a drive swap (process ")
        assert selftest(settings, due_for_tests(), worker)[-1].startswith("Waits: host: a drive swap")
    assert worker.ran == []


def test_without_readings_nothing_is_started(settings: Config) -> None:
    worker = Worker((DUE,))
    assert upkeep_run.run_scrubs(settings, worker, moment()) == ("The collector's readings are missing or outdated.",)
    assert worker.ran == []
