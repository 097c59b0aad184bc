# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""From a snapshot to metric values. Pure.

The rule throughout: what is not known now never reads as healthy. When the collector, a pool or a drive stops
answering, counters and sizes keep their last good value and have an age, states become C(unknown), and margins
disappear. A bad state stays until a better one is known.
"""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from dataclasses import dataclass
from typing import Dict, List, Mapping, Optional, Sequence, Tuple

from ..checked import together
from ..declared import DeclaredDrive
from ..identity.text import clean_text
from ..model import Drive, Unit
from . import pool_metrics
from .families import Samples
from .skew import Skew
from .smart import FAILING, SmartReading
from .snapshot import Snapshot, UnitReading, unit_key

MOST_FINDINGS = 500
LONGEST_ABOUT = 128
# Names of pools, vdevs, services and files stay as they are; other characters are replaced as in `clean`.
_FORBIDDEN = re.compile("[^A-Za-z0-9 _.:,/@-]")
RUNS_MISSED = 2.5  # a drift run that is older than this many intervals no longer counts as current
_NO_READING = UnitReading()


@dataclass(frozen=True)
class Moment:
    """Now: seconds on the boot clock, wall-clock seconds, and the running boot."""

    boot: str
    at: float
    wall: float


def up(snapshot: Snapshot, moment: Moment) -> bool:
    """Whether the snapshot is of this boot and not older than it may get."""
    limit = snapshot.stale_after.get("snapshot", 4 * snapshot.interval)
    return snapshot.boot == moment.boot and 0 <= moment.at - snapshot.at <= limit


def samples(snapshot: Optional[Snapshot], moment: Moment, version: str) -> Samples:
    """All values at *moment*; without a usable snapshot only the value that the collector is not up."""
    found = Samples()
    found.add("build", (version,), 1)
    if snapshot is None or snapshot.boot != moment.boot:
        found.add("collector_up", (), 0)
        return found
    current = up(snapshot, moment)
    found.add("collector_up", (), int(current))
    found.add("snapshot_age_seconds", (), max(moment.at - snapshot.at, 0.0))
    found.add("snapshot_timestamp_seconds", (), snapshot.wall)
    _sources(found, snapshot, moment, current)
    serials = serial_labels(snapshot)
    for drive in snapshot.drives:
        _drive(found, snapshot, moment, drive, serials[drive.key], current)
    _missing(found, snapshot, current)
    if current:
        _findings(found, snapshot)
    pool_metrics.add(found, snapshot, moment.at, moment.wall, current)
    return found


def serial_labels(snapshot: Snapshot) -> Dict[str, str]:
    """The serial label of each found drive by its key: its serial, with a suffix where two would be the same."""
    claims = Counter((_bay(drive), drive.serial) for drive in snapshot.drives)
    return {
        drive.key: drive.serial
        if drive.serial and claims[(_bay(drive), drive.serial)] == 1
        else "{0}-{1}".format(drive.serial or "none", hashlib.sha256(drive.key.encode()).hexdigest()[:8])
        for drive in snapshot.drives
    }


def _bay(drive: Drive) -> str:
    return drive.bay.label if drive.bay else ""


def source_up(snapshot: Snapshot, name: str, now: float, current: bool) -> bool:
    """Whether the last reading of a source succeeded and is not too old."""
    source = snapshot.sources.get(name)
    limit = snapshot.stale_after.get(name, 0.0)
    return current and source is not None and not source.error and source.at > 0 and now - source.at <= limit


def _sources(found: Samples, snapshot: Snapshot, moment: Moment, current: bool) -> None:
    for name, source in snapshot.sources.items():
        found.add("source_up", (name,), int(source_up(snapshot, name, moment.at, current)))
        if source.at:
            found.add("source_age_seconds", (name,), max(moment.at - source.at, 0.0))
    if snapshot.checked is not None:
        age = moment.wall - snapshot.checked.ended
        # An end after now means that the clock was set back: the age is not known.
        found.add("source_up", ("drift",), int(current and 0 <= age <= RUNS_MISSED * snapshot.checked.every))
        found.add("source_age_seconds", ("drift",), age if age >= 0 else None)
    for key, count in snapshot.failures.items():
        name, _slash, reason = key.partition("/")
        found.add("read_failures", (name, reason), count)
    for name, number in snapshot.stuck.items():
        found.add("stuck_reads", (name,), number)
    readable = snapshot.declared is not None and not snapshot.declared_error
    found.add("inventory_declared", (), int(readable))


def _drive(found: Samples, snapshot: Snapshot, moment: Moment, drive: Drive, serial: str, current: bool) -> None:
    bay = _bay(drive)
    names = " ".join(
        "{0}.{1}".format(bay or serial, index) for index in range(max(drive.expected_units, len(drive.units)))
    )
    found.add("drive", (bay, serial, drive.vendor, drive.model, drive.firmware, names), 1)
    if source_up(snapshot, "drives", moment.at, current):
        found.add("drive_present", (bay, serial), 1)
        found.add("drive_units_visible", (bay, serial), len(drive.units))
    found.add("drive_units_expected", (bay, serial), drive.expected_units or len(drive.units))
    if snapshot.declared is not None and current:
        where = {wanted.serial: wanted.bay for wanted in snapshot.declared}.get(drive.serial)
        found.add("drive_declared", (bay, serial), int(where is not None))
        if where is not None:
            found.add("drive_in_place", (bay, serial), int(where == bay))
    readings = [(unit, snapshot.units.get(unit_key(drive, unit), _NO_READING)) for unit in drive.units]
    for unit, reading in readings:
        _unit(found, snapshot, moment, (bay, serial, str(unit.index)), unit, reading, current)
    _whole(found, (bay, serial), [reading.smart for _unit_, reading in readings if reading.smart])
    margins = pool_metrics.drive_margin(snapshot, drive.serial, moment.at, current)
    found.add("drive_margin", (bay, serial), margins)


def _whole(found: Samples, labels: Tuple[str, str], readings: Sequence[SmartReading]) -> None:
    """The values of the drive as a whole, once: its units measure them separately."""

    def highest(name: str) -> Optional[int]:
        values = [getattr(reading, name) for reading in readings]
        return max((value for value in values if value is not None), default=None)

    limits = [reading.temperature_limit for reading in readings if reading.temperature_limit]
    hours = highest("power_on_hours")
    found.add("drive_temperature_celsius", labels, highest("temperature"))
    found.add("drive_temperature_limit_celsius", labels, min(limits) if limits else None)
    found.add("drive_power_on_seconds", labels, None if hours is None else hours * 3600)


def smart_current(snapshot: Snapshot, reading: UnitReading, now: float, current: bool) -> bool:
    """Whether the last attempt to read the unit succeeded and is current."""
    limit = snapshot.stale_after.get("smart", 0.0)
    return current and not reading.smart_error and reading.smart_tried > 0 and now - reading.smart_tried <= limit


def health(snapshot: Snapshot, reading: UnitReading, now: float, current: bool) -> str:
    """The unit's state in `families.HEALTH`. A failing unit stays failing until it is read again."""
    if reading.smart is not None and reading.smart.verdict == FAILING:
        return FAILING
    if not smart_current(snapshot, reading, now, current):
        return "unknown"
    if reading.asleep:
        return "asleep"
    return reading.smart.verdict if reading.smart is not None else "unknown"


