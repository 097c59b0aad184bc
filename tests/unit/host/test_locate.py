# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Locate lights: found for every bay of three chassis shapes, commanded exactly, and never left on."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import (
    CommandError,
    CoreError,
    HostError,
    InputError,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host import locate
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.run import Result
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Bay, Drive, Unit, UnitPath
from tests.checkout import REPO
from tests.unit.host.trees import chassis
from tests.unit.scripted import ScriptedRunner

# Switches each light on and off with the library's own commands, run by a real shell, in the mocked /sys.
SCRIPT = """
import json, subprocess, sys
sys.path[:0] = {paths!r}
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host import bays, locate
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Bay
slots = bays.enclosure_slots(bays.read_enclosure_names({names!r}))
lights = locate.find_lights({wanted!r} or [bay.label for bay in sorted(slots)], slots, [])
told = []
for light in lights:
    told.append([light.bay, light.target, light.lit])
    for on in (True, False):
        subprocess.run(light.switch(on), check=True)
        told[-1].append([other.bay for other in lights if other.lit])
json.dump(told, sys.stdout)
"""


def play(tree, folder: Path, names=None, wanted=()):
    (folder / "tree.umockdev").write_text(tree.text, encoding="utf-8")
    script = SCRIPT.format(paths=[str(REPO), str(REPO / ".work")], names=names or {}, wanted=list(wanted))
    done = subprocess.run(
        ["umockdev-run", "--device", str(folder / "tree.umockdev"), "--", sys.executable, "-c", script],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


@pytest.mark.parametrize(("enclosures", "slots"), [(1, 12), (4, 24), (1, 102)])
def test_every_bay_of_a_chassis_has_its_own_light_also_an_empty_one(tmp_path, enclosures, slots):
    names = {f"0x5{0xACE2:06x}{number:09x}": name for number, name in enumerate(["a", "b", "c", "d"][:enclosures])}
    names = names if enclosures > 1 else {}
    last = f"bay{slots - 1:02d}" if enclosures == 1 else f"d-bay{slots - 1:02d}"
    first = "bay00" if enclosures == 1 else "a-bay00"
    told = play(chassis(enclosures, slots, empty=[0]), tmp_path, names, [first, last])
    assert [one[0] for one in told] == [first, last]
    assert told[0][1].endswith("/Slot 00/locate")
    for bay, _path, before, on, off in told:
        assert (before, on, off) == (False, [bay], [])


def test_all_bays_are_known(tmp_path):
    told = play(chassis(1, 12, empty=[3, 4]), tmp_path)
    assert [one[0] for one in told] == [f"bay{slot:02d}" for slot in range(12)]


LIGHT = locate.Light("bay07", "sysfs", "/sys/class/enclosure/0:0:12:0/Slot 07/locate")
RUN = (
    "systemd-run", "--quiet", "--collect", "--unit=evenkeel-locate-bay07.service",
    "--description=Locate light of bay07",
    "--property=ExecStartPre=\"sh\" \"-c\" 'echo 1 > \"$0\"' \"/sys/class/enclosure/0:0:12:0/Slot 07/locate\"",
    "--property=ExecStopPost=\"sh\" \"-c\" 'echo 0 > \"$0\"' \"/sys/class/enclosure/0:0:12:0/Slot 07/locate\"",
    "sleep", "60",
)  # fmt: skip
ASK = ("systemctl", "is-active", "--quiet", "evenkeel-locate-bay07.service")
STOP = ("systemctl", "stop", "evenkeel-locate-bay07.service")
NO = Result(3, "", "")


def lit(monkeypatch, *states):
    """What the light's attribute reads, time after time."""
    left = list(states)
    monkeypatch.setattr(locate, "read_text", lambda _path: left.pop(0))


def test_a_light_is_switched_on_by_a_service_that_switches_it_off(monkeypatch):
    lit(monkeypatch, "1")
    run = ScriptedRunner([(ASK, NO), (RUN, "")])
    done = locate.shine(run, [LIGHT], 60, check_mode=False)
    run.finished()
    assert [command.argv for command in done.commands] == [RUN]
    assert (done.before, done.after) == ("bay07: off\n", "bay07: on\n")


def test_check_mode_only_says_so():
    run = ScriptedRunner([(ASK, NO)])
    assert [command.argv for command in locate.shine(run, [LIGHT], 60, check_mode=True).commands] == [RUN]
    run.finished()


def test_a_light_that_shines_goes_on():
    run = ScriptedRunner([(ASK, "")])
    assert locate.shine(run, [LIGHT], 60, check_mode=False).commands == ()


def test_an_enclosure_that_ignores_the_command_is_an_error_and_the_service_ends(monkeypatch):
    lit(monkeypatch, "0")
    run = ScriptedRunner([(ASK, NO), (RUN, ""), (STOP, "")])
    with pytest.raises(CoreError, match="is still off"):
        locate.shine(run, [LIGHT], 60, check_mode=False)
    run.finished()


def test_a_command_that_fails_is_told():
    run = ScriptedRunner([(ASK, NO), (RUN, Result(1, "", "Job failed"))])
    with pytest.raises(CommandError, match="journalctl"):
        locate.shine(run, [LIGHT], 60, check_mode=False)


def test_off_ends_the_service_or_switches_a_light_of_others(monkeypatch):
    lit(monkeypatch, "0")
    run = ScriptedRunner([(ASK, ""), (STOP, "")])
    assert [one.argv for one in locate.darken(run, [LIGHT], False).commands] == [STOP]
    lit(monkeypatch, "1", "1", "0")
    off = ("sh", "-c", 'echo 0 > "$0"', LIGHT.target)
    run = ScriptedRunner([(ASK, NO), (off, "")])
    assert [one.argv for one in locate.darken(run, [LIGHT], False).commands] == [off]
    lit(monkeypatch, "0", "0", "0")
    assert locate.darken(ScriptedRunner([(ASK, NO)]), [LIGHT], False).commands == ()


def test_a_light_that_stays_on_is_told(monkeypatch):
    lit(monkeypatch, "1")
    with pytest.raises(HostError, match="bay07: the light is still on"):
        locate.darken(ScriptedRunner([(ASK, ""), (STOP, "")]), [LIGHT], False)


def drive(slot):
    units = tuple(Unit(index, paths=(UnitPath("0:0:7:0", f"/dev/sd{index}"),)) for index in (0, 1))
    return Drive("k", "S", units, bay=Bay("", slot))


def test_without_an_enclosure_the_drives_one_light_is_asked_for():
    assert locate.find_lights(["bay07", "bay7"], {}, [drive(7)]) == (locate.Light("bay07", "ledctl", "/dev/sd0"),) * 2
    command = locate.blink(locate.Light("bay07", "ledctl", "/dev/sd0"), 5).argv
    assert '--property=ExecStartPre="ledctl" "locate=/dev/sd0"' in command
    assert '--property=ExecStopPost="ledctl" "locate_off=/dev/sd0"' in command


@pytest.mark.parametrize("name", ['Slot "7"', "Slot $(reboot)", "Slot %n", "Slot\n7", "Slot '7'", "Slot\\7", "Sl\xf6t"])
def test_a_slot_with_a_hostile_name_is_not_commanded_by_it(name):
    slots = {Bay("", 7): "/sys/class/enclosure/0:0:12:0/" + name}
    assert locate.find_lights(["bay07"], slots, [drive(7)])[0].how == "ledctl"
    with pytest.raises(InputError):
        locate.find_lights(["bay07"], slots, [drive(7)], "sysfs")


@pytest.mark.parametrize(
    ("label", "method"), [("bay09", "auto"), ("bay09", "sysfs"), ("bay07", "sysfs"), ("bay09", "ledctl")]
)
def test_a_bay_without_a_light_is_named(label, method):
    with pytest.raises(InputError) as caught:
        locate.find_lights([label], {Bay("", 1): "/sys/class/enclosure/0:0:12:0/Slot 01"}, [drive(7)], method)
    assert caught.value.subject == label
    assert "bay01" in caught.value.remedy


@pytest.mark.parametrize("seconds", [0, -1, 3601])
def test_the_time_is_limited(seconds):
    with pytest.raises(InputError, match="on_seconds"):
        locate.blink(LIGHT, seconds)
