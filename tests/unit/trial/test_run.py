# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Carrying a trial out: order of runs, checkpoints, the fence before writing, temperature, time, stops."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import HostError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Content
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial import plan, results
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial.order import Order
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial.run import Trial
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial.state import Folder, Progress
from tests.unit.trial.world import SIZE, FakeHost, order

MIB = 1 << 20


class Site:
    """One trial's folder and results, and hosts to run it on."""

    def __init__(self, path: Path, ordered: Order) -> None:
        self.ordered = ordered
        self.folder = Folder(str(path / "trial"))
        self.results = str(path / "trial.json")
        self.folder.begin(ordered, len(plan.steps(ordered)), 1000)
        self.folder.want(True)

    def run(self, host: FakeHost | None = None, stop: Callable[[], bool] = lambda: False) -> tuple[Progress, FakeHost]:
        used = host or FakeHost(self.ordered)
        self.folder.want(True)
        ended = Trial(self.folder, used, stop, self.results).run()
        assert ended == self.folder.progress()
        assert not self.folder.wanted
        return ended, used


def stop_after(runs: int) -> tuple[Callable[[FakeHost, Sequence[str]], None], Callable[[], bool]]:
    """Something that happens in run number *runs*: somebody asks for the end."""
    seen: list[int] = []
    return lambda _host, _argv: seen.append(1), lambda: len(seen) >= runs


def test_all_runs_in_order_and_a_result_for_each_drive(tmp_path: Path) -> None:
    site = Site(tmp_path, order(3))
    ended, host = site.run()
    steps = plan.steps(site.ordered)
    assert host.ran == [plan.argv(site.ordered, step) for step in steps]
    assert (ended.state, ended.done, ended.total, ended.seconds_left) == ("finished", len(steps), len(steps), 0.0)
    told = results.read(site.results)
    assert [(one.serial, one.verdict) for one in told.drives] == [(f"ACT0{n}", "accept") for n in range(3)]


def test_a_stopped_trial_keeps_what_it_has_and_goes_on(tmp_path: Path) -> None:
    site = Site(tmp_path, order(3))
    happens, stop = stop_after(5)
    ended, first = site.run(FakeHost(site.ordered, happens), stop)
    assert (ended.state, ended.reason) == ("stopped", "it was stopped on request")
    assert not Path(site.results).exists()
    # The run that was cut off gives no measure, though fio prints one when it is ended.
    assert sorted(site.folder.measures()) == [0, 1, 2, 3]
    ended, second = site.run()
    assert ended.state == "finished"
    assert first.ran[:4] + second.ran == [plan.argv(site.ordered, step) for step in plan.steps(site.ordered)]


def test_a_line_that_a_power_cut_left_half_written_is_measured_again(tmp_path: Path) -> None:
    site = Site(tmp_path, order(2))
    site.run()
    log = Path(site.folder.name("measures.jsonl"))
    text = log.read_text()
    log.write_text(text[: text.rindex('{"run"') + 40])
    _ended, host = site.run()
    assert len(host.ran) == 1
    assert sorted(site.folder.measures()) == list(range(len(plan.steps(site.ordered))))


def test_only_ordered_drives_are_written_and_each_run_is_fenced(tmp_path: Path) -> None:
    site = Site(tmp_path, order(3, burn_in=[1], chunk=256 * MIB))
    ended, host = site.run()
    assert ended.state == "finished"
    writing = [argv for argv in host.ran if "--readonly" not in argv]
    assert len(writing) == SIZE // (256 * MIB)
    for argv in writing:
        assert [word for word in argv if word.startswith("--filename")] == [
            f"--filename=/dev/disk/by-vdev/bay01.{index}" for index in (0, 1)
        ]
    # Held while it is written and while it is read back.
    assert len(host.claimed) == 2 * len(writing)
    [burnt] = [one for one in results.read(site.results).drives if one.written != (0, 0)]
    assert (burnt.serial, burnt.written, burnt.verdict) == ("ACT01", (SIZE, SIZE), "accept")


def test_what_turns_up_on_a_drive_ends_the_burn_in(tmp_path: Path) -> None:
    site = Site(tmp_path, order(2, burn_in=[1], chunk=256 * MIB))

    def happens(host: FakeHost, argv: Sequence[str]) -> None:
        if "--readonly" not in argv:
            host.contents_now["ACT01", 1] = (Content("pool_label", "label 0", "/dev/sdb1"),)

    ended, host = site.run(FakeHost(site.ordered, happens))
    assert ended.state == "failed"
    assert "bay01 (serial ACT01) unit 1: pool label label 0 on /dev/sdb1" in ended.reason
    assert len([argv for argv in host.ran if "--readonly" not in argv]) == 1
    assert not Path(site.results).exists()


def test_a_drive_that_was_exchanged_is_not_written(tmp_path: Path) -> None:
    site = Site(tmp_path, order(2, burn_in=[1]))

    def happens(host: FakeHost, _argv: Sequence[str]) -> None:
        if len(host.ran) == len(plan.steps(site.ordered)) - 3:
            host.missing.add("ACT01")

    ended, host = site.run(FakeHost(site.ordered, happens))
    assert ended.state == "failed"
    assert "bay01 (serial ACT01): no drives with its serial are on the host" in ended.reason
    assert all("--readonly" in argv for argv in host.ran)


