# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Combines the drift results of all hosts, on the controller."""

from __future__ import annotations

from typing import Any, Dict, List, Mapping, Optional, Tuple

from ansible.plugins.action import ActionBase

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.accept import read_accepted
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.outcome import (
    Outcome,
    outcome,
    table,
    to_data,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.record import HostRecord, from_data

ARGUMENTS: Dict[str, Any] = {
    "variable": {"type": "str", "required": True},
    "fail_on": {"type": "str", "choices": ["info", "warning", "error"], "default": "warning"},
}


class ActionModule(ActionBase):  # type: ignore[misc]
    """The action."""

    _requires_connection = False
    _supports_check_mode = True
    _supports_diff = False

    def run(self, tmp: Any = None, task_vars: Optional[Dict[str, Any]] = None) -> Dict[str, Any]:
        """The outcome of the hosts of the play."""
        result: Dict[str, Any] = super().run(tmp, task_vars)
        del tmp
        _validation, options = self.validate_argument_spec(argument_spec=ARGUMENTS)
        variables = task_vars or {}
        results = [
            (host, _plain(variables["hostvars"][host].get(options["variable"])))
            for host in variables.get("ansible_play_hosts_all", [])
        ]
        found = _outcome(results, options["fail_on"])
        data = to_data(found)
        failing = {one.host: one.failing for one in found.hosts if one.checked}
        return {**result, "changed": False, "outcome": data, "lines": table(data), "failing": failing}


def _plain(value: Any) -> Any:
    """A copy without the controller's wrapper types."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    return value


def _outcome(results: List[Tuple[str, Any]], fail_on: str) -> Outcome:
    records: List[HostRecord] = []
    unchecked: Dict[str, str] = {}
    rules: Dict[str, Any] = {}
    for host, result in results:
        if isinstance(result, dict) and "checked" in result:
            record = from_data(result["checked"], "record of {0}".format(host))
            records.append(record)
            rules[record.host] = read_accepted(result.get("rules") or [])
        else:
            unchecked[host] = str((result or {}).get("msg", "it was not reached"))
    return outcome(records, unchecked, rules, fail_on)
