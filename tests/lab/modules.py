# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs the collection's modules on a lab machine, the way a controller does."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.checkout import REPO
from tests.lab.lab import Lab

COLLECTION = "evenkeel.split_actuator"


def call(lab: Lab, module: str, check: bool = False, user: str = "root", **options: Any) -> dict[str, Any]:
    """The result of one run of a module of the collection as *user*, failures included. Diff mode is on."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        lab.write_inventory(folder / "hosts.yml")
        (folder / "ansible.cfg").touch()
        given = ["-a", json.dumps(options)] if options else []  # "{}" would be taken for text
        # Not as another login: connections are shared, whoever opened them.
        become = ["--become", "--become-method", "su", "--become-user", user] if user != "root" else []
        argv = [
            str(Path(sys.executable).with_name("ansible")), "all", "-i", str(folder / "hosts.yml"),
            "-m", f"{COLLECTION}.{module}", *given, "--tree", str(folder / "told"), "--diff",
            *become,
            "-vvv",  # results are told without their diff otherwise
        ]  # fmt: skip
        environment = {
            **os.environ,
            "ANSIBLE_COLLECTIONS_PATH": str(REPO / ".work"),
            "ANSIBLE_CONFIG": str(folder / "ansible.cfg"),
            "ANSIBLE_NOCOLOR": "1",
            "ANSIBLE_LOCAL_TEMP": str(folder / "tmp"),
        }
        done = subprocess.run(
            argv + (["--check"] if check else []), env=environment, capture_output=True, text=True, check=False,
            timeout=900,
        )  # fmt: skip
        if done.returncode < 0:
            raise AssertionError(f"{module} was cut off: Ansible was killed by signal {-done.returncode}")
        told = folder / "told" / lab.chassis.name
        if not told.exists():
            raise AssertionError(f"{module} told nothing:\n{done.stdout}\n{done.stderr}")
        result = json.loads(told.read_text())
    if "exception" in result or "module_stdout" in result:
        raise AssertionError(f"{module} died:\n{json.dumps(result, indent=2)}")
    if result.get("unreachable"):
        raise AssertionError(f"the machine was not reached: {result.get('msg')}")
    # What is told of a result leaves out whether it failed; the exit code says so.
    result["failed"] = done.returncode != 0
    return result


@dataclass(frozen=True)
class Runs:
    """The four runs of one transition: in check mode, for real, again, and again in check mode."""

    predicted: dict[str, Any]
    done: dict[str, Any]
    again: dict[str, Any]
    checked: dict[str, Any]


def four_runs(lab: Lab, module: str, **options: Any) -> Runs:
    """Make a transition and assert what every module promises of it.

    Check mode predicts the change, the very commands and the diff; the real run makes them; a second
    run, and one more in check mode, find nothing left to do.
    """
    runs = Runs(
        call(lab, module, check=True, **options),
        call(lab, module, **options),
        call(lab, module, **options),
        call(lab, module, check=True, **options),
    )
    for one in (runs.predicted, runs.done, runs.again, runs.checked):
        print(module, one.get("msg", ""), one.get("changed"), one.get("commands"))
        assert not one.get("failed"), one["msg"]
    changed = [one["changed"] for one in (runs.predicted, runs.done, runs.again, runs.checked)]
    assert changed == [True, True, False, False]
    assert runs.predicted["commands"], "a change without a command"
    assert runs.predicted["commands"] == runs.done["commands"]
    assert runs.predicted["diff"] == runs.done["diff"]
    assert runs.again["commands"] == runs.checked["commands"] == []
    return runs