def test_too_warm_pauses_and_measures_that_run_again(tmp_path: Path) -> None:
    site = Site(tmp_path, order(1, temperature_ceiling=50))
    host = FakeHost(site.ordered, temperature=[45, 51, 50, 46, 45, 40], works_for=40.0)
    states: list[str] = []
    keep = site.folder.keep

    def kept(progress: Progress) -> None:
        states.append(progress.state)
        keep(progress)

    site.folder.keep = kept  # type: ignore[method-assign]
    ended, host = site.run(host)
    assert ended.state == "finished"
    assert "paused" in states
    runs = [plan.argv(site.ordered, step) for step in plan.steps(site.ordered)]
    assert host.ran == [runs[0], *runs]
    assert host.temperature == []


def test_runs_shorter_than_the_watch_are_watched_between_them(tmp_path: Path) -> None:
    """Of 12 s each: it is looked before the first, and again before that in which 30 s are over."""
    site = Site(tmp_path, order(2, temperature_ceiling=50))
    watched: list[int] = []
    states: list[str] = []
    keep = site.folder.keep

    class Host(FakeHost):
        def temperatures(self, paths: Sequence[str]) -> dict[str, int]:
            assert self._answer is None, "looked while it was measured"
            watched.append(len(self.ran))
            return super().temperatures(paths)

    def kept(progress: Progress) -> None:
        states.append(progress.state)
        keep(progress)

    site.folder.keep = kept  # type: ignore[method-assign]
    ended, host = site.run(Host(site.ordered, temperature=[40, 60, 50, 45]))
    assert ended.state == "finished"
    assert "paused" in states
    assert watched[:4] == [0, 2, 2, 2]
    assert all(later - earlier <= 2 for earlier, later in itertools.pairwise(watched))
    # Nothing is measured twice: no run was under way.
    assert host.ran == [plan.argv(site.ordered, step) for step in plan.steps(site.ordered)]


def test_a_drive_that_does_not_answer_is_rejected_and_left_out(tmp_path: Path) -> None:
    site = Site(tmp_path, order(2))

    def happens(host: FakeHost, argv: Sequence[str]) -> None:
        host.hangs = "bay01" in " ".join(argv)

    ended, host = site.run(FakeHost(site.ordered, happens))
    assert ended.state == "finished"
    told = {one.serial: one for one in results.read(site.results).drives}
    assert (told["ACT01"].verdict, told["ACT01"].codes) == ("reject", ("no_answer",))
    assert told["ACT00"].verdict == "accept"
    assert len([argv for argv in host.ran if "bay01" in " ".join(argv)]) == 1


def test_drives_that_never_come_back_are_told(tmp_path: Path) -> None:
    site = Site(tmp_path, order(2))
    host = FakeHost(site.ordered, missing={"ACT00"})
    ended, host = site.run(host)
    assert ended.state == "finished"
    told = {one.serial: one for one in results.read(site.results).drives}
    assert told["ACT00"].verdict == "reject"
    assert "gone" in told["ACT00"].codes
    assert told["ACT01"].verdict == "accept"


def test_the_time_limit_ends_it_and_writing_that_would_not_fit_is_not_begun(tmp_path: Path) -> None:
    site = Site(tmp_path / "one", order(6, time_limit_seconds=60))
    ended, _host = site.run()
    assert (ended.state, ended.reason) == ("stopped", "its time limit of 60 s is over")
    site = Site(tmp_path / "two", order(1, burn_in=[0], time_limit_seconds=60, run_seconds=1, ramp_seconds=0))
    big = site.ordered.drives[0].units[0]
    assert big.size // 50_000_000 < 60  # it fits; hence a slower drive
    ended, host = site.run(FakeHost(site.ordered, works_for=1.0))
    assert ended.state == "finished"
    site = Site(
        tmp_path / "three", _larger(order(1, burn_in=[0], time_limit_seconds=60, run_seconds=1, ramp_seconds=0))
    )
    ended, host = site.run(FakeHost(site.ordered, works_for=1.0))
    assert ended.state == "stopped"
    assert "more than time_limit_seconds leaves" in ended.reason
    assert all("--readonly" in argv for argv in host.ran)


def _larger(ordered: Order) -> Order:
    units = tuple(replace(one, size=100 * SIZE) for one in ordered.drives[0].units)
    return replace(ordered, drives=(replace(ordered.drives[0], units=units),))


def test_it_waits_for_the_lock_of_whoever_ordered_it(tmp_path: Path) -> None:
    site = Site(tmp_path, order(1))
    assert site.run(FakeHost(site.ordered, locked_for=3))[0].state == "finished"
    ended, _host = site.run(FakeHost(site.ordered, locked_for=10**6))
    assert ended.state == "failed"
    assert "an action is running" in ended.reason


def test_without_an_order_there_is_nothing_to_do(tmp_path: Path) -> None:
    with pytest.raises(HostError, match="no trial is ordered"):
        Trial(Folder(str(tmp_path)), FakeHost(order(1)), lambda: False, str(tmp_path / "r")).run()


def test_output_that_is_no_result_fails_the_trial(tmp_path: Path, monkeypatch: Any) -> None:
    site = Site(tmp_path, order(1))
    monkeypatch.setattr("tests.unit.trial.world.answer", lambda _argv: "fio: cannot do that\n")
    ended, _host = site.run()
    assert ended.state == "failed"
    assert "its output cannot be read" in ended.reason
