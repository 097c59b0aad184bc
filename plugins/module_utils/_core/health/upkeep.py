# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Which scrubs and self-tests to start now. Pure.

A timer runs this; what is due and allowed is started, the rest waits for a later run. What is due is read from the
pools and from the drives' own logs, so a reinstalled host continues where it was.

Rules: never two units of a drive at a time; at most `Upkeep.tests_at_a_time` drives of a vdev, and never all of them;
no self-test while a pool scrubs or resilvers, or a scrub is due; no scrub while a self-test runs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Dict, FrozenSet, Iterator, List, Mapping, Optional, Sequence, Set, Tuple

from ..model import Drive, Unit
from . import pool_metrics
from .config import Upkeep
from .metrics import Moment, health, up
from .smart import FAILING, UNSUPPORTED
from .snapshot import PoolReading, Snapshot, UnitReading, unit_key

RETRY = 86400.0  # a test that was started and has no result is not started again before this time
_DAY = 86400.0
_NO_READING = UnitReading()


@dataclass(frozen=True)
class Started:
    """A self-test that was started: the boot, moments on the boot clock and the wall clock, and its kind."""

    boot: str
    at: float
    wall: float
    kind: str


@dataclass(frozen=True)
class Start:
    """A self-test to start."""

    key: str
    name: str
    serial: str
    node: str
    wwn: str
    kind: str


@dataclass(frozen=True)
class Decision:
    """What to start now, and one sentence on each thing that waits."""

    tests: Tuple[Start, ...] = ()
    pools: Tuple[str, ...] = ()
    waiting: Tuple[str, ...] = ()


def scrubs(snapshot: Optional[Snapshot], upkeep: Upkeep, started: Mapping[str, Started], moment: Moment) -> Decision:
    """The pools to scrub now."""
    why = _not_now(snapshot, moment)
    if snapshot is None or why:
        return Decision(waiting=(why,))
    found: List[str] = []
    waiting: List[str] = []
    states = pool_metrics.states(snapshot, moment.at, True)
    for one in snapshot.pools:
        name = one.pool.name
        if not _scrub_due(one, upkeep, moment):
            waiting.append("Pool {0}: no scrub is due.".format(name))
        elif one.scan.running:
            waiting.append("Pool {0}: a {1} is running.".format(name, one.scan.function))
        elif states.get(name) not in ("online", "degraded"):
            waiting.append("Pool {0} is {1}.".format(name, states.get(name)))
        else:
            tested = sorted(_in_test(snapshot, started, moment) & _drives_of(one))
            if tested:
                waiting.append("Pool {0}: drives run a self-test ({1}).".format(name, ", ".join(tested)))
            else:
                found.append(name)
    return Decision(pools=tuple(found), waiting=tuple(waiting))


def tests(
    snapshot: Optional[Snapshot],
    upkeep: Upkeep,
    kind: str,
    started: Mapping[str, Started],
    moment: Moment,
) -> Decision:
    """The self-tests of *kind* (C(short) or C(long)) to start now. *started* are the latest starts by unit key."""
    why = _not_now(snapshot, moment) or (snapshot and _pools_forbid(snapshot, upkeep, moment)) or ""
    if snapshot is None or why:
        return Decision(waiting=(why,))
    limits = _Limits(snapshot, upkeep.tests_at_a_time)
    for serial in _in_test(snapshot, started, moment):
        limits.take(serial)
    found: List[Start] = []
    waiting: List[str] = []
    for drive, unit in _due(snapshot, upkeep, kind, started, moment):
        name = "{0}.{1}".format(drive.bay.label if drive.bay else drive.serial or drive.key, unit.index)
        if limits.allow(_name(drive)):
            limits.take(_name(drive))
            node = unit.paths[0].node if unit.paths else unit.node
            found.append(Start(unit_key(drive, unit), name, drive.serial, node, unit.wwn, kind))
        else:
            waiting.append("{0}: its drive or vdev already runs as many self-tests as allowed.".format(name))
    return Decision(tests=tuple(found), waiting=tuple(waiting))


def _not_now(snapshot: Optional[Snapshot], moment: Moment) -> str:
    """Why nothing may be started at all; empty when it may."""
    if snapshot is None or not up(snapshot, moment):
        return "The collector's readings are missing or outdated."
    if not pool_metrics.readable(snapshot, moment.at, True):
        return "The pools cannot be read."
    return ""


def _pools_forbid(snapshot: Snapshot, upkeep: Upkeep, moment: Moment) -> str:
    states = pool_metrics.states(snapshot, moment.at, True)
    for name, state in states.items():
        if state not in ("online", "degraded", pool_metrics.ABSENT):
            return "Pool {0} is {1}.".format(name, state)
    for one in snapshot.pools:
        if one.scan.running:
            return "Pool {0}: a {1} is running.".format(one.pool.name, one.scan.function)
        if _scrub_due(one, upkeep, moment):
            return "Pool {0}: a scrub is due and has priority.".format(one.pool.name)
    return ""


