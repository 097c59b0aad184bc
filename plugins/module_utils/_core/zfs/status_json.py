# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Reads C(zpool status -j -P --json-int) (OpenZFS 2.3 and later).

Shape: cmd/zpool/zpool_main.c of OpenZFS 2.3; the sample in the manual differs from what the
program prints, so the tests use output captured from real pools.
"""

from __future__ import annotations

import json
from typing import Any, Dict, List, Tuple

from ..errors import DecodeError
from .tree import STAND_INS, UNKNOWN_KIND, UNKNOWN_STATE, Node, PoolTree, Scan, kind_of, unfinished, without_echo

ARGV = ("zpool", "status", "-j", "-P", "--json-int")

_GROUPS = ("special", "dedup", "logs", "l2cache", "spares")
# JSON has the kernel's names of states (vdev_state_t). The text form, whose words this library uses, translates them
# (zpool_state_to_name of libzfs; compared with both outputs of real pools in tests/data/zpool). Others are the same.
_STATES = {"CLOSED": "OFFLINE", "HEALTHY": "ONLINE"}
_CANT_OPEN = {"CORRUPT_DATA": "FAULTED", "BAD_LOG": "FAULTED", "SPLIT_POOL": "SPLIT"}
# These are groups of devices, never a device.
_GROUPED = ("raidz", "mirror", "draid", "replacing", "spare")
_KINDS = {"dspare": "draid_spare"}
# Sequential resilvers ("rebuild" in JSON) of single vdevs are in scan_stats, besides the pool's last scan.
_REBUILT = ("CANCELED", "COMPLETE", "NONE")
_REBUILDS = {"ACTIVE": "scanning", "CANCELED": "canceled", "COMPLETE": "finished", "NONE": "none"}
_COUNTERS = ("read_errors", "write_errors", "checksum_errors")


def read(text: str) -> Tuple[PoolTree, ...]:
    """All pools in the output, by name. Raises DecodeError when it is not the documented form.

    A node whose kind or state is left out (OpenZFS issue 18431: 2.3.2 leaves both out for dRAID) has C(unknown) and
    C(UNKNOWN) there, unless its name spells the kind; see `PoolTree.complete`.
    """
    try:
        data = json.loads(text)
    except (ValueError, RecursionError) as exc:
        raise DecodeError("zpool status printed no JSON: {0}".format(exc)) from exc
    try:
        pools = data["pools"]
        return tuple(_pool(name, pools[name]) for name in sorted(pools))
    except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError, RecursionError) as exc:
        raise DecodeError("zpool status printed JSON of an unknown form: {0!r}".format(exc)) from exc


def fit(text: str) -> bool:
    """Whether this output can be read and has kind and state of every node; if not, the text form must be read."""
    try:
        return all(tree.complete for tree in read(text))
    except DecodeError:
        return False


def state_word(state: str, aux: str = "") -> str:
    """The word that C(zpool status) prints in text for a state in JSON; an unknown one stays as it is."""
    return _CANT_OPEN.get(aux, "UNAVAIL") if state == "CANT_OPEN" else _STATES.get(state, state)


def _pool(name: str, data: Dict[str, Any]) -> PoolTree:
    stats = data.get("scan_stats") or {}
    scan, rebuilds = _scan(stats), stats.get("rebuild_stats") or {}
    resilvering = scan.running and scan.function == "resilver"
    rebuilt = [key for key, one in rebuilds.items() if one.get("state") not in _REBUILT]
    cut_off = [key for key, one in rebuilds.items() if _cut_off(_rebuild(one), scan)]

    def nodes(found: Dict[str, Any], spare: bool = False) -> Tuple[Node, ...]:
        tops = [_node(key, child, resilvering, spare) for key, child in found.items()]
        tops = [_rebuilding(top) if top.name in rebuilt else top for top in tops]
        return tuple(without_echo(unfinished(top) if top.name in cut_off else top) for top in tops)

    groups = [("data", tuple(node for root in data["vdevs"].values() for node in nodes(root["vdevs"])))]
    if not groups[0][1]:
        raise ValueError("pool {0} without vdevs".format(name))
    groups += [
        ("cache" if key == "l2cache" else key, nodes(data[key], key == "spares")) for key in _GROUPS if data.get(key)
    ]
    return PoolTree(
        name=str(data.get("name", name)),
        guid=str(data["pool_guid"]),
        state=state_word(_text(data["state"])),
        groups=tuple(groups),
        status=_words(data, "status"),
        action=_words(data, "action"),
        msgid=str(data.get("msgid", "")),
        errors=_number(data.get("error_count", 0)),
        scan=_latest(scan, [_rebuild(one) for one in rebuilds.values()]),
    )


def _rebuilding(top: Node) -> Node:
    """A vdev in a sequential resilver. JSON does not say which of its members resilver: those that stand in do."""
    if not any(child.kind in STAND_INS for child in top.children):
        raise ValueError("{0} is resilvering sequentially, but the output does not say which members".format(top.name))
    return unfinished(top)


def _node(key: str, data: Dict[str, Any], resilvering: bool, spare: bool = False) -> Node:
    name = str(data.get("name", key))
    kind, parity = _kind(name, data)
    children = tuple(_node(inner, child, resilvering) for inner, child in (data.get("vdevs") or {}).items())
    if kind in _GROUPED and not children:
        raise ValueError("{0} without members".format(name))
    if not children and kind != "draid_spare":
        _require(name, data, ("guid",) if spare else ("guid", *_COUNTERS))
    return Node(
        name=name,
        kind=kind,
        state=_state(kind, data),
        # OpenZFS looks a stand-in up by its name, and two vdevs may have a spare-5: 2.3.9 printed one GUID for both.
        guid="" if kind in STAND_INS else str(data.get("guid", "")),
        path=_path(name, kind, data),
        parity=parity,
        read_errors=_number(data.get("read_errors", 0)),
        write_errors=_number(data.get("write_errors", 0)),
        checksum_errors=_number(data.get("checksum_errors", 0)),
        was=str(data.get("was", "")),
        note=str(data.get("aux", "")),
        phys_path=str(data.get("phys_path", "")),
        resilvering=bool(resilvering and data.get("scan_processed")) or bool(data.get("resilver_deferred")),
        put_off=bool(data.get("resilver_deferred")),
        children=children,
    )


def _path(name: str, kind: str, data: Dict[str, Any]) -> str:
    """The device as OpenZFS stores it; its name is the same (C(-P)), unless the device is missing."""
    spelled = name if name.startswith("/") else data.get("was", "")
    return "" if kind == "draid_spare" else str(data.get("path", spelled))


def _kind(name: str, data: Dict[str, Any]) -> Tuple[str, int]:
    """Kind and parity of a node: as printed, else as its name or its path spells them."""
    spelled, parity = kind_of(name)
    printed = str(data.get("vdev_type", ""))
    if printed:
        return (_KINDS.get(printed, printed), parity if printed in ("raidz", "draid") else 0)
    if spelled:
        return (spelled, parity)
    device = not data.get("vdevs") and str(data.get("path", name)).startswith("/dev/")
    return ("disk" if device else UNKNOWN_KIND, 0)


def _state(kind: str, data: Dict[str, Any]) -> str:
    if kind == UNKNOWN_KIND or "state" not in data or (kind == "draid_spare" and "guid" not in data):
        return UNKNOWN_STATE
    return state_word(_text(data["state"]), str(data.get("aux", "")))


def _require(name: str, data: Dict[str, Any], keys: Tuple[str, ...]) -> None:
    missing = [key for key in keys if key not in data]
    if missing:
        raise ValueError("{0} without {1}".format(name, ", ".join(missing)))


def _text(value: Any) -> str:
    """A word, or UNKNOWN when there is none."""
    return value if isinstance(value, str) and value else UNKNOWN_STATE


def _words(data: Dict[str, Any], key: str) -> str:
    return " ".join(str(data.get(key, "")).split())


def _scan(data: Dict[str, Any]) -> Scan:
    if not data:
        return Scan()
    return Scan(
        function=str(data["function"]).lower(),
        state=str(data["state"]).lower(),
        started=_number(data.get("start_time", 0)),
        ended=_number(data.get("end_time", 0)),
        examined=_number(data.get("examined", 0)),
        issued=_number(data.get("issued", 0)),
        # What a scrub skips is never issued, so the share done is issued divided by the rest.
        total=_number(data.get("to_examine", 0)) - _number(data.get("skipped", 0)),
        errors=_number(data.get("errors", 0)),
    )


def _rebuild(data: Dict[str, Any]) -> Scan:
    """A sequential resilver of one vdev, which OpenZFS's code calls a rebuild (vdev_rebuild_stat_t)."""
    return Scan(
        function="resilver",
        state=_REBUILDS.get(str(data.get("state", "")), "unknown"),
        started=_number(data.get("start_time", 0)),
        ended=_number(data.get("end_time", 0)),
        examined=_number(data.get("scanned", 0)),
        issued=_number(data.get("issued", 0)),
        total=_number(data.get("to_scan", 0)),
        errors=_number(data.get("errors", 0)),
    )


def _cut_off(rebuild: Scan, scan: Scan) -> bool:
    """Whether a sequential resilver was canceled and no full scan since has restored the rest."""
    made_good = scan.state == "finished" and scan.started >= rebuild.ended
    return rebuild.state == "canceled" and not made_good


def _latest(scan: Scan, rebuilds: List[Scan]) -> Scan:
    """The scan that counts, as in `status_text`: what is running, the least done first; else a scrub; else the last."""
    running = [one for one in [scan, *rebuilds] if one.running]
    if running:
        return min(running, key=lambda one: (one.function != "resilver", one.issued / one.total if one.total else 0.0))
    if scan.function == "scrub" or not rebuilds:
        return scan
    return max([scan, *rebuilds], key=lambda one: one.ended)


def _number(value: Any) -> int:
    """An integer from a number or its text; C(-) (not yet known) is 0."""
    return 0 if value in ("-", None) else int(value)
