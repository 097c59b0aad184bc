# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Findings on pools themselves: state, members, errors, scrubs, features, properties. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Dict, List, Mapping, Optional, Sequence, Tuple

from ..model import Finding
from ..plain import amount
from ..zfs.build import same_setting, setting_text
from ..zfs.report import members
from ..zfs.resolve import Pool, PoolMember
from ..zfs.tree import SERVING, Scan
from .codes import note

DAY = 86400
# A scrub is overdue after this many times its declared interval; the alert rules use the same factor.
OVERDUE = 1.25
_STABLE = ("/dev/disk/by-vdev/", "/dev/disk/by-id/", "/dev/disk/by-path/", "/dev/mapper/")


@dataclass(frozen=True)
class Wishes:
    """What is declared for a pool. *scrub_days* 0: no scrubs are expected; *features*: C(all) or names."""

    scrub_days: float = 0
    features: Tuple[str, ...] = ()
    pool_settings: Mapping[str, object] = field(default_factory=dict)
    root_settings: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class State:
    """A pool apart from its members: the last scan, when a scrub last finished (seconds), and its properties.

    *root* has C(creation) in seconds (C(zfs get -p)).
    """

    scan: Scan
    last_scrub: Optional[float] = None
    properties: Mapping[str, str] = field(default_factory=dict)
    root: Mapping[str, str] = field(default_factory=dict)


def pool_findings(pool: Pool, state: State, wishes: Wishes, now: float) -> List[Finding]:
    """All findings on one imported pool, at *now* (wall-clock seconds)."""
    about = "pool {0}".format(pool.name)
    found = _state(pool, about)
    for member in members(pool):
        found += _member(pool, member, about)
    if pool.errors:
        found.append(note("data_errors", "damaged blocks or files: {0}".format(pool.errors), "none", about=about))
    found += _scan(state, about)
    if not pool.suspended:
        found += _scrub(state, wishes, about, now)
    found += _features(state, wishes, about)
    found += _properties(wishes.pool_settings, state.properties, about)
    found += _properties(wishes.root_settings, state.root, "{0}, root dataset".format(about))
    return found


def _state(pool: Pool, about: str) -> List[Finding]:
    if pool.suspended:
        return [note("pool_suspended", pool.status or "SUSPENDED", "ONLINE", about=about)]
    found = [
        note("pool_degraded", vdev.state, "ONLINE", "warning", about="{0}, {1}".format(about, vdev.name))
        for vdev in pool.vdevs
        if vdev.state not in SERVING and len(vdev.members) > 1
    ]
    if pool.state != "ONLINE":
        severity = "warning" if pool.state in SERVING else "error"
        found.append(note("pool_degraded", pool.state, "ONLINE", severity, about=about))
    return found


def _member(pool: Pool, member: PoolMember, about: str) -> List[Finding]:
    # A member that cannot be traced to a drive is shown under the pool's own name for it.
    place: Dict[str, Any] = {
        "serial": member.serial,
        "bay": member.bay,
        "index": member.index if member.serial else None,
        "about": about if member.serial else "{0}, {1}".format(about, member.name),
    }
    found: List[Finding] = []
    spare = member.role == "spare"
    if member in pool.spares and member.state == "INUSE":
        found.append(note("spare_in_use", "in use", "idle spare", **place))
    if member.state not in SERVING:
        severity = "warning" if member.state == "OFFLINE" else "error"
        found.append(note("member_failed", member.state, "AVAIL" if spare else "ONLINE", severity, **place))
    counts = (member.read_errors, member.write_errors, member.checksum_errors)
    if any(counts):
        words = "{0} read, {1} write, {2} checksum errors".format(*counts)
        found.append(note("member_errors", words, "none", **place))
    if member.path.startswith("/dev/") and not member.path.startswith(_STABLE):
        found.append(note("member_path", member.path, "a stable name", **place))
    return found


