# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""From a snapshot's pools to metric values. Pure.

A suspended pool may still list its members as ONLINE, and a pool whose reading hangs is not known: neither has margins
or serving members here.
"""

from __future__ import annotations

from typing import Dict, List, Optional, Set, Tuple

from ..identity.text import clean_text
from ..zfs.resolve import PoolMember
from .families import POOL_STATES, VDEV_STATES, Samples
from .snapshot import PoolReading, Snapshot, Space

NOT_SERVED = -1
SUSPENDED, ABSENT, UNKNOWN = "suspended", "absent", "unknown"


def readable(snapshot: Snapshot, now: float, current: bool) -> bool:
    """Whether the snapshot's pools are current."""
    source = snapshot.sources.get("pools")
    limit = snapshot.stale_after.get("pools", 0.0)
    return current and source is not None and not source.error and source.at > 0 and now - source.at <= limit


def states(snapshot: Snapshot, now: float, current: bool) -> Dict[str, str]:
    """The state of every pool that was read, is listed by the kernel, or is declared; by label."""
    known = readable(snapshot, now, current)
    found: Dict[str, str] = {}
    for one in snapshot.pools:
        state = SUSPENDED if one.pool.suspended else one.pool.state.lower()
        found[clean_text(one.pool.name)] = state if state in POOL_STATES else UNKNOWN
    for name in snapshot.states:
        found.setdefault(name, UNKNOWN)
    if snapshot.declared_pool:
        found.setdefault(clean_text(snapshot.declared_pool), ABSENT)
    if known:
        gone = {name for name in found if snapshot.states and name not in snapshot.states}
        return {
            name: SUSPENDED
            if snapshot.states.get(name) == SUSPENDED
            else ABSENT
            if name in gone and state != SUSPENDED
            else state
            for name, state in found.items()
        }
    # A suspended pool stays suspended until it is read again.
    return {
        name: SUSPENDED if SUSPENDED in (state, snapshot.states.get(name)) else UNKNOWN for name, state in found.items()
    }


def drive_margin(snapshot: Snapshot, serial: str, now: float, current: bool) -> Optional[int]:
    """The lowest margin of the vdevs that hold the drive's units, over all pools; None when it is in none."""
    by_label = states(snapshot, now, current)
    if not readable(snapshot, now, current):
        return None
    margins = [
        NOT_SERVED if by_label[clean_text(one.pool.name)] == SUSPENDED else one.drive_margins[serial]
        for one in snapshot.pools
        if serial in one.drive_margins
    ]
    return min(margins) if margins else None


def add(found: Samples, snapshot: Snapshot, now: float, wall: float, current: bool) -> None:
    """Add the values of all pools."""
    by_label = states(snapshot, now, current)
    known = readable(snapshot, now, current)
    enclosures: Dict[str, List[int]] = {}
    for name, state in by_label.items():
        found.add("pool_state", (name,), state)
        if state in (SUSPENDED, ABSENT):
            found.add("pool_margin", (name,), NOT_SERVED)
        if snapshot.scrub_every:
            found.add("pool_scrub_interval_seconds", (name,), snapshot.scrub_every)
    for one in snapshot.pools:
        name = clean_text(one.pool.name)
        serving = known and by_label[name] not in (SUSPENDED, ABSENT, UNKNOWN)
        _sizes(found, name, one)
        _scan(found, name, one, wall, known)
        _vdevs(found, name, one, serving)
        if serving:
            found.add("pool_margin", (name,), one.margin)
            _members(found, name, one)
        for enclosure, margin in one.enclosure_margins.items():
            if known:
                enclosures.setdefault(enclosure, []).append(margin if serving else NOT_SERVED)
    for enclosure, margins in enclosures.items():
        found.add("enclosure_margin", (clean_text(enclosure),), min(margins))


def _sizes(found: Samples, name: str, one: PoolReading) -> None:
    _space(found, "pool", (name,), one.space)
    found.add("pool_fragmentation_ratio", (name,), one.space.fragmentation)
    found.add("pool_data_errors", (name,), one.pool.errors)
    for vdev, space in one.vdev_space.items():
        _space(found, "vdev", (name, clean_text(vdev)), space)


def _space(found: Samples, of: str, labels: Tuple[str, ...], space: Space) -> None:
    if space.size:
        found.add(of + "_size_bytes", labels, space.size)
        found.add(of + "_allocated_bytes", labels, space.allocated)
        found.add(of + "_free_bytes", labels, space.free)


def _scan(found: Samples, name: str, one: PoolReading, wall: float, known: bool) -> None:
    scan = one.scan
    if known:
        for function in ("scrub", "resilver"):
            running = scan.running and scan.function == function
            found.add("pool_scan_running", (name, function), int(running))
            if running:
                found.add("pool_scan_progress_ratio", (name, function), scan.progress)
    if scan.function in ("scrub", "resilver"):
        found.add("pool_scan_started_timestamp_seconds", (name, scan.function), scan.started)
        found.add("pool_scan_errors", (name, scan.function), scan.errors)
    # A scrub that finished after now means that the clock was set back: its age is not known.
    if one.last_scrub is not None and one.last_scrub <= wall:
        found.add("pool_scrub_age_seconds", (name,), wall - one.last_scrub)


def _vdevs(found: Samples, name: str, one: PoolReading, serving: bool) -> None:
    for vdev in one.pool.vdevs:
        if vdev.group in ("cache",):
            continue
        labels = (name, clean_text(vdev.name))
        state = vdev.state.lower()
        found.add("vdev_state", labels, state if serving and state in VDEV_STATES else UNKNOWN)
        found.add("vdev_members", labels, len(vdev.slots))
        if serving:
            found.add("vdev_members_lost", labels, vdev.lost)
            found.add("vdev_margin", labels, one.vdev_margins.get(vdev.name))
            found.add("vdev_sibling_drives", labels, one.siblings.get(vdev.name, 0))


def _members(found: Samples, name: str, one: PoolReading) -> None:
    used: Set[Tuple[str, ...]] = set()
    for vdev in one.pool.vdevs:
        for member in vdev.members:
            labels = (name, clean_text(vdev.name)) + _member_labels(member)
            if labels in used:
                labels = labels[:2] + (clean_text("{0}-{1}".format(member.name, member.guid)),) + labels[3:]
            used.add(labels)
            found.add("member_serving", labels, int(member.serving))
            for kind, count in (
                ("read", member.read_errors),
                ("write", member.write_errors),
                ("checksum", member.checksum_errors),
            ):
                found.add("member_errors", labels + (kind,), count)


def _member_labels(member: PoolMember) -> Tuple[str, str, str, str]:
    unit = "" if member.index < 0 else str(member.index)
    return clean_text(member.name), member.bay, member.serial, unit
