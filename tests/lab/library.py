# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs the collection's library inside a guest, with the guest's own Python, as root."""

from __future__ import annotations

import json
import re
import subprocess
import tempfile
from pathlib import Path
from typing import Any

from tests.lab.lab import Lab

REPO = Path(__file__).resolve().parents[2]
TOP = "/opt/evenkeel-library"
CORE = "ansible_collections.evenkeel.split_actuator.plugins.module_utils._core"
# A runner of subprocess, for what the library runs through one.
PREAMBLE = f"""
import json, os, subprocess, sys, time
sys.path.insert(0, {TOP!r})
sys.dont_write_bytecode = True
from {CORE}.plain import to_plain
from {CORE}.host.run import Result
def runner(argv):
    done = subprocess.run(argv, stdout=subprocess.PIPE, stderr=subprocess.PIPE, universal_newlines=True)
    return Result(done.returncode, done.stdout, done.stderr)
"""

# The floor of a discovery: a bare read of the attributes that it cannot do without.
BARE = """
import glob
def bare():
    for path in glob.glob("/sys/class/scsi_device/*/device"):
        for name in ("vendor", "model", "vpd_pg80", "vpd_pg83"):
            with open(path + "/" + name, "rb") as file:
                file.read()
    for path in glob.glob("/sys/block/sd*/size"):
        with open(path, "rb") as file:
            file.read()
"""


def ship(lab: Lab) -> None:
    """Copy the library as it is in the working tree into the guest."""
    folder = f"{TOP}/ansible_collections/evenkeel/split_actuator/plugins/module_utils"
    with tempfile.TemporaryDirectory() as name:
        bundle = Path(name) / "library.tar"
        subprocess.run(
            ["tar", "-C", str(REPO / "plugins" / "module_utils"), "--exclude=__pycache__", "-cf", str(bundle), "_core"],
            check=True,
        )
        lab.ssh().copy_to(bundle, "/tmp/library.tar")
    lab.run(f"rm -rf {TOP} && mkdir -p {folder} && tar -C {folder} -xf /tmp/library.tar")


def ask(lab: Lab, code: str, timeout: float = 300.0) -> Any:
    """Run Python *code* that leaves its result in C(answer); returns it, through `to_plain` and JSON.

    Within, C(runner) runs commands, and C(core) is the name of the library's package.
    """
    script = PREAMBLE + re.sub(r"\bcore\b(?=\.| import )", CORE, code) + "\nprint(json.dumps(to_plain(answer)))\n"
    return json.loads(lab.run(["python3", "-"], stdin=script, timeout=timeout).out)