def _scan(state: State, about: str) -> List[Finding]:
    scan = state.scan
    found: List[Finding] = []
    if scan.function == "resilver" and scan.running:
        found.append(note("resilver_running", "a resilver is running", "none", about=about))
    if scan.function == "scrub" and not scan.running and scan.errors:
        found.append(note("scrub_errors", amount(scan.errors, "error") + " not repaired", "none", about=about))
    return found


def _scrub(state: State, wishes: Wishes, about: str, now: float) -> List[Finding]:
    if not wishes.scrub_days or (state.scan.function == "scrub" and state.scan.running):
        return []
    limit = wishes.scrub_days * OVERDUE
    declared = "every {0:g} days, overdue after {1:g}".format(wishes.scrub_days, limit)
    if state.last_scrub is None:
        if 0 <= now - _seconds(state.root.get("creation", "")) <= limit * DAY:
            return []
        return [note("scrub_old", "no finished scrub is known", declared, about=about)]
    days = (now - state.last_scrub) / DAY
    if days <= limit:
        return []
    return [note("scrub_old", "the last scrub finished {0:.1f} days ago".format(days), declared, about=about)]


def _seconds(text: str) -> float:
    """A time in seconds; 0, which is before any pool was created, where there is none."""
    return float(text) if text.isdecimal() else 0.0


def enabled_features(properties: Mapping[str, str]) -> Dict[str, bool]:
    """Pool features by name and whether they are enabled, from a pool's properties."""
    return {
        name.partition("@")[2]: value in ("enabled", "active")
        for name, value in properties.items()
        if name.startswith("feature@")
    }


def _features(state: State, wishes: Wishes, about: str) -> List[Finding]:
    known = enabled_features(state.properties)
    if not known or not wishes.features:
        return []
    wanted = sorted(known) if "all" in wishes.features else list(wishes.features)
    off = [name for name in wanted if not known.get(name, False)]
    if not off:
        return []
    declared = "all enabled" if "all" in wishes.features else "enabled: {0}".format(", ".join(wanted))
    return [note("features_disabled", "not enabled: {0}".format(", ".join(off)), declared, about=about)]


def _properties(wanted: Mapping[str, object], there: Mapping[str, str], about: str) -> List[Finding]:
    found = []
    for name, value in sorted(wanted.items()):
        text = "" if value is None else setting_text(value)
        if value is not None and name in there and not same_setting(text, there[name]):
            declared = "{0}={1}".format(name, text)
            actual = "{0}={1}".format(name, there[name])
            found.append(note("property_differs", actual, declared, about="{0}, {1}".format(about, name)))
    return found


def absent_findings(
    name: str, imported: Sequence[Pool], states: Mapping[str, str], unreadable: str, serials: Sequence[str]
) -> List[Finding]:
    """Findings on a declared pool (empty name: none) that is not imported, on other pools with declared drives, and
    on OpenZFS's tools when they do not answer.

    *states* are the pools' states as the kernel reports them; *unreadable* says why OpenZFS's tools gave no answer.
    """
    found: List[Finding] = []
    suspended = sorted(one for one, state in states.items() if state == "SUSPENDED")
    known = {pool.name for pool in imported}
    for one in suspended:
        if one not in known:
            found.append(note("pool_suspended", "SUSPENDED", "ONLINE", about="pool {0}".format(one)))
    if unreadable and not suspended:
        found.append(note("pool_unreadable", unreadable, "an answer", about="OpenZFS"))
    elif name and name not in known and name not in states:
        others = ", ".join(sorted(known)) or "none"
        found.append(note("pool_missing", "imported: {0}".format(others), "imported", about="pool {0}".format(name)))
    ours = set(serials)
    for pool in imported:
        if name and pool.name != name and any(member.serial in ours for member in members(pool)):
            about = "pool {0}".format(pool.name)
            found.append(note("pool_undeclared", "imported, uses declared drives", "no such pool", about=about))
    return found
