# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Pools for tests: drives ACT0, ACT1, ... in bay00, bay01, ..., unit 0 of each in raidz2-0, unit 1 in raidz2-1."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.declared import DeclaredDrive
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Drive
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.resolve import Index, Pool, resolve
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.tree import Node, PoolTree, Scan

BY = "/dev/disk/by-vdev/"


def guid(bay: int, index: int, generation: int = 0) -> str:
    return str(10**17 + generation * 10**4 + bay * 10 + index)


def leaf(bay: int, index: int, state: str = "ONLINE", generation: int = 0, resilvering: bool = False) -> Node:
    path = f"{BY}bay{bay:02d}.{index}-part1"
    return Node(path, "disk", state, guid(bay, index, generation), path, resilvering=resilvering)


def replacing(*leaves: Node, kind: str = "replacing") -> Node:
    return Node(f"{kind}-0", kind, "DEGRADED", "5", children=leaves)


def tree(
    count: int = 6,
    places: Mapping[tuple[int, int], Node] | None = None,
    parity: int = 2,
    scan: Scan | None = None,
    state: str = "ONLINE",
    spares: Sequence[Node] = (),
) -> PoolTree:
    """A pool; *places* has what stands at (bay, index) in the stead of the plain leaf."""
    given = places or {}
    vdevs = tuple(
        Node(
            f"raidz{parity}-{index}", "raidz", "ONLINE", str(index), parity=parity,
            children=tuple(given.get((bay, index), leaf(bay, index)) for bay in range(count)),
        )
        for index in (0, 1)
    )  # fmt: skip
    groups = (("data", vdevs), *((("spares", tuple(spares)),) if spares else ()))
    return PoolTree("archive", "777", state, groups, scan=scan)


def declared(count: int = 6) -> tuple[DeclaredDrive, ...]:
    return tuple(DeclaredDrive(f"bay{bay:02d}", f"ACT{bay}") for bay in range(count))


def pool(found: PoolTree, drives: Sequence[Drive] = (), count: int = 6, nodes: Mapping[str, str] | None = None) -> Pool:
    return resolve(found, Index(drives, declared(count), nodes or {}))
