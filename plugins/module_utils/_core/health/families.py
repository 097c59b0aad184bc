# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The metrics by name: kind, unit, labels and help. The one list that code, documents and tests share.

Naming: OpenMetrics 1.0 and the Prometheus naming practice: one prefix, base units as suffix, C(_total) for counters,
one state set for a thing that is in one of several states.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Dict, Iterator, List, Mapping, Sequence, Tuple

from ..errors import MissingLibraryError

PREFIX = "split_actuator_"

HEALTH = ("ok", "attention", "failing", "unsupported", "asleep", "absent", "unknown")
TEST_RESULTS = ("none", "running", "passed", "aborted", "failed", "unknown")
POOL_STATES = ("online", "degraded", "faulted", "suspended", "unavail", "offline", "removed", "absent", "unknown")
VDEV_STATES = ("online", "degraded", "faulted", "unavail", "offline", "removed", "unknown")

_DRIVE = ("bay", "serial")
_UNIT = ("bay", "serial", "unit")
_POOL = ("pool",)
_VDEV = ("pool", "vdev")


@dataclass(frozen=True)
class Family:
    """One metric. *kind*: C(gauge), C(counter), C(info) or C(states). *name* lacks the prefix and C(_total)."""

    name: str
    kind: str
    labels: Tuple[str, ...]
    help: str
    unit: str = ""
    states: Tuple[str, ...] = ()


