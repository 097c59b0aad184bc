# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Verdicts with their reasons, results in their file, and the gate before a pool is made."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import (
    CommandError,
    DecodeError,
    InputError,
    Refusal,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health import smart
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Member
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial import gate, results
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial.facts import (
    UnitFacts,
    read_facts,
    with_smart,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial.order import Key, Order
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial.plan import Step
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial.verdict import Reason
from tests.checkout import REPO
from tests.unit.scripted import ScriptedRunner
from tests.unit.trial.world import Speed, alone, facts_of, found_of, measures_of, order, sharing, sound

SMART = REPO / "tests" / "data" / "smartctl"


def concluded(
    ordered: Order, speed: Speed = alone, changes: dict[Key, dict[str, Any]] | None = None, **more: Any
) -> dict[str, results.DriveResult]:
    """The results when drives work at that speed and units differ from sound ones by *changes* at the end."""
    after = facts_of(ordered)
    for (serial, index), facts in (changes or {}).items():
        units = [sound(index, **facts) if one.index == index else one for one in after[serial]]
        after[serial] = tuple(units)
    measured = measures_of(ordered, speed)
    for key, errors in more.pop("errors", {}).items():
        measured[0][key] = replace(measured[0][key], errors=errors)
    told = results.conclude(ordered, measured, facts_of(ordered), after, 7000, **more)
    return {one.serial: one for one in told.drives}


def test_sound_drives_are_accepted_without_a_reason() -> None:
    told = concluded(order(6))
    assert {(one.verdict, one.reasons, one.codes, one.at) for one in told.values()} == {("accept", (), (), 7000)}
    assert told["ACT02"].wwns == ("naa.0000000000020000", "naa.0000000000020001")


def test_units_that_share_an_actuator() -> None:
    told = concluded(order(6), sharing("ACT01"))
    assert told["ACT01"].verdict == "reject"
    assert told["ACT01"].codes == ("not_independent", "not_independent")
    assert told["ACT01"].reasons[1] == (
        "random reads: its units together reach 50% of their speeds alone (a single actuator reaches 50%)"
    )
    assert {told[f"ACT0{number}"].verdict for number in (0, 2, 3, 4, 5)} == {"accept"}


@pytest.mark.parametrize(
    ("share", "verdict"), [(0.69, "reject"), (0.71, "look"), (0.84, "look"), (0.86, "accept"), (1.2, "accept")]
)
def test_independence_turns_at_its_thresholds(share: float, verdict: str) -> None:
    told = concluded(order(6), lambda step, key: share if key[0] == "ACT01" and step.phase == "together" else 1.0)
    assert told["ACT01"].verdict == verdict


@pytest.mark.parametrize(
    ("share", "verdict", "codes"),
    [
        (0.3, "reject", {"uneven", "slow"}),
        (0.6, "look", {"uneven", "slow"}),
        (0.87, "look", {"slow"}),
        (0.91, "accept", set()),
    ],
)
def test_a_slow_unit_is_seen_against_its_sibling_and_its_class(share: float, verdict: str, codes: set[str]) -> None:
    def speed(_step: Step, key: Key) -> float:
        return share if key == ("ACT04", 1) else 1.0

    told = concluded(order(6), speed)["ACT04"]
    assert (told.verdict, set(told.codes)) == (verdict, codes)
    if share == 0.3:
        assert (
            "random reads: unit 1 reaches 30% of its sibling's speed (30.0 against 100.0 operations/s)" in told.reasons
        )
        assert "sequential reads: unit 1 reaches 30.0 MB/s, 30% of the median of its model" in told.reasons
    # In a class of one nothing but the sibling tells.
    lonely = Order((order(6).drives[4],))
    assert set(concluded(lonely, speed)["ACT04"].codes) == codes - {"slow"}


def test_a_drive_slow_in_whole_is_seen_against_its_class() -> None:
    told = concluded(order(8), lambda _step, key: 0.45 if key[0] == "ACT03" else 1.0)["ACT03"]
    assert (told.verdict, set(told.codes)) == ("reject", {"slow"})


def test_one_far_faster_is_no_fault() -> None:
    assert concluded(order(8), lambda _step, key: 1.3 if key[0] == "ACT03" else 1.0)["ACT03"].verdict == "accept"


def test_errors_reject() -> None:
    told = concluded(order(6), errors={("ACT00", 0): 4})["ACT00"]
    assert (told.verdict, told.codes, told.reasons) == ("reject", ("read_errors",), ("unit 0: 4 reads failed",))


@pytest.mark.parametrize(
    ("changes", "verdict", "code", "text"),
    [
        ({"grown_defects": 3, "uncorrected_errors": 0}, "reject", "growing",
         "unit 1: grown defects rose from 0 to 3 during the trial"),
        ({"smart": "failing", "smart_reason": "self-test failed"}, "reject", "smart",
         "unit 1: SMART reports a failure (self-test failed)"),
        ({"smart": "attention", "smart_reason": "pending defects"}, "look", "smart",
         "unit 1: SMART reports pending defects"),
        ({"smart": "unreadable", "smart_reason": "no answer"}, "look", "smart",
         "unit 1: SMART cannot be read: no answer"),
        ({"write_cache": "write through"}, "look", "write_cache",
         "unit 1: write cache write through; most units of its model have write back"),
        ({"logical_block": 4096}, "look", "sector_format",
         "unit 1: sectors of 4096 bytes, 4096 physical; most units of its model have 512 bytes, 4096 physical"),
        ({"logical_block": 520}, "reject", "sector_format", "unit 1: sectors of 520 bytes; 512 or 4096 are required"),
        ({"protection": 2}, "look", "protection_information", "unit 1: formatted with T10 protection type 2"),
    ],
)  # fmt: skip
def test_facts_have_their_say(changes: dict[str, Any], verdict: str, code: str, text: str) -> None:
    told = concluded(order(6), changes={("ACT02", 1): changes})["ACT02"]
    assert told.verdict == verdict
    assert (code, text) in zip(told.codes, told.reasons, strict=True)


def test_old_defects_and_hours_are_weighed_by_thresholds() -> None:
    ordered = order(6)
    old = {"ACT02": (sound(0, grown_defects=5, power_on_hours=50000), sound(1, grown_defects=200))}
    facts = {**facts_of(ordered), **old}

    def judged(**settings: Any) -> results.DriveResult:
        changed = replace(ordered, settings=replace(ordered.settings, thresholds=replace(
            ordered.settings.thresholds, **settings)))  # fmt: skip
        told = results.conclude(changed, measures_of(changed), facts, facts, 1).of("ACT02")
        assert told is not None
        return told

    assert judged().reasons == ("unit 1: 200 grown defects", "unit 0: 5 grown defects")
    assert judged(defects_look=0, defects_reject=0).verdict == "accept"
    assert "unit 0: 50000 power-on hours" in judged(hours_look=43800).reasons


def test_other_firmware_and_missing_units() -> None:
    ordered = order(6)
    drives = list(ordered.drives)
    drives[1] = replace(drives[1], firmware="0000")
    drives[2] = replace(drives[2], units=drives[2].units[:1])
    told = concluded(replace(ordered, drives=tuple(drives)))
    odd = "firmware 0000; most drives of its model have 0001"
    assert (told["ACT01"].verdict, told["ACT01"].reasons) == ("look", (odd,))
    assert (told["ACT02"].verdict, told["ACT02"].reasons) == ("reject", ("it shows 1 of 2 units",))


def test_drives_whose_trial_is_not_complete_have_no_result_unless_they_were_dropped() -> None:
    ordered = order(3)
    measured = measures_of(ordered)
    del measured[0]
    facts = facts_of(ordered)
    told = results.conclude(ordered, measured, facts, facts, 1)
    assert [one.serial for one in told.drives] == ["ACT01", "ACT02"]
    dropped = {"ACT00": Reason("no_answer", "reject", "it did not answer")}
    told = results.conclude(ordered, measured, facts, facts, 1, dropped)
    assert told.drives[0].reasons == ("it did not answer",)


def test_results_in_their_file_and_merged(tmp_path: Path) -> None:
    path = str(tmp_path / "trial.json")
    assert results.read(path) == results.Results()
    first = order(6)
    facts = facts_of(first)
    old = results.conclude(first, measures_of(first, sharing("ACT01")), facts, facts, 1)
    results.write(old, path)
    assert results.read(path) == old
    again = Order(first.drives[1:2])
    new = results.conclude(again, measures_of(again), facts, facts, 2)
    both = results.merge(old, new)
    assert [(one.serial, one.at, one.verdict) for one in both.drives] == [
        (f"ACT0{number}", 2 if number == 1 else 1, "accept") for number in range(6)
    ]
    moved = replace(new.drives[0], bay="bay04")
    bays = {one.serial: one.bay for one in results.merge(old, replace(new, drives=(moved,))).drives}
    assert (bays["ACT01"], bays["ACT04"]) == ("bay04", "")
    assert results.speeds(old)["ACT01", 0] == 50e6
    (tmp_path / "trial.json").write_text("{")
    with pytest.raises(DecodeError):
        results.read(path)
    (tmp_path / "trial.json").write_text('{"version": 9}')
    with pytest.raises(InputError, match="version 9"):
        results.read(path)


def test_results_for_people() -> None:
    ordered = order(2)
    facts = facts_of(ordered)
    lines = results.picture(results.conclude(ordered, measures_of(ordered, sharing("ACT01")), facts, facts, 1))
    assert lines[0] == "bay00 (serial ACT00): accept, independence sequential 1.00, random 1.00"
    assert lines[1].startswith("bay01 (serial ACT01): reject, sequential reads: its units together reach 50%")


def members(*numbers: int, kind: str = "lun") -> list[Member]:
    return [Member(f"ACT{n:02d}", index, f"bay{n:02d}", unit_kind=kind) for n in numbers for index in (0, 1)]


@pytest.mark.parametrize("kind", ["lun", "range"])
def test_the_gate(kind: str) -> None:
    ordered = order(6)
    facts = facts_of(ordered)
    odd = {**facts, "ACT02": (sound(0, protection=1), sound(1))}
    told = results.conclude(ordered, measures_of(ordered, sharing("ACT01")), facts, odd, 1)
    gate.refuse_untried(members(0, 3, kind=kind), told, "accept")
    gate.refuse_untried(members(0, 2, kind=kind), told, "look")
    with pytest.raises(Refusal) as caught:
        gate.refuse_untried(members(0, 1, 2, 9, kind=kind), told, "accept")
    assert [line.partition(",")[0] for line in caught.value.reasons] == [
        "bay01 (serial ACT01): reject", "bay02 (serial ACT02): look", "bay09 (serial ACT09): it has had no trial",
    ]  # fmt: skip
    half = replace(told, drives=(replace(told.drives[0], alone=told.drives[0].alone[:1]),))
    with pytest.raises(Refusal, match="its trial covered 1 of its units"):
        gate.refuse_untried(members(0), half, "look")


def test_facts_are_read_from_the_kernel_and_smartctl(tmp_path: Path) -> None:
    ordered = order(1)
    found = found_of(ordered)
    nodes = [unit.node for unit in found.drives[0].units]
    (tmp_path / "sda0" / "queue").mkdir(parents=True)
    (tmp_path / "sda0" / "queue" / "write_cache").write_text("write back\n")
    healthy = (SMART / "scsi_healthy.json").read_text()
    runner = ScriptedRunner([(smart.argv(node), healthy) for node in nodes])
    [units] = read_facts(found, ["ACT00"], runner, str(tmp_path)).values()
    runner.finished()
    assert (units[0].write_cache, units[1].write_cache) == ("write back", "")
    # The recording is of another drive, which is told rather than believed.
    assert units[0].smart == "unreadable"
    assert "the answer came from" in units[0].smart_reason

    def hanging() -> smart.SmartReading:
        raise CommandError(["smartctl"], -1, "no answer within 120 seconds")

    assert with_smart(UnitFacts(0), hanging).smart == "unreadable"
    told = with_smart(UnitFacts(0), lambda: smart.read(healthy))
    assert (told.smart, told.self_test) == ("ok", "passed")
    assert told.power_on_hours
    assert told.temperature
    assert with_smart(UnitFacts(0), lambda: smart.read((SMART / "scsi_unsupported.json").read_text())).smart == (
        "unsupported"
    )
