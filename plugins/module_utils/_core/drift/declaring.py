# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""From options, as people write them, to a host's declaration. Pure."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Mapping

from .. import onhost
from ..declared import read_drives
from ..host import hostid
from ..host.options import wanted_from
from ..model import Layout
from ..plain import from_plain
from ..server_class import read_class, refuse_strange_bays
from ..zfs.access import expecting
from .accept import read_accepted
from .codes import AREAS
from .examine import Declaration

DISCOVERY = ("bay_map", "enclosures", "bay_sources")


def declaration(options: Mapping[str, Any]) -> Declaration:
    """The declaration in the options of M(drift_info); those left out are not declared. Raises InputError."""
    host = str(options.get("host") or "")
    drives = read_drives(options["declared"], host)
    about = read_class(options.get("bays") or [], options.get("paths_per_unit") or 0, options.get("models") or {}, host)
    refuse_strange_bays(drives, about, host)
    units = {model: facts.unit_count for model, facts in about.models.items() if facts.unit_count}
    wanted = wanted_from(options)
    wanted = expecting(replace(wanted, units={**units, **wanted.units}, paths=about.paths_per_unit), drives)
    if options.get("hostid"):
        hostid.parse(options["hostid"])
    return Declaration(
        host=host,
        drives=drives,
        plain_drives=options["declared"],
        about=about,
        wanted=wanted,
        discovery={name: options[name] for name in DISCOVERY if name in options},
        pool=options.get("pool") or {},
        support=tuple(options.get("support_devices") or ()),
        layout=from_plain(Layout, options["layout"], "layout") if options.get("layout") else None,
        earlier=from_plain(Layout, options["earlier"], "earlier") if options.get("earlier") else None,
        hostid=options.get("hostid") or "",
        services=tuple(options.get("services") or ()),
        scrub_days=options.get("scrub_days") or 0,
        accepted=read_accepted(options.get("accepted") or []),
        areas=tuple(options.get("areas") or AREAS),
        kind=options.get("server_class") or "",
        kept=bool(options.get("kept")),
    )


def from_inventory(inventory: onhost.Inventory, further: Mapping[str, Any]) -> Declaration:
    """The declaration that is kept on a host, with *further* options of a drift run. Raises InputError."""
    drives = {drive.bay: drive for drive in inventory.drives}
    options = {
        **inventory.discovery,
        **further,
        "host": inventory.host,
        "declared": onhost.plain_drives(inventory),
        "pool": inventory.pool,
    }
    about = inventory.about
    wish = declaration({**options, "bays": list(about.bays), "paths_per_unit": about.paths_per_unit})
    units = {model: facts.unit_count for model, facts in about.models.items() if facts.unit_count}
    wanted = replace(wish.wanted, units={**units, **wish.wanted.units})
    return replace(wish, about=about, wanted=wanted, drives=tuple(drives.values()))
