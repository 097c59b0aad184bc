# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""A host for tests of actions on a pool that exists: drives in memory, and what OpenZFS says of its pool."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.run import SETTLE
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.capacity import pool_capacity
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Drive, Layout, Vdev
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs import status_json
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.access import Access, Holding
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.labels import Label, LabelVdev
from tests.unit.zfs.pools import GUID, leaf

VERSION = (("zpool", "version"), "zfs-2.3.9-1\nzfs-kmod-2.3.9-1\n")
BY_NAME = "/dev/disk/by-vdev/"
Key = tuple[str, int]


def path(key: Key) -> str:
    return f"{BY_NAME}bay{int(key[0][3:]):02d}.{key[1]}"


def disk(key: Key, state: str = "ONLINE", **more: Any) -> dict[str, Any]:
    """A leaf as zpool status -j tells it."""
    told = {"name": path(key), "vdev_type": "disk", "guid": leaf(key), "state": state, "path": path(key)}
    return {**told, "read_errors": 0, "write_errors": 0, "checksum_errors": 0, **more}


def stand_in(kind: str, *leaves: dict[str, Any]) -> dict[str, Any]:
    """A spare-N or replacing-N node around leaves."""
    name = f"{kind}-{leaves[0]['guid'][-2:]}"
    return {"name": name, "vdev_type": kind, "state": "DEGRADED", "vdevs": {one["name"]: one for one in leaves}}


def status(
    layout: Layout,
    instead: dict[Key, dict[str, Any]] | None = None,
    spares: Sequence[dict[str, Any]] = (),
    **more: Any,
) -> tuple[tuple[str, ...], str]:
    """zpool status -j of pool archive, made as *layout*; *instead* has nodes for places that differ."""
    tops = {}
    for number, vdev in enumerate(layout.vdevs):
        places = [(one.serial, one.index) for one in vdev.members]
        nodes = [(instead or {}).get(key, disk(key)) for key in places]
        name = f"{vdev.keyword}-{number}"
        tops[name] = {
            "name": name, "vdev_type": vdev.kind, "state": "ONLINE", "vdevs": {one["name"]: one for one in nodes},
        }  # fmt: skip
    pool = {
        "name": "archive", "state": "ONLINE", "pool_guid": int(GUID), "error_count": 0,
        "vdevs": {"archive": {"vdevs": tops}}, "spares": {one["name"]: one for one in spares}, **more,
    }  # fmt: skip
    return status_json.ARGV, json.dumps({"pools": {"archive": pool}})


NO_POOL = (status_json.ARGV, json.dumps({"pools": {}}))


def start(*statuses: Any) -> list[Any]:
    return [VERSION, (SETTLE, ""), *statuses]


def spread(layout: Layout, was: Callable[[Vdev], Vdev] = lambda vdev: vdev, **more: Any) -> dict[Key, Label]:
    """The labels of a pool made as *layout*; *was* gives each vdev as it was when it got its size."""
    found = {}
    for number, vdev in enumerate(layout.vdevs):
        size = pool_capacity([was(vdev)]).vdevs[0]
        tree = LabelVdev(vdev.kind, str(number), nparity=vdev.parity, ashift=12, asize=size.asize,
                         metaslab_shift=size.metaslab_shift)  # fmt: skip
        for one in vdev.members:
            key = (one.serial, one.index)
            facts = {"state": "active", "name": "archive", "pool_guid": GUID, "txg": 100, **more}
            found[key] = Label(guid=leaf(key), top_guid=str(number), vdev=tree, **facts)
    return found


# ruff: noqa: ARG002
@dataclass
class World(Access):
    """A host of drives in memory, with labels and contents on them."""

    run: Any = None
    wanted: Any = None
    found_drives: Sequence[Drive] = ()
    on_units: dict[Key, Label] = field(default_factory=dict)
    on_disks: dict[Key, Any] = field(default_factory=dict)
    begun_wwns: frozenset[str] = frozenset()
    noted: list[Any] = field(default_factory=list)
    tables: dict[str, Any] = field(default_factory=dict)
    within: dict[tuple[str, int, int], Any] = field(default_factory=dict)
    links_lead: bool = True

    def drives(self):
        return self.found_drives

    def units(self):
        return {(one.serial, unit.index): unit for one in self.found_drives for unit in one.units}

    def nodes_of(self, paths):
        return {}

    def contents(self, keys):
        return {key: self.on_disks.get(key, ()) for key in keys}

    def partitions(self, unit):
        return ((unit.node + "1", unit.size - (16 << 20)), (unit.node + "9", 8 << 20))

    def table_of(self, unit):
        return self.tables.get(unit.node, ())

    def half_made(self, units):
        return tuple(unit.node for unit in units)

    def leads(self, link, node):
        return self.links_lead

    def labels_within(self, node, extents):
        return tuple(self.within.get((node, *extent), ()) for extent in extents)

    def begun(self, pool):
        return self.begun_wwns

    @contextmanager
    def creation(self, pool, wwns):
        self.noted.append(("begin", pool, tuple(wwns)))
        yield
        self.noted.append("end")

    def labels(self):
        units = self.units()
        return {
            key: Holding(units[key], units[key].node + "1", 1, label)
            for key, label in self.on_units.items()
            if key in units
        }

    def hostid(self):
        return 0x0A5A05AF

    @contextmanager
    def patience(self):
        yield


def re_found(pattern: str, text: str) -> bool:
    return re.search(pattern, text) is not None
