# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The settings of a server that are compared with those of the other servers in its class. Pure."""

from __future__ import annotations

from collections import Counter
from typing import Any, Dict, Mapping, Optional, Sequence

from ..host import hostid
from ..model import Drive
from ..zfs.resolve import Pool
from .pools import enabled_features

# Those that people set, of zpoolprops(7).
POOL_PROPERTIES = ("ashift", "autoexpand", "autoreplace", "autotrim", "compatibility", "failmode", "multihost")


def settings_of(
    seen: Mapping[str, Any],
    kind: str,
    drives: Sequence[Drive],
    services: Mapping[str, Mapping[str, str]],
    tools: str,
    pool: Optional[Pool],
    properties: Mapping[str, Mapping[str, str]],
    roots: Mapping[str, Mapping[str, str]],
) -> Dict[str, str]:
    """Settings by name, all text; those that a host does not have are left out."""
    found = {
        "class": kind,
        "hostid": hostid.spell(seen["hostid"]),
        "kernel": seen["kernel"],
        "system": seen["system"],
        "openzfs tools": tools,
        "openzfs module": seen["module"],
        "drives": _models(drives),
    }
    found.update({"program {0}".format(name): version for name, version in seen["programs"].items()})
    found.update({"service {0}".format(name): words for name, words in _services(services).items()})
    if pool is not None:
        own = properties.get(pool.name, {})
        found["pool.guid"] = pool.guid
        found.update({"pool {0}".format(name): own[name] for name in POOL_PROPERTIES if name in own})
        found["pool features"] = " ".join(sorted(name for name, on in enabled_features(own).items() if on))
        root = sorted(roots.get(pool.name, {}).items())
        found.update({"root {0}".format(name): value for name, value in root if name != "creation"})
    return {name: value for name, value in found.items() if value}


def _services(services: Mapping[str, Mapping[str, str]]) -> Dict[str, str]:
    return {
        name: ", ".join(one for one in (facts.get("ActiveState"), facts.get("UnitFileState")) if one)
        for name, facts in sorted(services.items())
        if facts.get("LoadState") == "loaded"
    }


def _models(drives: Sequence[Drive]) -> str:
    """The number of drives with several units, for each model and firmware."""
    counts = Counter((one.model, one.firmware) for one in drives if max(len(one.units), one.expected_units) > 1)
    return ", ".join("{0} x {1} {2}".format(count, *what).strip() for what, count in sorted(counts.items()))
