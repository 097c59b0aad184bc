# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Which drives a trial takes, what keeps it from beginning, how it is started and stopped, and its service."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils import _face_trial
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import (
    HostError,
    InputError,
    Refusal,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health import pack
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.discover import Wanted
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Content
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial import choose, plan, service, start
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial.order import Order, Settings
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial.state import Folder
from tests.unit.scripted import ScriptedRunner
from tests.unit.trial.world import drive, found_of, order

ENABLE = (("systemctl", "--quiet", "enable", "evenkeel-trial.service"), "")
START = (("systemctl", "start", "evenkeel-trial.service"), "")
RELOAD = (("systemctl", "daemon-reload"), "")
MOUNT = Content("mount", "/srv", "/dev/sdb1")
FILES = Content("filesystem", "ext4", "/dev/sdb1")


def live(answer: str) -> tuple[Sequence[str], str]:
    return service.ACTIVE, answer + "\n"


def test_by_default_all_drives_of_several_units_are_tried() -> None:
    ordered = Order((drive(0), drive(1, 1), drive(2)))
    made = choose.make_order(found_of(ordered), None, [], Settings())
    assert [one.serial for one in made.drives] == ["ACT00", "ACT02"]
    assert made.drives[0] == ordered.drives[0]
    named = choose.make_order(found_of(ordered), ["ACT01"], ["ACT01"], Settings())
    assert [(one.serial, one.burn_in) for one in named.drives] == [("ACT01", True)]


@pytest.mark.parametrize(
    ("serials", "burn_in", "reason"),
    [
        (["ACT09"], [], "bay unknown (serial ACT09): no drive with this serial is on the host"),
        (["ACT01"], ["ACT01"], "bay01 (serial ACT01): a burn-in needs all units of the drive"),
        (["ACT00", "ACT02"], [], "bay02 (serial ACT02): 2 drives report this serial number"),
    ],
)
def test_drives_that_cannot_be_tried(serials: list[str], burn_in: list[str], reason: str) -> None:
    half = drive(1)
    ordered = Order((drive(0), replace(half, units=half.units[:1]), drive(2), drive(2)))
    with pytest.raises(Refusal) as caught:
        choose.make_order(found_of(ordered), serials, burn_in, Settings())
    assert reason in caught.value.reasons


def test_a_burn_in_is_for_drives_of_the_trial_and_there_must_be_one() -> None:
    with pytest.raises(InputError, match="ACT01 is not a drive of this trial"):
        choose.make_order(found_of(order(2)), ["ACT00"], ["ACT01"], Settings())
    with pytest.raises(Refusal, match="no drive to test"):
        choose.make_order(found_of(Order((drive(0, 1),))), None, [], Settings())


@pytest.mark.parametrize(
    ("burn_in", "content", "busy", "refused"),
    [
        ([], FILES, False, False),
        ([], MOUNT, False, True),
        ([], MOUNT, True, False),
        ([1], FILES, False, True),
        ([1], FILES, True, True),
        ([1], MOUNT, True, True),
        ([0], FILES, False, False),
    ],
)
def test_what_is_on_a_unit(burn_in: list[int], content: Content, busy: bool, refused: bool) -> None:
    ordered = order(2, burn_in=burn_in)
    keys = [(one.serial, unit.index) for one in ordered.drives for unit in one.units]
    contents = {("ACT01", 1): (content,)}
    if not refused:
        choose.refuse_contents(ordered, contents, keys, busy)
        return
    with pytest.raises(Refusal) as caught:
        choose.refuse_contents(ordered, contents, keys, busy)
    [reason] = caught.value.reasons
    assert reason.startswith(f"bay01 (serial ACT01) unit 1: {content.type} {content.detail} on /dev/sdb1")


def test_drives_that_are_not_as_ordered() -> None:
    ordered = order(4)
    found = found_of(ordered)
    nodes = {unit.links[0]: unit.node for one in found.drives for unit in one.units}
    assert choose.gone(ordered, found, nodes) == {}
    drives = list(found.drives)
    drives[1] = replace(drives[1], units=drives[1].units[:1])
    drives[2] = replace(drives[2], units=(replace(drives[2].units[0], wwn="naa.1"), drives[2].units[1]))
    nodes["/dev/disk/by-vdev/bay03.1"] = "/dev/sdx"
    assert choose.gone(ordered, replace(found, drives=tuple(drives[1:])), nodes) == {
        "ACT00": "no drives with its serial are on the host",
        "ACT01": "unit 1 is not on the host",
        "ACT02": f"unit 0 is a different one now (naa.1, {1 << 30} bytes)",
        "ACT03": "unit 1 is not the device that /dev/disk/by-vdev/bay03.1 points to",
    }


class Site:
    """A host in a folder on which trials are started, with the commands that are expected."""

    def __init__(self, path: Path, monkeypatch: pytest.MonkeyPatch, ordered: Order) -> None:
        found = found_of(ordered)
        nodes = {unit.links[0]: unit.node for one in found.drives for unit in one.units}
        monkeypatch.setattr(start, "discover", lambda _wanted: found)
        monkeypatch.setattr(start, "_nodes", lambda _order: nodes)
        monkeypatch.setattr(start.probe, "examine", lambda _found, keys, _run: dict.fromkeys(keys, ()))
        self.path = path

    def access(self, script: Sequence[tuple[Sequence[str], Any]]) -> start.Access:
        return start.Access(
            ScriptedRunner(script), Wanted(), Folder(str(self.path / "state" / "trial")), b"program",
            str(self.path / "state" / "trial.json"), str(self.path / "unit"), str(self.path / "lib" / "trial.pyz"),
        )  # fmt: skip

    def started(self, script: Sequence[tuple[Sequence[str], Any]], check: bool = False, **wish: Any) -> start.Outcome:
        access = self.access(script)
        told = start.ensure_started(access, start.Wish(**wish), check, {})
        assert isinstance(access.run, ScriptedRunner)
        access.run.finished()
        return told

    def tree(self) -> list[str]:
        return sorted(str(one.relative_to(self.path)) for one in self.path.rglob("*") if one.is_file())

    def ends(self, state: str) -> None:
        folder = Folder(str(self.path / "state" / "trial"))
        progress = folder.progress()
        assert progress is not None
        folder.keep(replace(progress, state=state))
        folder.want(False)


def test_start_run_again_and_stop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site = Site(tmp_path, monkeypatch, order(2))
    predicted = site.started([], check=True)
    assert site.tree() == []
    told = site.started([RELOAD, ENABLE, START])
    assert (told.changed, told.commands, told.runs) == (True, predicted.commands, predicted.runs)
    assert [run.argv for run in told.runs] == [plan.argv(order(2), step) for step in plan.steps(order(2))]
    assert (predicted.before, predicted.after) == (told.before, told.after)
    assert told.seconds == 14 * 12
    assert site.tree() == [
        "lib/trial.pyz", "state/trial/order.json", "state/trial/progress.json", "state/trial/wanted", "unit",
    ]  # fmt: skip
    # Under way: nothing to do, and nothing else may begin.
    assert not site.started([live("active")]).changed
    with pytest.raises(HostError, match="another trial is under way"):
        site.started([live("active")], serials=("ACT00",))
    stopping = site.access([live("active"), (service.STOP.argv, ""), live("inactive")])
    assert start.ensure_stopped(stopping, False).changed
    # Its service left no word here, which counts as a stop.
    assert site.started([live("inactive"), ENABLE, START]).changed
    site.ends("finished")
    assert not start.ensure_stopped(site.access([]), False).changed
    assert not site.started([]).changed
    assert site.started([ENABLE, START], fresh=True).changed
    site.ends("failed")
    assert site.started([ENABLE, START]).changed


def test_a_stopped_one_goes_on_where_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site = Site(tmp_path, monkeypatch, order(2))
    site.started([RELOAD, ENABLE, START])
    Folder(str(tmp_path / "state" / "trial")).add(0, {})
    site.ends("stopped")
    told = site.started([ENABLE, START])
    assert len(told.runs) == 13
    assert told.before == "trial: 1 of 14 runs done\n"


def test_a_trial_that_is_known_to_take_too_long_is_not_begun(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site = Site(tmp_path, monkeypatch, order(6))
    with pytest.raises(HostError, match=r"time_limit_seconds 300: it would take 8 minutes"):
        site.started([], settings=Settings(time_limit_seconds=300))
    assert site.tree() == []


def test_the_diff_names_drives_that_are_written_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site = Site(tmp_path, monkeypatch, order(2))
    told = site.started([], check=True, burn_in_serials=("ACT01",))
    [state, commands] = start.diff(told)
    assert "bay01 (serial ACT01): 2 units, OVERWRITTEN COMPLETELY" in state["after"]
    assert "bay00 (serial ACT00): 2 units\n" in state["after"]
    assert "a time that is not known before the drives' speed is measured" in state["after"]
    assert "--rw=write" in commands["prepared"]
    assert start.diff(start.Outcome(False)) == []


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed")
def test_systemd_reads_the_unit(tmp_path: Path) -> None:
    (tmp_path / service.NAME).write_text(service.UNIT)
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", "--recursive-errors=no", str(tmp_path / service.NAME)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    complaints = [line for line in done.stderr.splitlines() if "evenkeel-trial" in line and "PyPy" not in line]
    assert complaints == []


def test_a_stop_reaches_the_trial_and_not_fio() -> None:
    assert "\nKillMode=mixed\n" in service.UNIT


def test_the_packed_program_runs_by_itself(tmp_path: Path) -> None:
    """It has all it needs with it: without an order, it says that there is none."""
    program = tmp_path / "trial.pyz"
    program.write_bytes(pack.pack(_face_trial))
    with zipfile.ZipFile(program) as archive:
        assert "evenkeel_split_actuator/_core/trial/run.py" in archive.namelist()
        assert not [name for name in archive.namelist() if "modules" in name.split("/")]
    done = subprocess.run([sys.executable, "-IB", str(program)], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "no trial is ordered" in done.stderr
    assert json.dumps(done.stdout) == '""'


def test_a_place_that_cannot_be_read_keeps_no_drive_from_being_measured_but_from_a_burn_in() -> None:
    contents = {("ACT00", 0): (Content("unreadable", "where a pool's labels would be", "/dev/sda"),)}
    choose.refuse_contents(order(1), contents, [("ACT00", 0)])
    with pytest.raises(Refusal) as refused:
        choose.refuse_contents(order(1, burn_in=[0]), contents, [("ACT00", 0)])
    told = (
        "bay00 (serial ACT00) unit 0: unreadable where a pool's labels would be on /dev/sda; a burn-in would destroy it"
    )
    assert refused.value.reasons == (told,)
