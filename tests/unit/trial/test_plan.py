# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Which runs a trial has, their command lines, and how long they take."""

from __future__ import annotations

import os
import shutil
import subprocess
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import InputError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import from_plain, to_plain
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial import plan
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial.estimate import seconds_left
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial.order import (
    Order,
    Settings,
    Thresholds,
    TrialDrive,
    TrialUnit,
)
from tests.unit.trial.world import SIZE, drive, measure, measures_of, order

MIB = 1 << 20


def told(ordered: Order) -> list[str]:
    return [plan.describe(ordered, step) for step in plan.steps(ordered)]


def test_each_unit_alone_then_both_then_all() -> None:
    assert told(order(2)) == [
        *(
            line
            for bay in ("bay00", "bay01")
            for kind in ("sequential", "random")
            for line in (
                f"{kind} reads, each unit alone: {bay}.0",
                f"{kind} reads, each unit alone: {bay}.1",
                f"{kind} reads, all units of the drive together: {bay}.0, {bay}.1",
            )
        ),
        "sequential reads, all drives together: bay00.0, bay00.1, bay01.0, bay01.1",
        "random reads, all drives together: bay00.0, bay00.1, bay01.0, bay01.1",
    ]


def test_drives_of_two_adapters_are_measured_side_by_side_and_each_adapter_by_itself() -> None:
    drives = tuple(drive(number, adapter=f"0000:00:0{8 + number % 2}.0") for number in range(4))
    steps = plan.steps(Order(drives))
    assert steps[0].units == (("ACT00", 0), ("ACT01", 0))
    assert [step.group for step in steps if step.phase == "group"] == [
        "adapter 0000:00:08.0", "adapter 0000:00:09.0", "adapter 0000:00:08.0", "adapter 0000:00:09.0",
    ]  # fmt: skip
    assert len(plan.steps(Order(drives, Settings(per_adapter=2)))) == len(steps) - 6


def test_expanders_are_groups_too_and_ordinary_drives_have_nothing_to_do_together() -> None:
    drives = tuple(drive(number, 1, expander=f"expander-0:{number // 2}") for number in range(4))
    steps = plan.steps(Order(drives))
    assert [step.group for step in steps if step.kind == "random" and step.group] == [
        "expander expander-0:0", "expander expander-0:1",
    ]  # fmt: skip
    assert "together" not in {step.phase for step in steps}


def test_a_burn_in_writes_all_then_reads_all_back_in_chunks() -> None:
    ordered = order(3, burn_in=[1], chunk=300 * MIB)
    steps = [step for step in plan.steps(ordered) if step.phase in plan.BURN_IN]
    spans = [(step.phase, step.begin // MIB, step.length // MIB) for step in steps]
    chunks = [(0, 300), (300, 300), (600, 300), (900, 124)]
    assert spans == [(phase, *chunk) for phase in ("write", "verify") for chunk in chunks]
    assert {key for step in steps for key in step.units} == {("ACT01", 0), ("ACT01", 1)}
    assert all(step.writes == (step.phase == "write") for step in steps)


def test_command_lines() -> None:
    ordered = order(1, burn_in=[0], chunk=512 * MIB)
    lines = [" ".join(plan.argv(ordered, step)) for step in plan.steps(ordered)]
    head = "fio --output-format=json --direct=1 --ioengine=libaio --continue_on_error=all "
    unit0 = "--name=bay00.0 --filename=/dev/disk/by-vdev/bay00.0 "
    unit1 = "--name=bay00.1 --filename=/dev/disk/by-vdev/bay00.1 "
    assert lines[0] == (
        head + "--readonly --rw=read --bs=1048576 --iodepth=4 --norandommap --randrepeat=0 --time_based --ramp_time=2"
        f" --runtime=10 {unit0}--offset=0 --size={SIZE}"
    )
    assert lines[5] == (
        head + "--readonly --rw=randread --bs=4096 --iodepth=16 --norandommap --randrepeat=0 --time_based"
        f" --ramp_time=2 --runtime=10 {unit0}--offset=0 --size={SIZE} {unit1}--offset=0 --size={SIZE}"
    )
    part = f"--offset={512 * MIB} --size={512 * MIB}"
    check = "--verify=crc32c --verify_fatal=0 --verify_state_save=0"
    assert lines[7] == (
        head + f"--rw=write --bs=1048576 --iodepth=4 {check} --do_verify=0 --end_fsync=1 {unit0}{part} {unit1}{part}"
    )
    assert lines[9] == head + f"--readonly --rw=read --bs=1048576 --iodepth=4 {check} {unit0}{part} {unit1}{part}"


def test_a_range_without_a_partition_is_a_part_of_its_disk_and_colons_are_escaped() -> None:
    path = "/dev/disk/by-path/pci-0000:00:08.0-scsi-0:0:0:0"
    units = tuple(TrialUnit(index, path, "naa.5", "range", index * SIZE, SIZE) for index in (0, 1))
    ordered = Order((TrialDrive("ACR1", units, "bay03"),))
    words = plan.argv(ordered, plan.steps(ordered)[1])
    assert words[-3:] == (
        "--filename=/dev/disk/by-path/pci-0000\\:00\\:08.0-scsi-0\\:0\\:0\\:0", f"--offset={SIZE}", f"--size={SIZE}",
    )  # fmt: skip


@pytest.mark.skipif(shutil.which("fio") is None, reason="fio is not installed")
def test_fio_itself_takes_every_kind_of_command_line(tmp_path: Path) -> None:
    ordered = order(2, burn_in=[0], surface=True)
    (tmp_path / "unit").touch()
    os.truncate(tmp_path / "unit", SIZE)
    units = tuple(replace(one, path=str(tmp_path / "unit")) for one in ordered.drives[0].units)
    ordered = replace(ordered, drives=tuple(replace(one, units=units) for one in ordered.drives))
    for step in {(step.phase, step.kind): step for step in plan.steps(ordered)}.values():
        words = [*plan.argv(ordered, step), "--parse-only"]
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        assert (done.returncode, done.stderr) == (0, ""), words


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from("ab"), st.integers(1, 3)), min_size=1, max_size=9),
    st.integers(1, 4), st.sets(st.integers(0, 8)), st.booleans(), st.integers(1, 5),
)  # fmt: skip
def test_every_unit_is_measured_and_nobody_else_is_written(
    shapes: list[tuple[str, int]], per_adapter: int, burn_in: set[int], surface: bool, chunk: int
) -> None:
    drives = tuple(
        replace(drive(number, units, adapter), burn_in=number in burn_in)
        for number, (adapter, units) in enumerate(shapes)
    )
    ordered = Order(drives, Settings(per_adapter=per_adapter, surface=surface, chunk=chunk * 100 * MIB))
    steps = plan.steps(ordered)
    assert [step.number for step in steps] == list(range(len(steps)))
    everything = sorted((one.serial, unit.index) for one in drives for unit in one.units)
    for kind in ("sequential", "random"):
        alone = [key for step in steps if (step.phase, step.kind) == ("alone", kind) for key in step.units]
        assert sorted(alone) == everything
        assert all(len({key[0] for key in step.units}) == len(step.units) for step in steps if step.phase == "alone")
    for phase, who in (
        ("surface", everything if surface else []),
        ("write", [key for key in everything if ordered.drive(key[0]).burn_in]),
    ):
        for key in who:
            spans = sorted(
                (one.begin, one.begin + one.length) for one in steps if one.phase == phase and key in one.units
            )
            assert spans[0][0] == 0
            assert spans[-1][1] == SIZE
            assert all(first[1] == second[0] for first, second in pairwise(spans))
        assert {key for one in steps if one.phase == phase for key in one.units} == set(who)


