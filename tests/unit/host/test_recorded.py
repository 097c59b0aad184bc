# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Discovery in trees recorded from running guests, against the chassis files these were started from."""

from __future__ import annotations

import json
from functools import cache

import pytest

from tests.checkout import REPO
from tests.lab.parts import Chassis, load
from tests.lab.scenes import LEFTOVERS
from tests.unit.host.mocked import Seen, see_text

EBB01_BAYS = [
    {"pattern": "pci-0000:00:08.0-sas-phy{phy}-lun-*", "bay": "bay{phy}"},
    {"pattern": "pci-0000:00:09.0-sas-phy{phy}-lun-*", "bay": "bay{phy+6}"},
]


@cache
def recorded(name: str) -> Seen:
    data = json.loads((REPO / "tests" / "data" / "discovery" / f"{name}.json").read_text(encoding="utf-8"))
    options = {"bay_map": EBB01_BAYS} if name == "ebb01" else {}
    files = {part: data[part] for part in ("mountinfo", "swaps")}
    return see_text(data["tree"], data["links"], files, options)


def chassis(name: str) -> Chassis:
    return load(REPO / "tests" / "lab" / "chassis" / f"{name}.yml")


@pytest.mark.parametrize("name", ["ebb01", "shapes"])
def test_every_unit_of_the_chassis_file_is_found_and_no_other(name: str) -> None:
    found = {
        (drive.serial, unit.index, unit.wwn, unit.size, unit.logical_block, drive.vendor, drive.model, drive.firmware)
        for drive in recorded(name).drives
        if drive.serial
        for unit in drive.units
    }
    assert found == {
        (
            drive.serial, unit.index, f"naa.{unit.wwn:016x}", unit.size, drive.logical_block,
            drive.vendor, drive.model, drive.firmware,
        )
        for drive in chassis(name).drives
        for unit in drive.units
        if unit.present
    }  # fmt: skip


def test_the_demo_server_is_found_in_bay_order_with_nothing_odd() -> None:
    seen = recorded("ebb01")
    placed = [drive for drive in seen.drives if drive.bay]
    assert [(drive.bay.slot, drive.serial) for drive in placed if drive.bay] == [
        (drive.bay, drive.serial) for drive in sorted(chassis("ebb01").drives, key=lambda drive: drive.bay)
    ]
    assert {drive.bay_source for drive in placed} == {"map"}
    assert {drive.adapter for drive in placed} == {"0000:00:08.0 mptsas", "0000:00:09.0 mptsas"}
    assert [one for one in seen.findings if one.severity != "info"] == []


@pytest.mark.parametrize("name", ["ebb01", "shapes"])
def test_units_are_linked_by_wwn_and_by_place_never_by_serial_number(name: str) -> None:
    for drive in recorded(name).drives:
        for unit in drive.units:
            if drive.serial and len(unit.paths) == 1:
                assert unit.links[0] == "/dev/disk/by-id/wwn-0x" + unit.wwn.removeprefix("naa.")
                assert unit.links[1].startswith("/dev/disk/by-path/pci-")
                assert not [link for link in unit.links if drive.serial in link]


def test_the_odd_drives_of_the_shapes_are_told() -> None:
    findings = [(one.code, one.serial, one.index) for one in recorded("shapes").findings if one.severity != "info"]
    assert sorted(findings, key=str) == [
        ("half_visible", "SHP06", 1),
        ("serial_collision", "SHP00", None),
        ("serial_collision", "SHP00", None),
        ("unmanaged_paths", "SHP08", 0),
        ("unmanaged_paths", "SHP08", 1),
    ]


def test_what_was_left_on_units_is_told() -> None:
    # What only the device itself shows (an exclusive open) is no part of discovery.
    found = {
        (drive.serial, unit.index): {one.type for one in unit.contents}
        for drive in recorded("shapes").drives
        for unit in drive.units
        if unit.contents and drive.serial
    }
    assert found == {key: kinds - {"open"} for key, (_lines, kinds) in LEFTOVERS.items()}


def test_the_system_disk_is_an_ordinary_drive_that_is_mounted() -> None:
    (system,) = [drive for drive in recorded("ebb01").drives if not drive.serial]
    assert (system.units[0].node, system.adapter.split()[0]) == ("/dev/vda", "0000:00:03.0")
    assert ("mount", "/") in [(one.type, one.detail) for one in system.units[0].contents]
