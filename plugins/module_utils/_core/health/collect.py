# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The collector: takes each reading when it is due, and publishes at every interval what it knows.

Nothing here waits for a device or a pool. A reading that may hang is a job (see `jobs`); one that times out counts as
failed, its last good value stays, and everything else continues. The block layer's counters are read here directly:
they are numbers in memory.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass, replace
from typing import Any, Callable, Dict, List, Mapping, Optional, Protocol, Sequence, Tuple

from .. import checked, onhost
from ..declared import DeclaredDrive
from ..errors import CoreError, DecodeError
from ..host.sysfs import names_in, read_text
from ..model import Drive, Finding, Unit
from ..plain import from_plain
from . import smart
from .blockstat import read_stat
from .config import Config
from .jobs import Ended, Work
from .skew import History, skews
from .snapshot import PoolReading, Snapshot, Source, UnitReading, unit_key

CLASS_BLOCK = "/sys/class/block"
PATIENCE = 2.0  # a reading this old no longer keeps others from starting
LEAST_RETRY = 60.0
MOST_OUTPUT = 16 << 20


class Worker(Protocol):
    """Runs jobs: see `jobs.Jobs`."""

    @property
    def stuck(self) -> Tuple[str, ...]: ...

    def start(self, name: str, work: Work, seconds: float, most: int = ...) -> bool: ...

    def busy(self, name: str) -> bool: ...

    def under_way(self, younger_than: float = ...) -> Tuple[str, ...]: ...

    def poll(self, seconds: float) -> List[Ended]: ...


class Readers(Protocol):
    """Makes the work of a job that reads the host; its output is lines of JSON (see `readers`)."""

    def drives(self, inventory: Optional[onhost.Inventory]) -> Work: ...

    def pools(self, drives: Sequence[Drive], declared: Sequence[DeclaredDrive]) -> Work: ...

    def states(self) -> Work: ...


@dataclass
class _Target:
    """A logical unit that smartctl can read: its node, the units on it, and when it is due."""

    node: str
    drive: str
    wwn: str
    serial: str
    units: Tuple[str, ...]
    due: float = 0.0
    failures: int = 0


