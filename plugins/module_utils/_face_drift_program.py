# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The program of the scheduled drift run on the host.

C(run) compares the host with the inventory that is kept on it, writes the findings for the health service and its own
history, and prints the findings to the journal; C(show) prints those of the last run. `_core.health.pack` packs it
with the parts of the library that it imports. No controller is needed.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from typing import Any, Dict, List, Optional

from ._core import checked, onhost, version
from ._core.drift import history
from ._core.drift.declaring import from_inventory
from ._core.drift.examine import examine
from ._core.drift.observe import STATE_FILE, observe
from ._core.errors import CoreError, DecodeError, HostError
from ._core.health.readers import PlainRunner
from ._core.host.files import write_atomically
from ._core.model import Finding
from ._core.plain import amount
from ._core.record import HostRecord

VERSION = version.VERSION
PATH = "/etc/evenkeel/split_actuator/drift.json"
OPTIONS = ("hostid", "services", "scrub_days", "accepted", "layout", "server_class")


def read_options(path: str = PATH) -> Dict[str, Any]:
    """The schedule's configuration: C(every_seconds) (between runs) and options of M(drift_info)."""
    try:
        with open(path, encoding="utf-8") as file:
            data = json.load(file)
    except OSError as error:
        raise HostError("{0} cannot be read: {1}".format(path, error.strerror), subject="drift") from error
    except ValueError as error:
        raise DecodeError("{0} is not valid JSON: {1}".format(path, error), subject="drift") from error
    if not isinstance(data, dict) or not set(data) <= {"every_seconds", *OPTIONS}:
        allowed = ", ".join(("every_seconds", *OPTIONS))
        raise DecodeError("{0} has an unknown key; allowed: {1}".format(path, allowed), subject="drift")
    return data


def run(options: Dict[str, Any], inventory_path: str, findings_path: str, state_path: str) -> HostRecord:
    """One drift run, which writes its findings and history. Raises CoreError; then the previous ones stay and age."""
    inventory = onhost.read(inventory_path)
    if inventory is None:
        raise HostError(
            "{0} does not exist".format(inventory_path), subject="drift", remedy="Run the role disk_inventory first."
        )
    further = {name: options[name] for name in OPTIONS if options.get(name)}
    wish = from_inventory(inventory, further)
    seen = observe(PlainRunner(), wish.services, sorted(map(str, inventory.pool.get("root_settings") or {})))
    seen["files"].pop("state", None)
    seen["files"].update(_text(state_path))
    record = examine(seen, wish)
    every = float(options.get("every_seconds") or 86400)
    checked.write(checked.Checked(seen["at"], every, record.findings), findings_path)
    state = history.from_record(record)
    try:
        os.makedirs(os.path.dirname(state_path), 0o755, exist_ok=True)
        write_atomically(state_path, history.to_text(state), 0o644)
    except OSError as error:
        raise HostError("{0} cannot be written: {1}".format(state_path, error.strerror), subject="drift") from error
    return record


def _text(path: str) -> Dict[str, str]:
    try:
        with open(path, encoding="utf-8", errors="replace") as file:
            return {"state": file.read()}
    except OSError:
        return {}


def line(one: Finding) -> str:
    """A finding as one line."""
    return "{0} {1}: {2}: {3} (declared: {4}). {5}".format(
        one.severity, one.code, one.subject, one.found.rstrip("."), one.declared or "-", one.remedy
    )


def show(findings_path: str) -> int:
    """Print the findings of the last run."""
    last = checked.read(findings_path)
    if last is None:
        raise HostError("no drift run yet", subject="drift", remedy="Run systemctl start evenkeel-drift.service.")
    sys.stdout.write("".join(line(one) + "\n" for one in last.findings) or "As declared.\n")
    return 0


def main(arguments: Optional[List[str]] = None) -> int:
    """Run one command. Exit code: 0 done, with or without findings; 1 a foreseeable failure; 2 wrong usage."""
    parser = argparse.ArgumentParser(
        prog="evenkeel-drift", description="Compares this host with the inventory that is kept on it."
    )
    parser.add_argument("--config", default=PATH, help="the configuration file")
    parser.add_argument("--inventory", default=onhost.PATH, help="the declared inventory")
    parser.add_argument("--findings", default=checked.PATH, help="the file for the findings")
    parser.add_argument("--state", default=STATE_FILE, help="the file for the history")
    parser.add_argument("command", choices=["run", "show"])
    given = parser.parse_args(arguments)
    os.umask(0o022)
    try:
        if given.command == "show":
            return show(given.findings)
        record = run(read_options(given.config), given.inventory, given.findings, given.state)
    except CoreError as error:
        sys.stderr.write(str(error) + "\n")
        return 1
    for one in record.findings:
        sys.stderr.write(line(one) + "\n")
    sys.stderr.write("{0}, {1} accepted.\n".format(amount(len(record.findings), "finding"), len(record.accepted)))
    return 0
