# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Reads the options that say how drives are found (fragment C(bays)). Pure."""

from __future__ import annotations

from typing import Any, Dict, Mapping

from ..errors import InputError
from ..partition.extents import read_spec
from .bays import read_bay_map, read_enclosure_names, read_serial_bays
from .discover import Wanted
from .places import SOURCES


def wanted_from(params: Mapping[str, Any]) -> Wanted:
    """What discovery should expect; omitted options have their defaults. Raises InputError naming the option."""
    ranges = params.get("ranges") or {}
    return Wanted(
        units=_counts(params.get("unit_counts") or {}),
        paths=params.get("paths_per_unit") or 0,
        ranges={str(serial): read_spec(spec, "ranges.{0}".format(serial)) for serial, spec in ranges.items()},
        bay_map=read_bay_map(params.get("bay_map") or []),
        serial_bays=read_serial_bays(params.get("bay_serials") or {}),
        enclosures=read_enclosure_names(params.get("enclosures") or {}),
        sources=tuple(params.get("bay_sources") or SOURCES),
    )


def _counts(given: Mapping[str, Any]) -> Dict[str, int]:
    counts: Dict[str, int] = {}
    for name, value in given.items():
        if not str(value).isdigit() or not 1 <= int(value) <= 16:
            raise InputError(
                "{0!r} is not a number of units from 1 to 16".format(value), subject="unit_counts.{0}".format(name)
            )
        counts[str(name)] = int(value)
    return counts
