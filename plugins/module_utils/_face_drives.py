# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""What modules that look for drives share: their options (fragment C(bays)) and the way into the library."""

from __future__ import annotations

from typing import Any, Dict, Mapping

from ._core.errors import InputError
from ._core.host.bays import SOURCES, read_bay_map, read_enclosure_names, read_serial_bays
from ._core.host.discover import Wanted
from ._core.split.extents import read_spec

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
    "bays": {"type": "dict", "default": {}},
    "enclosures": {"type": "dict", "default": {}},
    "bay_sources": {"type": "list", "elements": "str", "choices": list(SOURCES), "default": list(SOURCES)},
    "expect_units": {"type": "dict", "default": {}},
    "ranges": {"type": "dict", "default": {}},
}


def wanted_from(params: Mapping[str, Any]) -> Wanted:
    """What discovery should know, from a module's parameters. Raises InputError naming the option."""
    return Wanted(
        units=_counts(params["expect_units"]),
        paths=params.get("expect_paths", 0),
        ranges={str(serial): read_spec(spec, "ranges.{0}".format(serial)) for serial, spec in params["ranges"].items()},
        bay_map=read_bay_map(params["bay_map"]),
        serial_bays=read_serial_bays(params["bays"]),
        enclosures=read_enclosure_names(params["enclosures"]),
        sources=tuple(params["bay_sources"]),
    )


def _counts(given: Mapping[str, Any]) -> Dict[str, int]:
    counts: Dict[str, int] = {}
    for name, value in given.items():
        if not str(value).isdigit() or not 1 <= int(value) <= 16:
            raise InputError(
                "{0!r} is not a number of units from 1 to 16".format(value), subject="expect_units.{0}".format(name)
            )
        counts[str(name)] = int(value)
    return counts
