# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Whole chassis with enclosure services or SAS bay numbers, of several shapes."""

from __future__ import annotations

import pytest

from tests.unit.host.mocked import see
from tests.unit.host.trees import Adapter, Tree, chassis, split_drive, wwn_of

SHAPES = [(1, 12), (4, 24), (1, 102)]
NAMES = {f"500ace2{number:09x}": name for number, name in enumerate(("north", "east", "south", "west"))}


@pytest.mark.parametrize(("enclosures", "slots"), SHAPES)
def test_every_drive_of_a_chassis_is_found_in_its_slot(enclosures: int, slots: int) -> None:
    names = NAMES if enclosures > 1 else {}
    seen = see(chassis(enclosures, slots), enclosures=names)
    expected = [
        ((f"{name}-" if names else "") + f"bay{slot:02d}", f"ACS{number * slots + slot:04d}")
        for number, name in sorted(enumerate(("north", "east", "south", "west")[:enclosures]), key=lambda pair: pair[1])
        for slot in range(slots)
    ]
    assert [(drive.bay.label if drive.bay else None, drive.serial) for drive in seen.drives] == expected
    for drive in seen.drives:
        number = int(drive.serial[3:])
        assert drive.bay_source == "enclosure"
        assert drive.expected_units == 2
        # Slots link to one sibling only; both units are found all the same, each by its own designator.
        assert [unit.wwn for unit in drive.units] == ["naa." + wwn_of(number, lun) for lun in (0, 1)]
        assert [unit.links[0] for unit in drive.units] == [
            f"/dev/disk/by-id/wwn-0x{wwn_of(number, lun)}" for lun in (0, 1)
        ]
    assert seen.findings == ()


@pytest.mark.parametrize(("enclosures", "slots"), SHAPES)
def test_every_drive_of_a_chassis_is_found_in_the_bay_that_its_transport_tells(enclosures: int, slots: int) -> None:
    """The same shapes without enclosure services: the expanders tell bay and enclosure."""
    names = NAMES if enclosures > 1 else {}
    seen = see(chassis(enclosures, slots, services=False), enclosures=names)
    labels = {f"ACS{number:04d}": f"bay{number % slots:02d}" for number in range(enclosures * slots)}
    for number, name in enumerate(names.values()):
        for slot in range(slots):
            labels[f"ACS{number * slots + slot:04d}"] = f"{name}-bay{slot:02d}"
    assert {drive.serial: drive.bay.label for drive in seen.drives if drive.bay} == labels
    assert {(drive.bay_source, len(drive.units)) for drive in seen.drives} == {("sas", 2)}
    assert seen.findings == ()


def test_enclosures_without_declared_names_are_told_apart_by_their_ids() -> None:
    seen = see(chassis(2, 4))
    assert sorted({drive.bay.enclosure for drive in seen.drives if drive.bay}) == [
        "e00ace2000000000",
        "e00ace2000000001",
    ]
    assert len({drive.bay for drive in seen.drives}) == 8


def test_empty_slots_stay_empty() -> None:
    seen = see(chassis(1, 12, empty=(3, 4)))
    assert [drive.bay.slot for drive in seen.drives if drive.bay] == [0, 1, 2, 5, 6, 7, 8, 9, 10, 11]


def sas_tree(bays: list[str], enclosure: str) -> Tree:
    tree = Tree()
    adapter = Adapter(tree)
    for number, bay in enumerate(bays):
        end_device = adapter.device(number, bay, enclosure)
        for one in split_drive(number):
            adapter.lun(one, end_device)
    return tree


def test_bays_by_the_sas_transport() -> None:
    seen = see(sas_tree(["5", "0", "3"], "0x500ace2000000009"))
    assert [(drive.bay.label, drive.serial, drive.bay_source) for drive in seen.drives if drive.bay] == [
        ("bay00", "ACS0001", "sas"),
        ("bay03", "ACS0002", "sas"),
        ("bay05", "ACS0000", "sas"),
    ]


@pytest.mark.parametrize("bays", [["0", "0", "0"], ["0"]])
def test_an_adapter_that_reports_bay_0_for_all_says_nothing(bays: list[str]) -> None:
    seen = see(sas_tree(bays, "0x0000000000000000"))
    assert [drive.bay for drive in seen.drives] == [None] * len(bays)
    assert seen.findings == ()


def test_the_first_source_that_answers_counts_and_the_order_can_be_changed() -> None:
    tree = sas_tree(["5", "0", "3"], "0x500ace2000000009")
    mapped: dict[str, object] = {
        "bay_map": [{"pattern": "pci-0000:00:05.0-sas-phy{phy}-lun-*", "bay": "west-bay{phy+20}"}],
        "bay_serials": {"bay90": "ACS0000", "bay91": "ACS0001"},
    }
    assert {drive.bay_source for drive in see(tree, None, **mapped).drives} == {"sas"}
    by_map = see(tree, None, bay_sources=["map", "sas"], **mapped)
    assert [(drive.bay.label, drive.bay_source) for drive in by_map.drives if drive.bay] == [
        ("west-bay20", "map"),
        ("west-bay21", "map"),
        ("west-bay22", "map"),
    ]
    by_serial = see(tree, None, bay_sources=["serial"], **mapped)
    assert [(drive.serial, drive.bay.label if drive.bay else None) for drive in by_serial.drives] == [
        ("ACS0000", "bay90"),
        ("ACS0001", "bay91"),
        ("ACS0002", None),
    ]


def test_a_bay_that_two_drives_claim_is_nobodys() -> None:
    seen = see(sas_tree(["0", "0"], ""), bay_map=[{"pattern": "pci-*-lun-*", "bay": "bay07"}])
    assert [drive.bay for drive in seen.drives] == [None, None]
    assert [(one.code, one.serial) for one in seen.findings] == [
        ("bay_unclear", "ACS0000"),
        ("bay_unclear", "ACS0001"),
    ]
    assert "bay07 by map, shared by 2 drives" in seen.findings[0].found


def test_two_units_that_claim_different_bays_give_their_drive_none() -> None:
    seen = see(sas_tree(["0"], ""), bay_map=[{"pattern": "pci-*-lun-{lun}", "bay": "bay{lun}"}])
    assert seen.drives[0].bay is None
    assert "bay00 and bay01 by map" in seen.findings[0].found
