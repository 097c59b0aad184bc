# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The options that modules which look for drives share (fragment C(bays))."""

from __future__ import annotations

from typing import Any, Dict

from ._core.host.places import SOURCES

DRIVE_ARGUMENTS: Dict[str, Any] = {
    "bay_map": {
        "type": "list",
        "elements": "dict",
        "default": [],
        "options": {
            "pattern": {"type": "str", "required": True},
            "bay": {"type": "str", "required": True},
        },
    },
    "bay_serials": {"type": "dict", "default": {}},
    "enclosures": {"type": "dict", "default": {}},
    "bay_sources": {"type": "list", "elements": "str", "choices": list(SOURCES), "default": list(SOURCES)},
    "unit_counts": {"type": "dict", "default": {}},
    "ranges": {"type": "dict", "default": {}},
}