def _unit(
    found: Samples,
    snapshot: Snapshot,
    moment: Moment,
    labels: Tuple[str, str, str],
    unit: Unit,
    reading: UnitReading,
    current: bool,
) -> None:
    found.add("unit", labels + (unit.unit_kind, unit.wwn, clean_text(unit.node.rsplit("/", 1)[-1])), 1)
    found.add("unit_health", labels, health(snapshot, reading, moment.at, current))
    found.add("unit_smart_up", labels, int(smart_current(snapshot, reading, moment.at, current)))
    found.add("unit_paths", labels, len(unit.paths))
    if reading.smart is not None:
        found.add("unit_smart_age_seconds", labels, max(moment.at - reading.smart_at, 0.0))
        _smart(found, labels, reading.smart)
    _io(found, labels, reading)
    if current:
        _skew(found, labels, reading.skew)


def _smart(found: Samples, labels: Tuple[str, str, str], smart: SmartReading) -> None:
    found.add("unit_grown_defects", labels, smart.grown_defects)
    found.add("unit_pending_defects", labels, smart.pending_defects)
    found.add("unit_link_errors", labels, smart.link_errors)
    for count in smart.errors:
        found.add("unit_corrected_errors", labels + (count.operation,), count.corrected)
        found.add("unit_uncorrected_errors", labels + (count.operation,), count.uncorrected)
    found.add("unit_self_test", labels, smart.self_test.result)
    found.add("unit_self_test_remaining_ratio", labels, smart.self_test.remaining)
    for test in smart.passed:
        ago = None if test.ago is None else test.ago * 3600
        found.add("unit_self_test_passed_age_seconds", labels + (test.kind,), ago)


