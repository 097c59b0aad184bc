# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Compares one host: reads it with host_sight, compares on the controller, keeps the record there."""

from __future__ import annotations

import os
from typing import Any, Dict, Optional

from ansible.plugins.action import ActionBase

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.declaring import declaration
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.examine import examine
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.outcome import trimmed
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import CoreError, HostError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.files import write_atomically
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import to_plain
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.record import (
    HostRecord,
    from_text,
    to_data,
    to_text,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_drift import DRIFT_ARGUMENTS

ARGUMENTS: Dict[str, Any] = {**DRIFT_ARGUMENTS, "report_dir": {"type": "path", "required": True}}
MODULE = "evenkeel.split_actuator.host_sight"


class ActionModule(ActionBase):  # type: ignore[misc]
    """The action."""

    _requires_connection = True
    _supports_check_mode = True
    _supports_diff = False

    def run(self, tmp: Any = None, task_vars: Optional[Dict[str, Any]] = None) -> Dict[str, Any]:
        """Compare the host of the task. A host that cannot be compared is reported as unreachable."""
        result: Dict[str, Any] = super().run(tmp, task_vars)
        del tmp
        _validation, options = self.validate_argument_spec(argument_spec=ARGUMENTS)
        asked = {
            "services": options["services"],
            "root_properties": sorted((options["pool"] or {}).get("root_settings") or {}),
            "pools": bool({"layout", "pool", "host"} & set(options["areas"])),
        }
        seen = self._execute_module(module_name=MODULE, module_args=asked, task_vars=task_vars)
        if seen.get("failed") or "observed" not in seen:
            return {**result, "unreachable": True, "msg": seen.get("msg") or "host_sight returned nothing"}
        path = os.path.join(options["report_dir"], "{0}.json".format(options["host"]))
        try:
            record = self._judge(seen["observed"], options, path)
        except CoreError as error:
            return {**result, "unreachable": True, "msg": str(error)}
        rules = to_plain(options["accepted"])
        return {**result, "changed": False, "checked": to_data(trimmed(record)), "rules": rules}

    def _judge(self, seen: Dict[str, Any], options: Dict[str, Any], path: str) -> HostRecord:
        earlier = _earlier(path)
        kept = bool(options["host"] and (options["pool"] or {}).get("name"))
        layout = to_plain(earlier.layout) if earlier is not None and earlier.layout is not None else None
        record = examine(seen, declaration({**options, "kept": kept, "earlier": layout}), earlier)
        if not self._task.check_mode:
            _keep(path, record)
        return record


def _earlier(path: str) -> Optional[HostRecord]:
    """The record of the last drift run; None without one that can be read."""
    try:
        with open(path, encoding="utf-8") as file:
            return from_text(file.read())
    except (OSError, UnicodeDecodeError, CoreError):
        return None


def _keep(path: str, record: HostRecord) -> None:
    try:
        os.makedirs(os.path.dirname(path), exist_ok=True)
        write_atomically(path, to_text(record), 0o640)
    except OSError as error:
        raise HostError(
            "{0} cannot be written: {1}".format(path, error.strerror),
            subject="controller",
            remedy="Set split_actuator_report_dir to a folder that you may write to.",
        ) from error
