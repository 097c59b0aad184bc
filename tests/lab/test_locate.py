# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Locate lights on a real kernel: its own ses driver, on an enclosure that tests/lab/shelf serves.

The enclosure itself writes down when which light changes.
"""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from tests.lab.lab import Lab
from tests.lab.modules import call, four_runs

pytestmark = pytest.mark.lab_long

FOLDER = Path(__file__).parent
SERVICE = "evenkeel-locate-bay03.service"


def start(lab: Lab, prefix: bytes = b"Slot ", slots: int = 12) -> None:
    """Bring the enclosure up, with slots of these names."""
    lab.run("mkdir -p /opt/lab; modprobe -a target_core_user tcm_loop ses enclosure")
    lab.ssh().copy_to(FOLDER / "rangedisk" / "server.py", "/opt/lab/range_disk.py")
    lab.ssh().copy_to(FOLDER / "shelf" / "server.py", "/opt/lab/shelf.py")
    lab.run(
        "systemd-run --quiet --unit=lab-shelf --setenv=PYTHONPATH=/opt/lab "
        f"python3 /opt/lab/shelf.py {slots} 5acf1e00000000ff {prefix.hex()}"
    )
    lab.run("for i in $(seq 300); do test -e /run/lab-shelf.ready && exit; sleep 0.2; done; exit 1", timeout=120)
    count = "ls -d /sys/class/enclosure/*/*/slot 2>/dev/null | wc -l"
    lab.run(f"for i in $(seq 300); do test $({count}) = {slots} && exit; sleep 0.2; done; exit 1", timeout=120)


def changes(lab: Lab) -> list[tuple[float, int, str]]:
    """What the enclosure's lights did: time, slot, on or off."""
    lines = [line.split() for line in lab.run("cat /run/lab-shelf.log").out.splitlines()]
    return [(float(moment), int(slot), state) for moment, slot, state in lines]


def wait_dark(lab: Lab, seconds: float = 60) -> None:
    end = time.monotonic() + seconds
    while lab.run("cat /sys/class/enclosure/*/*/locate | sort -u").out != "0\n":
        assert time.monotonic() < end, "a light is still on"
        time.sleep(0.5)


def test_a_light_goes_out_by_itself_and_whatever_happens(lab: Lab) -> None:
    start(lab)
    # By itself, when the time is over.
    done = call(lab, "bay_locate", locate=["bay03"], on_seconds=3)
    assert not done.get("failed"), done["msg"]
    assert done["lights"][0]["how"] == "sysfs"
    wait_dark(lab)
    on, off = changes(lab)
    assert (on[1:], off[1:]) == ((3, "on"), (3, "off"))
    assert 3 <= off[0] - on[0] < 30
    # What every module promises; then the process that holds the light is killed.
    four_runs(lab, "bay_locate", locate=["bay03"], on_seconds=3600)
    assert lab.run("cat '/sys/class/enclosure/'*'/Slot 03/locate'").out == "1\n"
    lab.run(f"systemctl kill --signal=KILL {SERVICE}")
    wait_dark(lab)
    # Told to go out.
    call(lab, "bay_locate", locate=["bay03", "bay05"], on_seconds=3600)
    four_runs(lab, "bay_locate", locate=["bay03", "bay05"], state="off")
    wait_dark(lab)
    assert [state for _moment, _slot, state in changes(lab)].count("on") == 4
    assert {slot for _moment, slot, _state in changes(lab)} == {3, 5}
    # Nothing of it is left behind.
    assert "evenkeel-locate" not in lab.run("systemctl list-units --all --plain --no-legend").out


def test_hostile_names_of_slots_are_not_run(lab: Lab) -> None:
    start(lab, prefix=b"$(touch /run/owned) \"'%n")
    refused = call(lab, "bay_locate", locate=["bay03"], method="sysfs", on_seconds=5)
    assert refused["failed"]
    assert refused["subject"] == "bay03"
    assert lab.run("ls /run/owned", check=False).rc != 0
    assert changes(lab) == []
