# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Pool members on ranges, traced to their units while the drive is there and when it is gone."""

from __future__ import annotations

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.declared import (
    draft,
    merge,
    read_drives,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.discover import Wanted
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Bay, Drive, Unit, UnitPath
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.partition.extents import Spec
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.access import expecting
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.resolve import Index

WWN = "naa.5acf1e0000000001"
LINK = "/dev/disk/by-id/wwn-0x5acf1e0000000001"
NAME = "/dev/disk/by-vdev/bay07."


def drive(split: bool = True) -> Drive:
    units = tuple(
        Unit(
            index,
            "range",
            WWN,
            size=9 * 10**12,
            node=f"/dev/sda{index + 1}" if split else "",
            paths=(UnitPath("2:0:0:0", "/dev/sda"),),
        )
        for index in (0, 1)
    )
    return Drive("naa.5acf1e2000000001", "ACR0001", units, bay=Bay("", 7))


def declared():
    return read_drives(draft([drive()]))


@pytest.mark.parametrize(
    ("path", "nodes", "unit"),
    [
        (NAME + "0", {NAME + "0": "/dev/sda1"}, 0),
        (LINK + "-part2", {LINK + "-part2": "/dev/sda2"}, 1),
        ("/dev/sda2", {"/dev/sda2": "/dev/sda2"}, 1),
        # Somebody's pool on the whole disk, or on a partition of another table, is on neither range.
        ("/dev/sda", {"/dev/sda": "/dev/sda"}, None),
        ("/dev/sda9", {"/dev/sda9": "/dev/sda9"}, None),
        (LINK, {LINK: "/dev/sda"}, None),
    ],
)
def test_members_of_a_drive_that_is_there(path: str, nodes: dict[str, str], unit: int | None) -> None:
    assert Index([drive()], (), nodes).find(path) == (None if unit is None else ("ACR0001", unit))


@pytest.mark.parametrize(
    ("path", "unit"),
    [(NAME + "1", 1), (LINK + "-part1", 0), (LINK + "-part2", 1), (LINK + "-part3", None), (LINK, None)],
)
def test_members_of_a_drive_that_is_gone_are_told_by_its_declaration(path: str, unit: int | None) -> None:
    assert Index([], declared(), {}).find(path) == (None if unit is None else ("ACR0001", unit))


def test_a_declared_range_drive_that_is_away_stays_one() -> None:
    (away,) = merge(declared(), [])
    assert [(unit.unit_kind, unit.wwn, unit.size) for unit in away.units] == [("range", WWN, 9 * 10**12)] * 2


def test_declared_ranges_reach_discovery() -> None:
    drives = read_drives({"bay07": {"serial": "ACR0001", "ranges": {"equal": 2}}, "bay08": {"serial": "ACR0002"}})
    assert expecting(Wanted(), drives).ranges == {"ACR0001": Spec(parts=2)}
    assert expecting(Wanted(ranges={"ACR0001": Spec(parts=4)}), drives).ranges == {"ACR0001": Spec(parts=4)}
