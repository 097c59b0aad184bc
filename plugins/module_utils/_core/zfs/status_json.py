# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Reads C(zpool status -j -P --json-int) (OpenZFS 2.3 and later).

Shape: cmd/zpool/zpool_main.c of OpenZFS 2.3; the manual's sample differs from what the
program prints, so the fixtures of the tests are captured from real pools.
"""

from __future__ import annotations

import json
import re
from typing import Any, Dict, Tuple

from ..errors import DecodeError
from .tree import Node, PoolTree, Scan

ARGV = ("zpool", "status", "-j", "-P", "--json-int")

_GROUPS = ("special", "dedup", "logs", "l2cache", "spares")
_PARITY = re.compile(r"(?:raidz|draid)([123])")


def read(text: str) -> Tuple[PoolTree, ...]:
    """All pools in the output, by name. Raises DecodeError when it is not the documented form."""
    try:
        data = json.loads(text)
    except (ValueError, RecursionError) as exc:
        raise DecodeError("zpool status printed no JSON: {0}".format(exc)) from exc
    try:
        pools = data["pools"]
        return tuple(_pool(pools[name]) for name in sorted(pools))
    except (LookupError, TypeError, ValueError, AttributeError, RecursionError) as exc:
        raise DecodeError("zpool status printed JSON of an unknown form: {0!r}".format(exc)) from exc


def _pool(data: Dict[str, Any]) -> PoolTree:
    name = str(data["name"])
    scan = _scan(data.get("scan_stats") or {})
    resilvering = scan.running and scan.function == "resilver"

    def nodes(found: Dict[str, Any]) -> Tuple[Node, ...]:
        return tuple(_node(child, resilvering) for child in found.values())

    roots = data.get("vdevs", {}).values()
    groups = [("data", tuple(node for root in roots for node in nodes(root.get("vdevs", {}))))]
    groups += [("cache" if key == "l2cache" else key, nodes(data[key])) for key in _GROUPS if data.get(key)]
    return PoolTree(
        name=name,
        guid=str(data["pool_guid"]),
        state=str(data["state"]),
        groups=tuple(groups),
        status=str(data.get("status", "")),
        action=str(data.get("action", "")),
        msgid=str(data.get("msgid", "")),
        errors=_number(data.get("error_count", 0)),
        scan=scan,
    )


def _node(data: Dict[str, Any], resilvering: bool) -> Node:
    name = str(data["name"])
    kind = str(data["vdev_type"])
    parity = _PARITY.match(name)
    return Node(
        name=name,
        kind="draid_spare" if kind == "dspare" else kind,
        state=str(data["state"]),
        guid=str(data.get("guid", "")),
        path=str(data.get("path", "")),
        parity=int(parity.group(1)) if parity and kind in ("raidz", "draid") else 0,
        read_errors=_number(data.get("read_errors", 0)),
        write_errors=_number(data.get("write_errors", 0)),
        checksum_errors=_number(data.get("checksum_errors", 0)),
        was=str(data.get("was", "")),
        note=str(data.get("aux", "")),
        phys_path=str(data.get("phys_path", "")),
        filling=bool(resilvering and data.get("scan_processed")) or bool(data.get("resilver_deferred")),
        put_off=bool(data.get("resilver_deferred")),
        children=tuple(_node(child, resilvering) for child in (data.get("vdevs") or {}).values()),
    )


def _scan(data: Dict[str, Any]) -> Scan:
    if not data:
        return Scan()
    return Scan(
        function=str(data.get("function", "none")).lower(),
        state=str(data.get("state", "none")).lower(),
        started=_number(data.get("start_time", 0)),
        ended=_number(data.get("end_time", 0)),
        examined=_number(data.get("examined", 0)),
        issued=_number(data.get("issued", 0)),
        # What a scrub skips is never issued, so the share done is issued to the rest.
        total=_number(data.get("to_examine", 0)) - _number(data.get("skipped", 0)),
        errors=_number(data.get("errors", 0)),
    )


def _number(value: Any) -> int:
    """An integer from a number or its text; C(-) (not yet known) is 0."""
    return 0 if value in ("-", None) else int(value)
