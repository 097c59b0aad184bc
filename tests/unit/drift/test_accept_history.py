# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Accepting findings until a date, and what checks remember."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift import history
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.accept import apply, read_accepted
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import InputError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Finding

from .cases import scan
from .world import GUID, NOW, World

GONE = Finding("drive_missing", "error", "ACT107", "bay07")
TIMER = Finding("timer_stopped", "warning", about="evenkeel-scrub.timer")
ENTRY = {"code": "drive_missing", "reason": "away", "until": "2026-12-31"}


@pytest.mark.parametrize(
    ("entry", "today", "counting"),
    [
        (ENTRY, "2026-12-31", []),
        (ENTRY, "2027-01-01", ["drive_missing", "acceptance_expired"]),
        ({**ENTRY, "bay": "bay07", "serial": "ACT107"}, "2026-12-30", []),
        ({**ENTRY, "bay": "bay08"}, "2026-12-30", ["drive_missing", "acceptance_unused"]),
        ({**ENTRY, "index": 1}, "2026-12-30", ["drive_missing", "acceptance_unused"]),
        ({**ENTRY, "until": date(2026, 12, 31)}, "2026-12-31", []),
    ],
)
def test_accepted_until_the_end_of_the_day(entry: dict[str, Any], today: str, counting: list[str]) -> None:
    left, accepted = apply([GONE], read_accepted([entry]), today)
    assert [one.code for one in left] == counting
    assert [one.finding for one in accepted] == ([] if counting else [GONE])


@pytest.mark.parametrize(
    ("entry", "where"),
    [
        ({**ENTRY, "code": "no_such_code"}, ".code"),
        ({**ENTRY, "code": "acceptance_expired"}, ".code"),
        ({**ENTRY, "reason": " "}, ".reason"),
        ({**ENTRY, "until": "soon"}, ".until"),
        ({**ENTRY, "until": "2026-02-30"}, ".until"),
        ({"code": "drive_missing", "reason": "away"}, ".until"),
        ({**ENTRY, "index": "1"}, ".index"),
        ({**ENTRY, "because": "x"}, "[0]"),
        ("drive_missing", "[0]"),
    ],
)
def test_what_is_not_allowed_is_named(entry: Any, where: str) -> None:
    with pytest.raises(InputError) as caught:
        read_accepted([entry])
    assert caught.value.subject.startswith("split_actuator_accepted[0]")
    assert where in caught.value.subject


def test_since_is_the_first_check_that_saw_it() -> None:
    first = history.advance(history.State(), [GONE], "2026-11-01T00:00:00Z")
    second = history.advance(first, [GONE, TIMER], "2026-11-02T00:00:00Z")
    assert [one.since for one in history.dated([GONE, TIMER], second)] == [
        "2026-11-01T00:00:00Z",
        "2026-11-02T00:00:00Z",
    ]
    third = history.advance(second, [TIMER], "2026-11-03T00:00:00Z")
    assert [(one.code, one.event, one.at[:10]) for one in third.events] == [
        ("drive_missing", "found", "2026-11-01"),
        ("timer_stopped", "found", "2026-11-02"),
        ("drive_missing", "cleared", "2026-11-03"),
    ]
    back = history.advance(third, [GONE, TIMER], "2026-11-04T00:00:00Z")
    assert history.dated([GONE], back)[0].since == "2026-11-04T00:00:00Z"


def test_a_drive_that_moved_on_is_the_same_finding() -> None:
    moved = [Finding("drive_moved", "error", "ACT107", bay) for bay in ("bay08", "bay09")]
    state = history.advance(history.State(), moved[:1], "a")
    assert history.advance(state, moved[1:], "b").events == state.events


def test_history_is_bounded() -> None:
    state = history.State()
    for number in range(history.MOST_EVENTS):
        state = history.advance(state, [GONE] if number % 2 else [], str(number))
    state = history.advance(state, [TIMER], "last")
    assert len(state.events) <= history.MOST_EVENTS
    assert state.events[-1].code in ("timer_stopped", "drive_missing")


@given(st.text())
def test_a_damaged_state_file_is_no_history(text: str) -> None:
    assert history.from_text(text) == history.State()


def test_the_state_comes_back_as_it_went() -> None:
    state = history.advance(history.State(), [GONE, TIMER], "2026-11-01T00:00:00Z")
    assert history.from_text(history.to_text(state)) == state


def test_the_hosts_own_state_goes_before_the_controllers_record() -> None:
    world = World()
    world.drop(7)
    early = world.record()
    state = history.advance(history.State(), [*early.findings], "2020-01-01T00:00:00Z")
    world.seen["files"]["state"] = history.to_text(state)
    assert {one.since for one in world.record(early).findings} == {"2020-01-01T00:00:00Z"}
    world.seen["files"].pop("state")
    world.seen["at"] += 86400
    assert {one.since for one in world.record(early).findings} == {early.checked_at}


@pytest.mark.parametrize("keeper", ["record", "state"])
def test_a_resilver_does_not_make_the_scrub_before_it_forgotten(keeper: str) -> None:
    """A pool tells its last scan only. Without the health service an earlier check knows the scrub that it saw."""
    world = World()
    world.seen["files"]["scrubs"] = ""
    scan(world)
    before = world.record()
    assert before.scrubs == {GUID: int(NOW) - 3600}
    assert "scrub_old" not in {one.code for one in before.findings}
    scan(world, function="RESILVER")
    assert "scrub_old" in {one.code for one in world.record().findings}
    if keeper == "state":
        world.seen["files"]["state"] = history.to_text(history.from_record(before))
    after = world.record(before if keeper == "record" else None)
    assert "scrub_old" not in {one.code for one in after.findings}
    assert after.scrubs == before.scrubs
    # It still grows old, and a pool of another GUID has none.
    world.seen["at"] = NOW + 39 * 86400
    assert "scrub_old" in {one.code for one in world.record(before if keeper == "record" else None).findings}
    world.seen["at"] = NOW
    strange = replace(before, scrubs={"1": int(NOW)})
    world.seen["files"].pop("state", None)
    assert "scrub_old" in {one.code for one in world.record(strange).findings}


@pytest.mark.parametrize(("days", "asked"), [(0, False), (37.4, False), (37.6, True), (-1, True)], ids=str)
def test_a_pool_younger_than_the_limit_owes_no_scrub(days: float, asked: bool) -> None:
    """C(zfs get creation) of its root tells; a pool that was made tomorrow had a wrong clock, and is asked."""
    world = World()
    world.seen["files"]["scrubs"] = ""
    world.pool.pop("scan_stats", None)
    world.root["creation"] = str(int(NOW - days * 86400))
    record = world.record()
    assert ("scrub_old" in {one.code for one in record.findings}) is asked
    assert "root creation" not in record.settings, "it differs on every host"
