# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Writes the pages of a report, on the controller."""

from __future__ import annotations

from typing import Any, Dict, Optional

from ansible.plugins.action import ActionBase
from ansible.utils.display import Display

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import CoreError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face import failure
from ansible_collections.evenkeel.split_actuator.plugins.plugin_utils._report import codes
from ansible_collections.evenkeel.split_actuator.plugins.plugin_utils._report.report import (
    START_PAGE,
    Report,
    Request,
    Written,
)

ARGUMENTS: Dict[str, Any] = {
    "records": {"type": "path", "required": True},
    "dest": {"type": "path", "required": True},
    "title": {"type": "str", "default": "Servers"},
    "expected": {"type": "list", "elements": "str", "default": []},
    "labels": {"type": "bool", "default": True},
    "bays_in_row": {"type": "int", "default": 0},
}


class ActionModule(ActionBase):  # type: ignore[misc]
    """The action. It runs where Ansible runs, whatever the task's host is."""

    _requires_connection = False
    _supports_check_mode = True
    _supports_diff = True

    def run(self, tmp: Any = None, task_vars: Optional[Dict[str, Any]] = None) -> Dict[str, Any]:
        """Write the pages that are not up to date."""
        result: Dict[str, Any] = super().run(tmp, task_vars)
        del tmp
        _validation, options = self.validate_argument_spec(argument_spec=ARGUMENTS)
        if not 0 <= options["bays_in_row"] <= 48:
            return {
                **result,
                "failed": True,
                "msg": "bays_in_row: {0} is not allowed. Allowed: a whole number from 0 to 48.".format(
                    options["bays_in_row"]
                ),
            }
        request = Request(
            records=options["records"],
            dest=options["dest"],
            title=options["title"],
            expected=tuple(options["expected"]),
            labels=options["labels"],
            columns=options["bays_in_row"],
        )
        try:
            done = Report(request).write(self._task.check_mode)
        except CoreError as error:
            return {**result, "failed": True, **failure(error)}
        for line in done.unreadable:
            Display().warning("no page was written for {0}".format(line))
        if request.labels and not codes.HAS_SEGNO:
            Display().warning("the bay labels have no codes: the Python library segno is not installed here")
        return {**result, **_result(done, request)}


def _result(done: Written, request: Request) -> Dict[str, Any]:
    changes = [*done.made, *done.replaced]
    lines = ["new: {0}\n".format(path) for path in done.made] + [
        "changed: {0}\n".format(path) for path in done.replaced
    ]
    return {
        "changed": bool(changes),
        "start_page": "{0}/{1}".format(request.dest.rstrip("/"), START_PAGE),
        "hosts": sorted(done.hosts),
        "written": changes,
        "unchanged": done.unchanged,
        "unreadable": list(done.unreadable),
        "diff": [{"prepared": "".join(lines)}] if changes else [],
    }