FAMILIES = (
    # The collector itself
    Family("build", "info", ("version",), "Version of the collection that this program was built from."),
    Family(
        "collector_up", "gauge", (), "Whether the collector's last snapshot is current; 0 when it is old or missing."
    ),
    Family("snapshot_age_seconds", "gauge", (), "Age of the collector's last snapshot, by the boot clock.", "seconds"),
    Family("snapshot_timestamp_seconds", "gauge", (), "Wall-clock time of the collector's last snapshot.", "seconds"),
    Family(
        "source_up",
        "gauge",
        ("source",),
        "Whether the last reading of drives or pools, or the last scheduled drift run, succeeded and is current.",
    ),
    Family(
        "source_age_seconds",
        "gauge",
        ("source",),
        "Age of the last good reading of drives or pools, and of the last scheduled drift run.",
        "seconds",
    ),
    Family("read_failures", "counter", ("source", "reason"), "Failed readings since the collector started."),
    Family("stuck_reads", "gauge", ("source",), "Readings that hang in the kernel and cannot be stopped."),
    # Units
    Family(
        "unit", "info", _UNIT + ("unit_kind", "wwn", "device"), "A unit of a drive, its WWN and its current device."
    ),
    Family("unit_health", "states", _UNIT, "SMART state of the unit; only ok is healthy.", states=HEALTH),
    Family("unit_smart_up", "gauge", _UNIT, "Whether the last SMART reading of the unit succeeded and is current."),
    Family("unit_smart_age_seconds", "gauge", _UNIT, "Age of the unit's last good SMART reading.", "seconds"),
    Family("unit_grown_defects", "gauge", _UNIT, "Sectors that the unit has reassigned since manufacture."),
    Family("unit_pending_defects", "gauge", _UNIT, "Sectors that the unit could not read and has not reassigned yet."),
    Family("unit_corrected_errors", "counter", _UNIT + ("operation",), "Errors that the unit corrected."),
    Family("unit_uncorrected_errors", "counter", _UNIT + ("operation",), "Errors that the unit could not correct."),
    Family("unit_link_errors", "counter", _UNIT, "Checksum errors on the link to the unit."),
    Family("unit_self_test", "states", _UNIT, "Result of the unit's latest self-test.", states=TEST_RESULTS),
    Family("unit_self_test_remaining_ratio", "gauge", _UNIT, "Share of the running self-test that remains.", "ratio"),
    Family(
        "unit_self_test_passed_age_seconds",
        "gauge",
        _UNIT + ("test",),
        "Power-on time since the last short or long self-test that passed.",
        "seconds",
    ),
    Family("unit_paths", "gauge", _UNIT, "Paths from the host to the unit."),
    Family("unit_operations", "counter", _UNIT + ("operation",), "Requests that the unit completed."),
    Family(
        "unit_transferred_bytes",
        "counter",
        _UNIT + ("operation",),
        "Bytes that the unit read, wrote or discarded.",
        "bytes",
    ),
    Family(
        "unit_operation_seconds", "counter", _UNIT + ("operation",), "Sum of the durations of all requests.", "seconds"
    ),
    Family("unit_busy_seconds", "counter", _UNIT, "Time with at least one request in progress.", "seconds"),
    Family("unit_queued_seconds", "counter", _UNIT, "Time weighted by the number of requests in progress.", "seconds"),
    Family("unit_in_flight", "gauge", _UNIT, "Requests in progress now."),
    Family(
        "unit_skew_ratio",
        "gauge",
        _UNIT + ("measure",),
        "How many times worse the unit performs than its best sibling under similar load; 1 means no worse.",
        "ratio",
    ),
    # Drives
    Family(
        "drive", "info", _DRIVE + ("vendor", "model", "firmware", "unit_names"), "A drive and the names of its units."
    ),
    Family("drive_present", "gauge", _DRIVE, "Whether the drive was found on the host."),
    Family("drive_declared", "gauge", _DRIVE, "Whether the inventory declares the drive."),
    Family("drive_in_place", "gauge", _DRIVE, "Whether the drive is in the bay that the inventory declares."),
    Family("drive_units_visible", "gauge", _DRIVE, "Units of the drive that the host sees."),
    Family("drive_units_expected", "gauge", _DRIVE, "Units that the drive should show."),
    Family(
        "drive_temperature_celsius",
        "gauge",
        _DRIVE,
        "Highest temperature that any unit of the drive reports.",
        "celsius",
    ),
    Family("drive_temperature_limit_celsius", "gauge", _DRIVE, "Temperature at which the drive warns.", "celsius"),
    Family("drive_power_on_seconds", "counter", _DRIVE, "Time that the drive has been powered on.", "seconds"),
    Family(
        "drive_margin",
        "gauge",
        _DRIVE,
        "Further whole-drive failures, this drive first, that the drive's vdevs survive.",
    ),
    # Pools
    Family(
        "pool_state", "states", _POOL, "State of the pool; suspended and unknown are never healthy.", states=POOL_STATES
    ),
    Family(
        "pool_margin",
        "gauge",
        _POOL,
        "Further whole-drive failures that the pool's worst vdev survives; -1: it cannot serve all its data.",
    ),
    Family("pool_size_bytes", "gauge", _POOL, "Size of the pool, parity included.", "bytes"),
    Family("pool_allocated_bytes", "gauge", _POOL, "Allocated bytes of the pool, parity included.", "bytes"),
    Family("pool_free_bytes", "gauge", _POOL, "Free bytes of the pool, parity included.", "bytes"),
    Family("pool_fragmentation_ratio", "gauge", _POOL, "Fragmentation of the pool's free space.", "ratio"),
    Family("pool_data_errors", "gauge", _POOL, "Damaged blocks or files that OpenZFS knows of in the pool."),
    Family("pool_scan_running", "gauge", _POOL + ("function",), "Whether a scrub or resilver is running."),
    Family("pool_scan_progress_ratio", "gauge", _POOL + ("function",), "Completed share of the running scan.", "ratio"),
    Family(
        "pool_scan_started_timestamp_seconds",
        "gauge",
        _POOL + ("function",),
        "Start time of the latest scan.",
        "seconds",
    ),
    Family("pool_scan_errors", "gauge", _POOL + ("function",), "Errors that the latest scan could not repair."),
    Family("pool_scrub_age_seconds", "gauge", _POOL, "Time since a scrub of the pool last finished.", "seconds"),
    Family("pool_scrub_interval_seconds", "gauge", _POOL, "Declared interval between scrubs of the pool.", "seconds"),
    Family("vdev_state", "states", _VDEV, "State of the top-level vdev.", states=VDEV_STATES),
    Family("vdev_members", "gauge", _VDEV, "Members of the vdev; a member and its replacement count as one."),
    Family("vdev_members_lost", "gauge", _VDEV, "Members of the vdev that do not serve, or are still resilvering."),
    Family(
        "vdev_margin",
        "gauge",
        _VDEV,
        "Further whole-drive failures that the vdev survives; 0: the next one can lose data; "
        "-1: it cannot serve all its data.",
    ),
    Family("vdev_sibling_drives", "gauge", _VDEV, "Drives with more than one unit in the vdev."),
    Family("vdev_size_bytes", "gauge", _VDEV, "Size of the vdev, parity included.", "bytes"),
    Family("vdev_allocated_bytes", "gauge", _VDEV, "Allocated bytes of the vdev, parity included.", "bytes"),
    Family("vdev_free_bytes", "gauge", _VDEV, "Free bytes of the vdev, parity included.", "bytes"),
    Family(
        "member_serving",
        "gauge",
        ("pool", "vdev", "member") + _UNIT,
        "Whether the member answers and holds all its data.",
    ),
    Family(
        "member_errors",
        "gauge",
        ("pool", "vdev", "member") + _UNIT + ("error",),
        "Errors that OpenZFS has counted for the member; a clear or an import resets them to 0.",
    ),
    # Enclosures and findings
    Family(
        "enclosure_margin",
        "gauge",
        ("enclosure",),
        "Lowest margin of the drives in the enclosure.",
    ),
    Family("inventory_declared", "gauge", (), "Whether the host has a declared inventory that can be read."),
    Family("findings", "gauge", ("severity",), "Number of differences between declared and found."),
    Family(
        "finding",
        "gauge",
        _UNIT + ("about", "code", "severity"),
        "One finding; unit is empty where it concerns the whole drive, and about names anything other than a drive.",
    ),
)

