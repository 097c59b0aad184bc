# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Snapshots of invented servers: drives of two units in cohorts, one raidz2 vdev for each unit index."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.declared import DeclaredDrive
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health import pools
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.blockstat import BlockStat
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.config import Config
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.families import Samples
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.metrics import Moment, samples
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.skew import Skew
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.smart import (
    ErrorCount,
    SelfTest,
    SmartReading,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.snapshot import (
    PoolReading,
    Snapshot,
    Source,
    Space,
    UnitReading,
    unit_key,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Bay, Drive, Unit, UnitPath
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.resolve import Index, resolve
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.tree import Node, PoolTree, Scan

BOOT = "6f1c7f0e-0000-4000-8000-000000000001"
NOW = 100_000.0
WALL = 1_795_600_000.0
TB = 10**12

READING = SmartReading(
    verdict="ok",
    protocol="scsi",
    temperature=34,
    temperature_limit=60,
    power_on_hours=10_000,
    grown_defects=0,
    pending_defects=0,
    errors=(ErrorCount("read", 41, 0), ErrorCount("write", 0, 0), ErrorCount("verify", 3, 0)),
    self_test=SelfTest("passed", "short", None, 24),
    passed=(SelfTest("passed", "long", None, 400), SelfTest("passed", "short", None, 24)),
)


def node_of(bay: int, index: int) -> str:
    return "/dev/sd{0}".format(2 * bay + index)


def serial(bay: int) -> str:
    return "ACS{0:04d}".format(bay)


def drive(bay: int, units: int = 2) -> Drive:
    return Drive(
        key="ACTWO ACTW-D9 {0}".format(serial(bay)),
        serial=serial(bay),
        units=tuple(
            Unit(
                index=index,
                wwn="naa.55e5e5e0{0:07x}{1}".format(bay, index),
                size=9 * TB,
                node=node_of(bay, index),
                paths=(UnitPath("7:0:{0}:{1}".format(bay, index), node_of(bay, index)),),
            )
            for index in range(units)
        ),
        vendor="ACTWO",
        model="ACTW-D9",
        firmware="0102",
        bay=Bay("", bay),
        bay_source="map",
        expected_units=2,
    )


def declared(bay: int) -> DeclaredDrive:
    return DeclaredDrive(
        bay=Bay("", bay).label, serial=serial(bay), model="ACTW-D9", unit_count=2, unit_bytes=(9 * TB,)
    )


def tree(drives: int, width: int, states: dict[str, str] | None = None, scan: Scan | None = None) -> PoolTree:
    """A pool over *drives* in cohorts of *width*; *states* by unit name, such as bay07.1."""
    states = states or {}
    vdevs: list[Node] = []
    for cohort in range(drives // width):
        for index in range(2):
            leaves = tuple(
                Node(
                    name="bay{0:02d}.{1}".format(bay, index),
                    kind="disk",
                    state=states.get("bay{0:02d}.{1}".format(bay, index), "ONLINE"),
                    guid=str(1000 + 2 * bay + index),
                    path="/dev/disk/by-vdev/bay{0:02d}.{1}-part1".format(bay, index),
                )
                for bay in range(cohort * width, (cohort + 1) * width)
            )
            lost = any(leaf.state != "ONLINE" for leaf in leaves)
            name = "raidz2-{0}".format(len(vdevs))
            vdevs.append(
                Node(name, "raidz", "DEGRADED" if lost else "ONLINE", str(len(vdevs)), parity=2, children=leaves)
            )
    state = "DEGRADED" if any(vdev.state == "DEGRADED" for vdev in vdevs) else "ONLINE"
    return PoolTree("archive", "77", state, (("data", tuple(vdevs)),), scan=scan)


def pool(
    drives: list[Drive], width: int = 12, states: dict[str, str] | None = None, scan: Scan | None = None
) -> PoolReading:
    grown = tree(len(drives), width, states, scan)
    names = [vdev.name for vdev in grown.group("data")]
    space = {name: Space(108 * TB, TB, 107 * TB, 0.02) for name in names}
    space[""] = Space(108 * TB * len(names), TB, 107 * TB, 0.02)
    found = pools.reading(grown, resolve(grown, Index(drives, (), {})), space)
    return replace(found, last_scrub=int(WALL) - 86400)


def snapshot(drives: int = 12, width: int = 12, **values: Any) -> Snapshot:
    """A healthy server at `NOW`."""
    found = [drive(bay) for bay in range(drives)]
    stat = BlockStat(reads=10**6, read_bytes=10**12, read_seconds=5000.0, writes=10**5, busy_seconds=4000.0)
    unit = UnitReading(
        smart=READING, smart_at=NOW - 60, smart_tried=NOW - 60, io=stat, io_at=NOW, skew=Skew(1.0, 1.0, 1.0)
    )
    made = Snapshot(
        boot=BOOT,
        at=NOW,
        wall=WALL,
        interval=15,
        stale_after=Config().stale_after,
        drives=tuple(found),
        declared=tuple(declared(bay) for bay in range(drives)),
        declared_pool="archive",
        scrub_every=30 * 86400.0,
        pools=(pool(found, width),),
        states={"archive": "online"},
        units={unit_key(one, part): unit for one in found for part in one.units},
        sources={"drives": Source(NOW - 10, NOW - 10), "pools": Source(NOW - 5, NOW - 5)},
    )
    return replace(made, **values)


def moment(later: float = 0.0, wall: float = WALL) -> Moment:
    return Moment(BOOT, NOW + later, wall + later)


def values(one: Snapshot | None, at: Moment | None = None) -> dict[str, dict[tuple[str, ...], Any]]:
    """Metric name to labels to value."""
    found: Samples = samples(one, at or moment(), "0.1.0")
    return {family.name: dict(content) for family, content in found}
