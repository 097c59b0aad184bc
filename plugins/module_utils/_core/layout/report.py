# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""A whole plan as plain data: the one call behind the module and the playbooks."""

from __future__ import annotations

from dataclasses import fields
from typing import Any, Dict, Mapping, Sequence, Tuple

from ..checks import flag, mapping, whole
from ..errors import InputError
from ..model import Drive
from ..plain import from_plain, to_plain
from .alternatives import Terms, alternatives, size_cost
from .assign import plan
from .capacity import ASHIFT_MAX, ASHIFT_MIN, pool_capacity
from .given import read_drives, read_placed
from .guarantee import sentences
from .loss import Rates
from .policy import Policy
from .render import render

_PACE = ("rate", "link", "fill")
LEAST_AUTO, MOST_AUTO = 9, 14  # zfs_vdev_min_auto_ashift and zfs_vdev_max_auto_ashift, zfs(4)


def report(options: Mapping[str, Any]) -> Dict[str, Any]:
    """The plan for *options*: drives, policy, placed, ashift, whole_disk, rates, compare (see module layout_plan)."""
    given = _given(options)
    drives = read_drives(given.get("drives"))
    policy = Policy.from_plain(given.get("policy") or {})
    placed = read_placed(given["placed"]) if given.get("placed") else None
    ashift, assumed = _ashift(given, drives)
    terms = Terms(ashift, flag(given.get("whole_disk", True), "whole_disk"), _rates(given.get("rates") or {}))
    compare = flag(given.get("compare", True), "compare")
    layout = plan(drives, policy, placed, ashift=terms.ashift, whole_disk=terms.whole_disk)
    chosen = policy.with_width(layout.vdevs[0].width)
    capacity = pool_capacity(layout.vdevs, terms.ashift, terms.whole_disk)
    guarantees = sentences(layout)
    found = alternatives(layout, drives, chosen, terms, policy) if compare else ()
    cost = size_cost(layout, chosen, found)
    remarks = [remark for remark in (assumed, cost) if remark]
    return {
        "layout": to_plain(layout),
        "policy": chosen.to_plain(),
        "guarantees": list(guarantees),
        "remarks": remarks,
        "capacity": to_plain(capacity),
        "alternatives": to_plain(found),
        "text": render(layout, guarantees, capacity, found, remarks=remarks),
    }


def _ashift(given: Mapping[str, Any], drives: Sequence[Drive]) -> Tuple[int, str]:
    """The sector size to count with, and, where OpenZFS chooses it, what was assumed."""
    asked = given.get("ashift", 12)
    if asked != 0 or isinstance(asked, bool):
        return whole(asked, ASHIFT_MIN, ASHIFT_MAX, "ashift"), ""
    whole(asked, 0, 0, "ashift")
    units = [unit for drive in drives for unit in drive.units]
    logical = _power(max((unit.logical_block for unit in units), default=512))
    physical = _power(max((unit.physical_block for unit in units), default=512))
    # vdev_ashift_optimize of module/zfs/vdev.c; a physical sector above the limit is not followed.
    ashift = max(LEAST_AUTO, logical, physical if physical <= MOST_AUTO else 0)
    said = "ashift {0} is assumed, as OpenZFS would choose for sectors of {1} (physical {2}) bytes."
    return whole(ashift, ASHIFT_MIN, ASHIFT_MAX, "ashift"), said.format(ashift, 1 << logical, 1 << physical)


def _power(block: int) -> int:
    if block < 1 or block & (block - 1):
        raise InputError("{0} is not a sector size".format(block), subject="drives", remedy="Give a power of two.")
    return block.bit_length() - 1


def _rates(data: Any) -> Rates:
    given = mapping(data, (*(field.name for field in fields(Rates) if field.name != "pace"), *_PACE), "rates")
    pace = {name: value for name, value in given.items() if name in _PACE}
    return from_plain(Rates, dict({name: v for name, v in given.items() if name not in _PACE}, pace=pace), "rates")


def _given(options: Any) -> Any:
    # Ansible fills options that were left out with None.
    if not isinstance(options, Mapping):
        return options
    return {name: _given(value) for name, value in options.items() if value is not None}