BY_NAME: Mapping[str, Family] = {family.name: family for family in FAMILIES}


class Samples:
    """Values by metric and labels; of two under the same labels the first stays."""

    def __init__(self) -> None:
        self._values: Dict[str, Dict[Tuple[str, ...], Any]] = {}

    def add(self, name: str, labels: Sequence[str], value: Any) -> None:
        """Add a value: a number, or the state of a state set; None adds nothing."""
        if value is not None:
            if len(labels) != len(BY_NAME[name].labels):
                raise ValueError("{0} has labels {1}".format(name, BY_NAME[name].labels))
            self._values.setdefault(name, {}).setdefault(tuple(labels), value)

    def has(self, name: str, labels: Sequence[str]) -> bool:
        """Whether there is a value under these labels."""
        return tuple(labels) in self._values.get(name, {})

    def __iter__(self) -> Iterator[Tuple[Family, Dict[Tuple[str, ...], Any]]]:
        for family in FAMILIES:
            if family.name in self._values:
                yield family, self._values[family.name]


def to_metrics(samples: Samples) -> List[Any]:
    """The samples as metric families of prometheus_client. Raises MissingLibraryError without it."""
    try:
        from prometheus_client import core
    except ImportError as error:
        raise MissingLibraryError(
            "prometheus_client",
            "Install the package python3-prometheus-client, or run the role health_exporter.",
        ) from error
    makers = {
        "gauge": core.GaugeMetricFamily,
        "counter": core.CounterMetricFamily,
        "info": core.InfoMetricFamily,
        "states": core.StateSetMetricFamily,
    }
    found = []
    for family, values in samples:
        options = {"unit": family.unit} if family.unit else {}
        metric = makers[family.kind](PREFIX + family.name, family.help, labels=_own_labels(family), **options)
        for labels, value in values.items():
            _add(metric, family, labels, value)
        found.append(metric)
    return found


def _own_labels(family: Family) -> Tuple[str, ...]:
    # All labels of an info are its content; prometheus_client takes them as the value.
    return () if family.kind == "info" else family.labels


def _add(metric: Any, family: Family, labels: Tuple[str, ...], value: Any) -> None:
    if family.kind == "info":
        metric.add_metric((), dict(zip(family.labels, labels)))
    elif family.kind == "states":
        metric.add_metric(labels, {state: state == value for state in family.states})
    else:
        metric.add_metric(labels, value)