def _io(found: Samples, labels: Tuple[str, str, str], reading: UnitReading) -> None:
    if reading.io is None:
        return
    stat = reading.io
    for operation, count, moved, seconds in (
        ("read", stat.reads, stat.read_bytes, stat.read_seconds),
        ("write", stat.writes, stat.written_bytes, stat.write_seconds),
        ("discard", stat.discards, stat.discarded_bytes, stat.discard_seconds),
    ):
        found.add("unit_operations", labels + (operation,), count)
        found.add("unit_transferred_bytes", labels + (operation,), moved)
        found.add("unit_operation_seconds", labels + (operation,), seconds)
    found.add("unit_operations", labels + ("flush",), stat.flushes)
    found.add("unit_operation_seconds", labels + ("flush",), stat.flush_seconds)
    found.add("unit_busy_seconds", labels, stat.busy_seconds)
    found.add("unit_queued_seconds", labels, stat.queued_seconds)
    found.add("unit_in_flight", labels, stat.in_flight)


def _skew(found: Samples, labels: Tuple[str, str, str], skew: Skew) -> None:
    for measure in ("throughput", "latency", "errors"):
        found.add("unit_skew_ratio", labels + (measure,), getattr(skew, measure))


def _missing(found: Samples, snapshot: Snapshot, current: bool) -> None:
    """Add the missing drives: those declared and not found, with all their units."""
    here = {drive.serial for drive in snapshot.drives}
    for wanted in snapshot.declared or ():
        if wanted.serial not in here:
            _absent(found, wanted, current)


def _absent(found: Samples, wanted: DeclaredDrive, current: bool) -> None:
    labels = (wanted.bay, wanted.serial)
    names = " ".join("{0}.{1}".format(wanted.bay, index) for index in range(wanted.unit_count))
    found.add("drive", labels + ("", clean_text(wanted.model), "", names), 1)
    found.add("drive_present", labels, 0)
    found.add("drive_units_expected", labels, wanted.unit_count)
    found.add("drive_units_visible", labels, 0)
    if current:
        found.add("drive_declared", labels, 1)
    for index in range(wanted.unit_count):
        found.add("unit_health", labels + (str(index),), "absent")


def _findings(found: Samples, snapshot: Snapshot) -> None:
    findings = together(snapshot.findings, snapshot.checked)
    counts: Mapping[str, int] = Counter(finding.severity for finding in findings)
    for severity in ("error", "warning", "info"):
        found.add("findings", (severity,), counts.get(severity, 0))
    shown: List[Tuple[str, ...]] = [
        (
            clean_text(finding.bay),
            clean_text(finding.serial),
            "" if finding.index is None else str(finding.index),
            _FORBIDDEN.sub("_", finding.about)[:LONGEST_ABOUT],
            finding.code,
            finding.severity,
        )
        for finding in findings[:MOST_FINDINGS]
    ]
    for labels in shown:
        found.add("finding", labels, 1)