def _scrub_due(one: PoolReading, upkeep: Upkeep, moment: Moment) -> bool:
    if not upkeep.scrub_days:
        return False
    # A scrub that finished in the future means that the clock was set back: its time is not known.
    if one.last_scrub is None or one.last_scrub > moment.wall:
        return True
    return moment.wall - one.last_scrub >= upkeep.scrub_days * _DAY


def _name(drive: Drive) -> str:
    return drive.serial or drive.key


def _drives_of(one: PoolReading) -> Set[str]:
    return {member.serial for vdev in one.pool.vdevs for member in vdev.members if member.serial}


def _in_test(snapshot: Snapshot, started: Mapping[str, Started], moment: Moment) -> Set[str]:
    """The drives with a unit in self-test: as last read, or started since then."""
    found: Set[str] = set()
    for drive in snapshot.drives:
        for unit in drive.units:
            reading = snapshot.units.get(unit_key(drive, unit), _NO_READING)
            last = started.get(unit_key(drive, unit))
            # A reboot ends a self-test only if the drive lost power; the next reading shows it.
            read_at = reading.smart_tried if reading.asleep else reading.smart_at
            since = last is not None and last.boot == moment.boot and last.at >= read_at
            if since or (reading.smart is not None and reading.smart.self_test.result == "running"):
                found.add(_name(drive))
    return found


def _due(
    snapshot: Snapshot, upkeep: Upkeep, kind: str, started: Mapping[str, Started], moment: Moment
) -> Iterator[Tuple[Drive, Unit]]:
    """The units whose test is due: the longest overdue first, then in bay order."""
    days = upkeep.short_days if kind == "short" else upkeep.long_days
    if not days:
        return
    found: List[Tuple[float, int, int]] = []
    for number, drive in enumerate(snapshot.drives):
        # Ranges of one logical unit share its self-test: only the first is tested.
        asked: Set[str] = set()
        for place, unit in enumerate(drive.units):
            node = unit.paths[0].node if unit.paths else unit.node
            if not node or node in asked:
                continue
            asked.add(node)
            reading = snapshot.units.get(unit_key(drive, unit), _NO_READING)
            hours = _hours_since(reading, kind)
            if _may_test(snapshot, reading, moment) and hours >= days * 24:
                if not _tried_lately(started.get(unit_key(drive, unit)), moment):
                    found.append((-hours, number, place))
    for _hours, number, place in sorted(found):
        drive = snapshot.drives[number]
        yield drive, drive.units[place]


def _may_test(snapshot: Snapshot, reading: UnitReading, moment: Moment) -> bool:
    """False for units that are failing, asleep, not readable or without self-tests."""
    if reading.smart is None or reading.smart.self_test.result == "running":
        return False
    return health(snapshot, reading, moment.at, True) not in (FAILING, UNSUPPORTED, "asleep", "unknown")


def _hours_since(reading: UnitReading, kind: str) -> float:
    """Power-on hours since such a test last passed; a long one counts as a short one. Infinite for never."""
    if reading.smart is None:
        return 0.0
    ages = [
        test.ago
        for test in reading.smart.passed
        if test.ago is not None and (test.kind == kind or (kind == "short" and test.kind == "long"))
    ]
    return float(min(ages)) if ages else float("inf")


def _tried_lately(last: Optional[Started], moment: Moment) -> bool:
    if last is None:
        return False
    if last.boot == moment.boot:
        return moment.at - last.at < RETRY
    return 0 <= moment.wall - last.wall < RETRY


class _Limits:
    """How many drives of each group may be in test."""

    def __init__(self, snapshot: Snapshot, most: int) -> None:
        self._groups = _groups(snapshot)
        self._most = most
        self._taken: Set[str] = set()

    def allow(self, drive: str) -> bool:
        """Whether this drive may run a self-test in addition to those that do."""
        if drive in self._taken:
            return False
        for group in self._groups:
            if drive in group:
                # In a group of one, there is no other drive to keep free of tests.
                most = min(self._most, len(group) - 1) if len(group) > 1 else 1
                if len(group & self._taken) >= most:
                    return False
        return True

    def take(self, drive: str) -> None:
        """Count the drive as running a self-test."""
        self._taken.add(drive)


def _groups(snapshot: Snapshot) -> Sequence[FrozenSet[str]]:
    """The drives of each vdev (a cohort's vdevs hold the same drives), and those in no vdev as one group."""
    found: Dict[FrozenSet[str], None] = {}
    placed: Set[str] = set()
    for one in snapshot.pools:
        for vdev in one.pool.vdevs:
            group = frozenset(member.serial for member in vdev.members if member.serial)
            found[group] = None
            placed |= group
    found[frozenset(_name(drive) for drive in snapshot.drives) - placed] = None
    return tuple(found)