class Collector:
    """Keeps the readings of one host. *clock* is the boot clock, *wall* the wall clock."""

    def __init__(
        self,
        config: Config,
        worker: Worker,
        readers: Readers,
        boot: str,
        clock: Callable[[], float],
        wall: Callable[[], float],
        scrubs: Optional[Mapping[str, int]] = None,
        class_block: str = CLASS_BLOCK,
    ) -> None:
        self._config = config
        self._worker = worker
        self._readers = readers
        self._boot = boot
        self._clock = clock
        self._wall = wall
        self._class_block = class_block
        self._drives: Tuple[Drive, ...] = ()
        self._findings: Tuple[Finding, ...] = ()
        self._inventory: Optional[onhost.Inventory] = None
        self._inventory_error = ""
        self._checked: Optional[checked.Checked] = None
        self._pools: Tuple[PoolReading, ...] = ()
        self._states: Dict[str, str] = {}
        self._units: Dict[str, UnitReading] = {}
        self._sources = {"drives": Source(), "pools": Source()}
        self._failures: Dict[str, int] = {}
        self._targets: Dict[str, _Target] = {}
        self._history = History()
        self._devices: Tuple[str, ...] = ()
        self._drives_due = 0.0
        self._pools_due = 0.0
        self._io_due = 0.0
        self.scrubs: Dict[str, int] = dict(scrubs or {})

    def step(self, seconds: float) -> None:
        """Start what is due and take what ended, waiting at most *seconds*."""
        self._start_due()
        for ended in self._worker.poll(seconds):
            self._take(ended)

    def snapshot(self) -> Snapshot:
        """What the collector knows now."""
        return Snapshot(
            boot=self._boot,
            at=self._clock(),
            wall=self._wall(),
            interval=self._config.interval_seconds,
            stale_after=self._config.stale_after,
            drives=self._drives,
            findings=self._findings,
            checked=self._checked,
            declared=self._inventory.drives if self._inventory else None,
            declared_pool=self._inventory.pool_name if self._inventory else "",
            declared_error=self._inventory_error,
            scrub_every=self._config.upkeep.scrub_days * 86400,
            pools=tuple(replace(one, last_scrub=self.scrubs.get(one.pool.guid, one.last_scrub)) for one in self._pools),
            states=dict(self._states),
            units=dict(self._units),
            sources=dict(self._sources),
            failures=dict(self._failures),
            stuck=self._stuck(),
        )

    def restore(self, old: Snapshot) -> None:
        """Start with the last good values of an earlier collector of this boot; they keep their age."""
        if old.boot == self._boot and old.at <= self._clock():
            self._drives, self._findings, self._pools = old.drives, old.findings, old.pools
            self._units = dict(old.units)
            self._sources = dict(self._sources, **old.sources)
            self._aim()

    def _stuck(self) -> Dict[str, int]:
        counts = dict.fromkeys(("drives", "pools", "smart"), 0)
        for name in self._worker.stuck:
            source = name.partition(":")[0]
            counts["pools" if source == "states" else source] += 1
        return counts

    def _start_due(self) -> None:
        now = self._clock()
        if now >= self._io_due:
            self._io_due = now + self._config.interval_seconds
            self._read_inventory()
            self._read_checked()
            self._read_io(now)
        devices = names_in(self._class_block)
        if now >= self._drives_due or devices != self._devices:
            work = self._readers.drives(self._inventory)
            if self._worker.start("drives", work, self._config.drives_timeout_seconds, MOST_OUTPUT):
                self._devices = devices
                self._drives_due = now + self._config.drives_interval_seconds
        if now >= self._pools_due and self._sources["drives"].tried:
            declared = self._inventory.drives if self._inventory else ()
            work = self._readers.pools(self._drives, declared)
            if self._worker.start("pools", work, self._config.pools_timeout_seconds, MOST_OUTPUT):
                self._pools_due = now + self._config.interval_seconds
            elif "pools" in self._worker.stuck:
                self._note("pools", "Stuck in the kernel since an earlier reading.", "stuck")
                # The kernel's own counters can still be read.
                self._worker.start("states", self._readers.states(), self._config.pools_timeout_seconds)
                self._pools_due = now + self._config.interval_seconds
        self._start_smart(now)

    def _read_inventory(self) -> None:
        try:
            self._inventory, self._inventory_error = onhost.read(self._config.inventory), ""
        except CoreError as error:
            # The last good one stays in use, and the metrics show that it is not current.
            if not self._inventory_error:
                self._count("inventory", "invalid")
            self._inventory_error = str(error)

    def _read_checked(self) -> None:
        try:
            self._checked = checked.read(self._config.checked)
        except CoreError:
            # The last good one stays in use; the metrics show its age.
            self._count("drift", "invalid")

    def _read_io(self, now: float) -> None:
        for drive in self._drives:
            nodes = [unit.node for unit in drive.units]
            for unit in drive.units:
                # Two ranges of a drive without partitions share one device: its counters belong to neither.
                if unit.node and nodes.count(unit.node) == 1:
                    self._read_unit_io(unit_key(drive, unit), unit, now)
        for drive in self._drives:
            self._compare(drive)

    def _read_unit_io(self, key: str, unit: Unit, now: float) -> None:
        text = read_text("{0}/{1}/stat".format(self._class_block, os.path.basename(unit.node)))
        if not text:
            return
        try:
            stat = read_stat(text)
        except DecodeError:
            self._count("io", "output")
            return
        self._units[key] = replace(self._units.get(key, UnitReading()), io=stat, io_at=now)
        self._history.add(key, now, stat)

    def _compare(self, drive: Drive) -> None:
        keys = [unit_key(drive, unit) for unit in drive.units]
        readings = [self._units.get(key, UnitReading()) for key in keys]
        places = [reading.smart.bad_places if reading.smart else None for reading in readings]
        for key, reading, skew in zip(keys, readings, skews([self._history.load(key) for key in keys], places)):
            self._units[key] = replace(reading, skew=skew)

    def _start_smart(self, now: float) -> None:
        due = sorted((target.due, name) for name, target in self._targets.items() if target.due <= now)
        busy = [name for name in self._worker.under_way(PATIENCE) if name.startswith("smart:")]
        drives = {self._targets[name[6:]].drive for name in busy if name[6:] in self._targets}
        free = self._config.smart_at_a_time - len(busy)
        for _due, name in due:
            target = self._targets[name]
            if free <= 0:
                return
            if target.drive in drives:
                continue
            target.due = now + self._pause(target)
            argv = smart.argv(target.node, self._config.smartctl)
            if self._worker.start("smart:" + name, argv, self._config.smart_timeout_seconds):
                drives.add(target.drive)
                free -= 1
            else:
                self._fail_smart(name, "stuck", "Stuck in the kernel since an earlier reading.")

    def _pause(self, target: _Target) -> float:
        """Seconds until the next reading: sooner after a failure, then more and more rarely again."""
        return (
            min(self._config.smart_interval_seconds, LEAST_RETRY * 2**target.failures)
            if target.failures
            else (self._config.smart_interval_seconds)
        )

    def _take(self, ended: Ended) -> None:
        name, _colon, rest = ended.name.partition(":")
        if name == "smart":
            self._take_smart(rest, ended)
            return
        # The kernel's own states of pools come first, so they arrive even when the rest hangs.
        for line in ended.output.split(b"\n"):
            try:
                read = json.loads(line) if line.strip() else {}
            except ValueError:
                continue
            if isinstance(read, dict) and "states" in read:
                self._states = dict(read["states"])
        if name == "states":
            return
        if ended.status != "done" or ended.rc != 0:
            self._note(name, _why(ended), ended.status if ended.status != "done" else "crash")
            return
        try:
            read = json.loads(ended.output.rstrip(b"\n").rpartition(b"\n")[2])
            if "error" in read:
                self._note(name, str(read["error"]), "error")
                return
            {"drives": self._take_drives, "pools": self._take_pools}[name](read)
        except (ValueError, KeyError, TypeError, CoreError) as error:
            self._note(name, "The reading is damaged: {0}".format(error), "output")
            return
        now = self._clock()
        self._sources[name] = Source(at=now, tried=now)

    def _take_drives(self, read: Mapping[str, Any]) -> None:
        self._drives = from_plain(_Drives, {"drives": read["drives"]}).drives
        self._findings = from_plain(_Findings, {"findings": read["findings"]}).findings
        self._aim()
        self._io_due = 0.0

    def _take_pools(self, read: Mapping[str, Any]) -> None:
        self._pools = from_plain(_Pools, {"pools": read["pools"]}).pools
        for one in self._pools:
            if one.last_scrub is not None:
                self.scrubs[one.pool.guid] = one.last_scrub

    def _note(self, source: str, error: str, reason: str) -> None:
        if source == "drives":
            self._drives_due = min(self._drives_due, self._clock() + LEAST_RETRY)
        self._sources[source] = replace(self._sources[source], tried=self._clock(), error=error)
        self._count(source, reason)

    def _count(self, source: str, reason: str) -> None:
        key = "{0}/{1}".format(source, reason)
        self._failures[key] = self._failures.get(key, 0) + 1

    def _aim(self) -> None:
        """Update the targets of smartctl, and what is remembered, to the drives found."""
        targets: Dict[str, _Target] = {}
        for drive in self._drives:
            for node, units in _devices_of(drive).items():
                name = "{0}/{1}".format(drive.key, units[0].wwn or node)
                keys = tuple(unit_key(drive, unit) for unit in units)
                known = self._targets.get(name)
                fresh = _Target(node, drive.key, units[0].wwn, drive.serial, keys)
                if known is not None:
                    fresh.due, fresh.failures = known.due, known.failures
                targets[name] = fresh
        self._targets = targets
        here = [key for target in targets.values() for key in target.units]
        self._units = {key: self._units[key] for key in here if key in self._units}
        self._history.keep_only(here)

    def _take_smart(self, name: str, ended: Ended) -> None:
        target = self._targets.get(name)
        if target is None:
            return
        if ended.status != "done":
            self._fail_smart(name, ended.status, _why(ended))
            return
        if ended.rc < 0:
            self._fail_smart(name, "crash", _why(ended))
            return
        try:
            reading = smart.read(ended.output.decode("utf-8", "replace"), target.wwn, target.serial)
        except smart.SmartError as error:
            self._fail_smart(name, error.code, str(error))
            return
        now = self._clock()
        target.failures = 0
        for key in target.units:
            old = self._units.get(key, UnitReading())
            if reading.verdict == smart.ASLEEP:
                self._units[key] = replace(old, smart_tried=now, smart_error="", asleep=True)
            else:
                self._units[key] = replace(
                    old, smart=reading, smart_at=now - ended.seconds, smart_tried=now, smart_error="", asleep=False
                )

    def _fail_smart(self, name: str, reason: str, error: str) -> None:
        target = self._targets[name]
        target.failures = min(target.failures + 1, 10)
        now = self._clock()
        target.due = now + self._pause(target)
        self._count("smart", reason)
        for key in target.units:
            old = self._units.get(key, UnitReading())
            self._units[key] = replace(old, smart_tried=now, smart_error=error, asleep=False)


def _devices_of(drive: Drive) -> Dict[str, List[Unit]]:
    """The devices that smartctl reads, by node, each with its units: ranges share one."""
    found: Dict[str, List[Unit]] = {}
    for unit in drive.units:
        node = unit.paths[0].node if unit.paths else unit.node
        if node:
            found.setdefault(node, []).append(unit)
    return found


def _why(ended: Ended) -> str:
    if ended.status == "timeout":
        return "No answer within {0:.0f} seconds.".format(ended.seconds)
    if ended.status == "flood":
        return "More output than is allowed."
    if ended.rc < 0:
        return "Ended by signal {0}.".format(-ended.rc)
    return "Ended with code {0}.".format(ended.rc)


@dataclass(frozen=True)
class _Drives:
    drives: Tuple[Drive, ...]


@dataclass(frozen=True)
class _Findings:
    findings: Tuple[Finding, ...]


@dataclass(frozen=True)
class _Pools:
    pools: Tuple[PoolReading, ...]
