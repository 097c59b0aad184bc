# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Every state and step of the modules that act on pools gets, with no more than what it requires, as far as the host.

Ansible itself runs them, in check mode, on the machine of the tests. What is beyond is for the lab.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from typing import Any

import yaml

from tests.checkout import REPO

POOL = {"pool": "no_such_pool"}
LAYOUT: dict[str, Any] = {"layout": {"vdevs": []}}
CALLS: dict[str, tuple[str, dict[str, Any]]] = {
    **{f"state {state}": ("pool", {**POOL, "state": state}) for state in ("exported", "retired")},
    **{f"state {state}": ("pool", {**POOL, **LAYOUT, "state": state}) for state in ("imported", "grown")},
    **{
        f"step {step}": ("drive_replacement", {**POOL, "leave": "bay07", "step": step})
        for step in ("plan", "take_out", "await_drive", "put_in", "follow", "put_back")
    },
    "spares": ("spare_drives", POOL),
}
# What a machine without OpenZFS says, one without such a pool, and one on which the tests do not run as root.
REACHED = re.compile(r"the program \w+ is not installed|no pool of this name|\broot\b")


def test_each_way_into_the_library_reaches_the_host(tmp_path):
    tasks = [
        {"name": name, f"evenkeel.split_actuator.{module}": options, "register": "told", "ignore_errors": True}
        for name, (module, options) in CALLS.items()
    ]
    play = {"hosts": "localhost", "gather_facts": False, "check_mode": True, "tasks": tasks}
    (tmp_path / "play.yml").write_text(yaml.safe_dump([play]))
    done = subprocess.run(
        ["ansible-playbook", "-i", "localhost,", "-c", "local", "-e", f"ansible_python_interpreter={sys.executable}",
         "play.yml"],
        cwd=tmp_path, text=True, capture_output=True, check=False, timeout=300,
        env={**os.environ, "ANSIBLE_COLLECTIONS_PATH": str(REPO / ".work"), "ANSIBLE_LOCALHOST_WARNING": "false",
             "ANSIBLE_STDOUT_CALLBACK": "ansible.builtin.default"},
    )  # fmt: skip
    found: dict[str, str] = {}
    name = ""
    for line in done.stdout.splitlines():
        if line.startswith("TASK ["):
            name = line[len("TASK [") :].split("]")[0]
        elif line.startswith("fatal:"):
            found[name] = json.loads(line.split("=> ", 1)[1])["msg"]
        elif line.startswith(("ok:", "changed:")):
            found[name] = "ok"
    assert found.keys() == CALLS.keys(), done.stdout + done.stderr
    # A pool that is not there needs no export; nothing else can be well without one.
    well = {"state exported", "state retired"}
    wrong = {
        name: words for name, words in found.items() if not (REACHED.search(words) or (words == "ok" and name in well))
    }
    assert wrong == {}
