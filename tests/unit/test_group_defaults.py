# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Module defaults by group reach the modules, as Ansible itself runs them."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import yaml

from tests.checkout import REPO

GROUP = "group/evenkeel.split_actuator.split_actuator"
DRIVES = [{"serial": f"ACT{n}", "unit_count": 2, "unit_bytes": 9 * 10**12} for n in range(6)]


def test_defaults_of_the_group_reach_a_module_and_its_own_options_win(tmp_path):
    """layout_plan computes on the controller, so it runs here; the policy comes from the group only."""
    plan = {"evenkeel.split_actuator.layout_plan": {"drives": DRIVES}, "register": "plan"}
    own = {"evenkeel.split_actuator.layout_plan": {"drives": DRIVES, "policy": {"parity": 1}}, "register": "own"}
    told = {
        "ansible.builtin.copy": {"content": "{{ [plan.layout, own.layout] | to_json }}", "dest": str(tmp_path / "told")}
    }
    play = {
        "hosts": "localhost",
        "gather_facts": False,
        "module_defaults": {GROUP: {"policy": {"kind": "raidz", "parity": 3, "width": 6}}},
        "tasks": [plan, own, told],
    }
    (tmp_path / "play.yml").write_text(yaml.safe_dump([play]))
    environment = {**os.environ, "ANSIBLE_COLLECTIONS_PATH": str(REPO / ".work"), "ANSIBLE_LOCALHOST_WARNING": "false"}
    python = f"ansible_python_interpreter={sys.executable}"
    done = subprocess.run(
        ["ansible-playbook", "-i", "localhost,", "-c", "local", "-e", python, "play.yml"],
        cwd=tmp_path, env=environment, text=True, capture_output=True, check=False, timeout=300,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    by_group, by_itself = json.loads((tmp_path / "told").read_text())
    assert {vdev["parity"] for vdev in by_group["vdevs"]} == {3}
    assert {vdev["parity"] for vdev in by_itself["vdevs"]} == {1}
