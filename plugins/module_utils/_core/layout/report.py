# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""All that a plan says, as plain data: the one call behind the module and the playbooks."""

from __future__ import annotations

from typing import Any, Dict, Mapping

from ..errors import InputError
from ..model import Layout
from ..plain import from_plain, to_plain
from .alternatives import Terms, alternatives
from .assign import plan
from .capacity import pool_capacity
from .given import read_drives
from .guarantee import sentences
from .loss import Rates
from .policy import Policy
from .render import render

_PACE = ("rate", "link", "fill")


def report(options: Mapping[str, Any]) -> Dict[str, Any]:
    """The plan for *options*: drives, policy, placed, ashift, whole_disk, rates, compare (see module layout_plan)."""
    drives = read_drives(options["drives"])
    policy = Policy.from_plain(_given(options.get("policy") or {}))
    placed = from_plain(Layout, options["placed"], "placed") if options.get("placed") else None
    terms = Terms(options.get("ashift") or 12, options.get("whole_disk", True), _rates(options.get("rates") or {}))
    layout = plan(drives, policy, placed)
    chosen = policy.with_width(layout.vdevs[0].width)
    capacity = pool_capacity(layout.vdevs, terms.ashift, terms.whole_disk)
    guarantees = sentences(layout)
    found = alternatives(layout, drives, chosen, terms) if options.get("compare", True) else ()
    return {
        "layout": to_plain(layout),
        "policy": chosen.to_plain(),
        "guarantees": list(guarantees),
        "capacity": to_plain(capacity),
        "alternatives": to_plain(found),
        "text": render(layout, guarantees, capacity, found),
    }


def _rates(data: Any) -> Rates:
    given = _given(data)
    if not isinstance(given, Mapping):
        raise InputError("{0!r} is not a dictionary".format(data), subject="rates")
    pace = {name: value for name, value in given.items() if name in _PACE}
    return from_plain(Rates, dict({name: v for name, v in given.items() if name not in _PACE}, pace=pace), "rates")


def _given(options: Any) -> Any:
    # Ansible fills options that were left out with None.
    if not isinstance(options, Mapping):
        return options
    return {name: _given(value) for name, value in options.items() if value is not None}
