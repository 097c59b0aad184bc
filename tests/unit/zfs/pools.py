# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""A small server and the labels that a pool on it would have, for tests: six drives of two units."""

from __future__ import annotations

from collections.abc import Iterable

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import (
    Bay,
    Drive,
    Layout,
    Member,
    Unit,
    Vdev,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.labels import (
    Label,
    LabelVdev,
    Uberblock,
)

GUID = "1234567890123456789"
HOST = 0x0A5A05AF
Key = tuple[str, int]


def drive(bay: int, serial: str = "", units: int = 2) -> Drive:
    """A drive whose units are sda, sdb, ... by bay."""
    return Drive(
        key=f"naa.{bay}",
        serial=serial or f"ACT{bay}",
        units=tuple(
            Unit(
                index,
                wwn=f"naa.5000ace200000{bay:02d}{index}",
                size=10**12,
                node=f"/dev/sd{chr(ord('a') + 2 * bay + index)}",
                links=(f"/dev/disk/by-id/wwn-0x5000ace200000{bay:02d}{index}",),
            )
            for index in range(units)
        ),
        bay=Bay("", bay),
        expected_units=units,
    )


def member(bay: int, index: int) -> Member:
    return Member(f"ACT{bay}", index, f"bay{bay:02d}", 10**12)


def layout(count: int = 4, parity: int = 2) -> Layout:
    """Two raidz vdevs: the units 0 and the units 1 of the drives in bays 0, 1, ..."""
    return Layout(tuple(Vdev("raidz", parity, tuple(member(bay, index) for bay in range(count))) for index in (0, 1)))


def leaf(key: Key) -> str:
    return str(7000 + 10 * int(key[0][3:]) + key[1])


def labels(
    *vdevs: Iterable[Key],
    name: str = "archive",
    guid: str = GUID,
    state: str = "active",
    hostid: int = HOST,
    txg: int = 100,
    parity: int = 2,
    features: tuple[str, ...] = (),
    multihost: bool = False,
) -> dict[Key, Label]:
    """The labels of a pool of raidz vdevs on these units; by default that of `layout`."""
    groups = [list(one) for one in vdevs] or [[(f"ACT{bay}", index) for bay in range(4)] for index in (0, 1)]
    found = {}
    for number, keys in enumerate(groups):
        top = guid[:3] + str(number)
        tree = LabelVdev(
            "raidz", top, nparity=parity, ashift=12, children=tuple(LabelVdev("disk", leaf(key)) for key in keys)
        )
        for key in keys:
            found[key] = Label(
                state=state,
                guid=leaf(key),
                name=name,
                pool_guid=guid,
                txg=txg,
                hostid=hostid,
                hostname="west1",
                top_guid=top,
                vdev_children=len(groups),
                vdev=tree,
                features=features,
                uberblock=Uberblock(txg, 1_790_000_000, multihost),
            )
    return found
