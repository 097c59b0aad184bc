# Copyright: (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""All that a plan says, as plain data: the one call behind the module and the playbooks."""

from __future__ import annotations

from typing import Any, Dict, Mapping

from ..model import Layout
from ..plain import from_plain, to_plain
from .assign import plan
from .capacity import pool_capacity
from .given import read_drives
from .guarantee import sentences
from .policy import Policy


def report(options: Mapping[str, Any]) -> Dict[str, Any]:
    """The plan for *options*: drives, policy, placed, ashift, whole_disk (see the module layout_plan)."""
    drives = read_drives(options["drives"])
    policy = Policy.from_plain(_given(options.get("policy") or {}))
    placed = from_plain(Layout, options["placed"], "placed") if options.get("placed") else None
    layout = plan(drives, policy, placed)
    chosen = policy.with_width(layout.vdevs[-1].width)
    capacity = pool_capacity(layout.vdevs, options.get("ashift") or 12, options.get("whole_disk", True))
    return {
        "layout": to_plain(layout),
        "policy": chosen.to_plain(),
        "guarantees": list(sentences(layout)),
        "capacity": to_plain(capacity),
    }


def _given(options: Any) -> Any:
    # Ansible fills options that were left out with None.
    if not isinstance(options, Mapping):
        return options
    return {name: _given(value) for name, value in options.items() if value is not None}