def test_the_order_is_one_however_the_drives_are_reached() -> None:
    ordered = order(3)
    moved = replace(
        ordered,
        drives=tuple(
            replace(one, bay="bay99", adapter="x", units=tuple(replace(unit, path="/dev/x") for unit in one.units))
            for one in reversed(ordered.drives)
        ),
    )
    assert moved.id == ordered.id
    assert replace(ordered, settings=Settings(run_seconds=11)).id != ordered.id
    assert order(3, burn_in=[1]).id != ordered.id
    assert from_plain(Order, to_plain(ordered)) == ordered


@pytest.mark.parametrize(
    "settings",
    [
        {"run_seconds": 0},
        {"random_block": 5000},
        {"chunk": 1000},
        {"chunk": (1 << 20) + 1},
        {"temperature_ceiling": 101},
    ],
)
def test_settings_out_of_bounds_are_refused(settings: dict[str, int]) -> None:
    with pytest.raises(InputError) as caught:
        Settings(**settings)  # type: ignore[arg-type]
    assert caught.value.subject == next(iter(settings))


def test_thresholds_must_be_in_order() -> None:
    with pytest.raises(InputError, match="independence_reject"):
        Thresholds(independence_look=0.5)
    with pytest.raises(InputError, match="deviations"):
        Thresholds(deviations=-1.0)


def test_the_time_of_what_is_measured_is_known_that_of_a_burn_in_once_a_speed_is() -> None:
    assert seconds_left(order(2), {}) == 14 * 12.0
    ordered = order(1, burn_in=[0], chunk=512 * MIB)
    assert seconds_left(ordered, {}) is None
    known = {("ACT00", index): 100e6 for index in (0, 1)}
    assert seconds_left(ordered, {}, (), known) == pytest.approx(6 * 12 + 2 * SIZE / 100e6)
    measured = {number: units for number, units in measures_of(ordered).items() if number < 6}
    assert seconds_left(ordered, measured) == pytest.approx(2 * SIZE / 100e6)
    # Once it writes at half that speed, the rest of the writing is told by that, reading still by the reading.
    written = {**measured, 6: {key: measure(plan.steps(ordered)[6], 0.5) for key in known}}
    assert seconds_left(ordered, written) == pytest.approx(512 * MIB / 50e6 + SIZE / 50e6)
    assert seconds_left(ordered, measures_of(ordered)) == 0
    assert seconds_left(ordered, {}, {"ACT00"}) == 0
