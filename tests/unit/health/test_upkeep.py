# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Which scrubs and self-tests start: the rules of issue 06, also over whole simulated months."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health import upkeep
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.config import Upkeep
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.smart import SelfTest
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.snapshot import (
    ScanReading,
    Snapshot,
    Source,
    unit_key,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.upkeep import Started
from tests.unit.health.build import BOOT, NOW, READING, WALL, drive, moment, pool, snapshot

DAY = 86400.0
PLAN = Upkeep(scrub_days=30, short_days=7, long_days=60, tests_at_a_time=2)


def aged(one: Snapshot, hours: float | None, kind: str = "short", only: set[int] | None = None) -> Snapshot:
    """The same, with the last passed test of *kind* (and no other) so long ago, or never."""
    passed = () if hours is None else (SelfTest("passed", kind, None, int(hours)),)
    units = dict(one.units)
    for bay, part in [(bay, part) for bay, found in enumerate(one.drives) for part in found.units]:
        if only is None or bay in only:
            key = unit_key(one.drives[bay], part)
            units[key] = replace(units[key], smart=replace(READING, passed=passed))
    return replace(one, units=units)


def scanning(one: Snapshot, function: str) -> Snapshot:
    scan = ScanReading(function, True, 0.5)
    return replace(one, pools=tuple(replace(found, scan=scan) for found in one.pools))


def names(decision: upkeep.Decision) -> list[str]:
    return [start.name for start in decision.tests]


def test_due_tests_start_on_two_drives_of_a_cohort_one_unit_each() -> None:
    decision = upkeep.tests(aged(snapshot(), 169), PLAN, "short", {}, moment())
    assert names(decision) == ["bay00.0", "bay01.0"]
    assert len(decision.waiting) == 22
    first = decision.tests[0]
    assert (first.node, first.wwn, first.serial) == ("/dev/sd0", drive(0).units[0].wwn, "ACS0000")


def test_cohorts_are_tested_beside_each_other() -> None:
    decision = upkeep.tests(aged(snapshot(36), 169), PLAN, "short", {}, moment())
    assert names(decision) == ["bay00.0", "bay01.0", "bay12.0", "bay13.0", "bay24.0", "bay25.0"]


def test_what_is_not_due_does_not_start() -> None:
    assert names(upkeep.tests(aged(snapshot(), 167), PLAN, "short", {}, moment())) == []
    assert names(upkeep.tests(aged(snapshot(), 167), replace(PLAN, short_days=0), "short", {}, moment())) == []


def test_a_long_test_counts_as_a_short_one_and_not_the_other_way_round() -> None:
    assert names(upkeep.tests(aged(snapshot(), 100, "long"), PLAN, "short", {}, moment())) == []
    assert len(names(upkeep.tests(aged(snapshot(), 100, "short"), PLAN, "long", {}, moment()))) == 2


def test_the_unit_waiting_longest_goes_first() -> None:
    one = aged(aged(snapshot(), 200), 500, only={9})
    assert names(upkeep.tests(one, PLAN, "short", {}, moment()))[0] == "bay09.0"


def test_a_running_test_holds_its_drive_and_counts_for_its_cohort() -> None:
    one = aged(snapshot(), 200)
    key = unit_key(drive(0), drive(0).units[1])
    busy = replace(
        one,
        units={
            **one.units,
            key: replace(one.units[key], smart=replace(READING, self_test=SelfTest("running", "long"))),
        },
    )
    assert names(upkeep.tests(busy, PLAN, "short", {}, moment())) == ["bay01.0"]


def test_a_test_just_started_counts_before_any_reading_shows_it() -> None:
    one = aged(snapshot(), 200)
    started = {unit_key(drive(0), drive(0).units[0]): Started(BOOT, NOW - 1, WALL - 1, "short")}
    assert names(upkeep.tests(one, PLAN, "short", started, moment())) == ["bay01.0"]
    # A later reading that shows none running ends that, and the next try comes a day later.
    done = {unit_key(drive(0), drive(0).units[0]): Started(BOOT, NOW - 100, WALL - 100, "short")}
    assert names(upkeep.tests(one, PLAN, "short", done, moment())) == ["bay00.1", "bay01.0"]
    rebooted = {key: replace(entry, boot="before") for key, entry in done.items()}
    assert names(upkeep.tests(one, PLAN, "short", rebooted, moment())) == ["bay00.1", "bay01.0"]


def test_a_reading_that_began_before_the_test_does_not_end_it() -> None:
    """Found in the lab: the reading under way came back later than the start, without the test in it."""
    one = aged(snapshot(), 200)
    key = unit_key(drive(0), drive(0).units[0])
    started = {key: Started(BOOT, NOW - 30, WALL - 30, "short")}
    for read_at, expected in ((NOW - 31, ["bay01.0"]), (NOW - 29, ["bay00.1", "bay01.0"])):
        units = {**one.units, key: replace(one.units[key], smart_at=read_at, smart_tried=NOW - 20)}
        assert names(upkeep.tests(replace(one, units=units), PLAN, "short", started, moment())) == expected
    # A unit that sleeps is in no test.
    units = {**one.units, key: replace(one.units[key], smart_at=NOW - 300, smart_tried=NOW - 20, asleep=True)}
    assert names(upkeep.tests(replace(one, units=units), PLAN, "short", started, moment())) == ["bay00.1", "bay01.0"]


@pytest.mark.parametrize("width", [1, 2, 3, 12])
def test_never_all_drives_of_a_vdev(width: int) -> None:
    one = aged(snapshot(12, width), 200)
    decision = upkeep.tests(one, replace(PLAN, tests_at_a_time=100), "short", {}, moment())
    for cohort in range(12 // width):
        bays = {"bay{0:02d}".format(bay) for bay in range(cohort * width, (cohort + 1) * width)}
        busy = [name for name in names(decision) if name.partition(".")[0] in bays]
        assert len(busy) == max(width - 1, 1)


@pytest.mark.parametrize("function", ["scrub", "resilver"])
def test_not_during_a_scrub_or_resilver(function: str) -> None:
    decision = upkeep.tests(scanning(aged(snapshot(), 200), function), PLAN, "short", {}, moment())
    assert (decision.tests, decision.waiting) == ((), ("Pool archive: a {0} is running.".format(function),))


def test_not_while_anything_about_the_pools_is_unclear() -> None:
    one = aged(snapshot(), 200)
    suspended = replace(one, states={"archive": "suspended"})
    hung = replace(one, sources={**one.sources, "pools": Source(NOW - 500, NOW, "No answer.")})
    for cause in (suspended, hung, None):
        assert upkeep.tests(cause, PLAN, "short", {}, moment()).tests == ()
        assert upkeep.scrubs(cause, PLAN, {}, moment(wall=WALL + 100 * DAY)).pools == ()
    assert upkeep.tests(one, PLAN, "short", {}, moment(3600)).tests == (), "old readings"


def test_units_that_fail_sleep_or_do_not_answer_are_left_alone() -> None:
    one = aged(snapshot(), 200)
    changes: dict[int, dict[str, Any]] = {
        0: {"smart": replace(READING, verdict="failing", passed=())},
        1: {"asleep": True},
        2: {"smart_error": "No answer."},
        3: {"smart": replace(READING, verdict="unsupported", passed=())},
        4: {"smart": None},
    }
    units = dict(one.units)
    for bay, change in changes.items():
        for part in drive(bay).units:
            key = unit_key(drive(bay), part)
            units[key] = replace(units[key], **change)
    decision = upkeep.tests(replace(one, units=units), PLAN, "short", {}, moment())
    assert names(decision) == ["bay05.0", "bay06.0"]


def test_scrubs_start_when_due() -> None:
    one = snapshot()
    old = replace(one.pools[0], last_scrub=int(WALL - 31 * DAY))
    never = replace(one.pools[0], last_scrub=None)
    future = replace(one.pools[0], last_scrub=int(WALL + DAY))
    for reading in (old, never, future):
        assert upkeep.scrubs(replace(one, pools=(reading,)), PLAN, {}, moment()).pools == ("archive",)
    assert upkeep.scrubs(one, PLAN, {}, moment()).waiting == ("Pool archive: no scrub is due.",)
    assert upkeep.scrubs(replace(one, pools=(old,)), replace(PLAN, scrub_days=0), {}, moment()).pools == ()


def test_a_due_scrub_goes_before_tests_and_waits_for_those_that_run() -> None:
    one = aged(snapshot(), 200)
    due = replace(one, pools=(replace(one.pools[0], last_scrub=None),))
    assert upkeep.tests(due, PLAN, "short", {}, moment()).waiting == ("Pool archive: a scrub is due and has priority.",)
    started = {unit_key(drive(3), drive(3).units[0]): Started(BOOT, NOW - 1, WALL - 1, "long")}
    decision = upkeep.scrubs(due, PLAN, started, moment())
    assert (decision.pools, decision.waiting) == ((), ("Pool archive: drives run a self-test (ACS0003).",))


def test_no_scrub_beside_a_scan() -> None:
    one = snapshot()
    due = scanning(replace(one, pools=(replace(one.pools[0], last_scrub=None),)), "resilver")
    assert upkeep.scrubs(due, PLAN, {}, moment()).waiting == ("Pool archive: a resilver is running.",)


class Simulation:
    """A server over time: tests take hours, scrubs a day; every rule is checked at every moment."""

    def __init__(self, drives: int, width: int, plan: Upkeep) -> None:
        self.one = snapshot(drives, width)
        self.base = pool(list(self.one.drives), width)
        self.plan = plan
        self.hours = 0
        self.running: dict[str, tuple[str, int]] = {}
        self.passed: dict[str, dict[str, int]] = {key: {} for key in self.one.units}
        self.started: dict[str, Started] = {}
        self.scrub_until = 0
        self.last_scrub: int | None = None
        self.scrubs = 0
        self.done = 0

    def at(self) -> tuple[Snapshot, float]:
        later = self.hours * 3600.0
        units = {}
        for key, reading in self.one.units.items():
            tests = tuple(
                SelfTest("passed", kind, None, self.hours - ended) for kind, ended in sorted(self.passed[key].items())
            )
            state = SelfTest("running", self.running[key][0]) if key in self.running else SelfTest()
            smart = replace(READING, passed=tests, self_test=state)
            units[key] = replace(reading, smart=smart, smart_at=NOW + later - 60, smart_tried=NOW + later - 60)
        scan = ScanReading("scrub", True, 0.5) if self.hours < self.scrub_until else ScanReading()
        one = replace(
            self.one,
            at=NOW + later,
            units=units,
            pools=(replace(self.base, scan=scan, last_scrub=self.last_scrub),),
            sources={"drives": Source(NOW + later, NOW + later), "pools": Source(NOW + later, NOW + later)},
        )
        return one, later

    def hour(self) -> None:
        for key, (kind, until) in list(self.running.items()):
            if self.hours >= until:
                del self.running[key]
                self.passed[key][kind] = self.hours
                self.done += 1
        if self.scrub_until and self.hours >= self.scrub_until:
            self.last_scrub, self.scrub_until = int(WALL + self.hours * 3600), 0
        one, later = self.at()
        if upkeep.scrubs(one, self.plan, self.started, moment(later)).pools:
            assert not self.running, "a scrub began beside a self-test"
            self.scrub_until = self.hours + 24
            self.scrubs += 1
        for kind, length in (("short", 1), ("long", 20)):
            one, later = self.at()
            for start in upkeep.tests(one, self.plan, kind, self.started, moment(later)).tests:
                assert self.hours >= self.scrub_until, "a self-test began beside a scrub"
                self.running[start.key] = (kind, self.hours + length)
                self.started[start.key] = Started(BOOT, NOW + later, WALL + later, kind)
        self.check()
        self.hours += 1

    def check(self) -> None:
        in_test = [key.split("/")[0] for key in self.running]
        assert len(in_test) == len(set(in_test)), "two units of a drive at a time"
        for vdev in self.base.pool.vdevs:
            drives = {"ACTWO ACTW-D9 " + member.serial for member in vdev.members}
            busy = drives & set(in_test)
            assert len(busy) <= self.plan.tests_at_a_time
            assert len(busy) < len(drives) or len(drives) == 1


def run_for(days: int, drives: int, width: int, at_a_time: int) -> Simulation:
    plan = Upkeep(scrub_days=30, short_days=7, long_days=60, tests_at_a_time=at_a_time)
    simulation = Simulation(drives, width, plan)
    for _hour in range(days * 24):
        simulation.hour()
    return simulation


def test_over_weeks_every_unit_gets_its_tests_and_every_rule_holds() -> None:
    simulation = run_for(40, 6, 3, 2)
    assert simulation.scrubs >= 2
    for key, passed in simulation.passed.items():
        assert set(passed) == {"short", "long"} or set(passed) == {"long"}, key
        assert simulation.hours - max(passed.values()) < 3 * 7 * 24, key


@pytest.mark.long
@settings(max_examples=20, deadline=None)
@given(st.sampled_from([(12, 12), (12, 6), (12, 4), (9, 3)]), st.integers(1, 4))
def test_over_months_every_unit_gets_its_tests_and_every_rule_holds(shape: tuple[int, int], at_a_time: int) -> None:
    simulation = run_for(120, *shape, at_a_time)
    assert simulation.scrubs >= 3
    for key, passed in simulation.passed.items():
        # A slot for each of the drives in turn, and the scrub's day: within twice the interval at the worst.
        assert simulation.hours - passed["long"] < 2 * 60 * 24, key
        assert simulation.hours - max(passed.values()) < 3 * 7 * 24, key
