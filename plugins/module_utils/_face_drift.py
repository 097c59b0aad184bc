# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Options of what compares a host: the module drift_info, and the action drift_host on the controller."""

from __future__ import annotations

from typing import Any, Dict

from ._face_drives import DRIVE_ARGUMENTS

AREAS = ("inventory", "names", "layout", "pool", "host")
SCRUB_DAYS = 30.0

DRIFT_ARGUMENTS: Dict[str, Any] = {
    "host": {"type": "str", "default": ""},
    "declared": {"type": "dict", "required": True},
    "bays": {"type": "list", "elements": "str", "default": []},
    "paths_per_unit": {"type": "int", "default": 0},
    "models": {"type": "dict", "default": {}},
    "support_devices": {"type": "list", "elements": "str", "default": []},
    "pool": {"type": "dict", "default": {}},
    "layout": {"type": "dict"},
    "hostid": {"type": "str", "default": ""},
    "services": {"type": "list", "elements": "str", "default": []},
    "scrub_days": {"type": "float", "default": SCRUB_DAYS},
    "accepted": {"type": "list", "elements": "dict", "default": []},
    "areas": {"type": "list", "elements": "str", "choices": list(AREAS), "default": list(AREAS)},
    "server_class": {"type": "str", "default": ""},
    **DRIVE_ARGUMENTS,
}
