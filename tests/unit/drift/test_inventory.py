# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Findings on the inventory: each difference is told once, with its code, bay and serial, and nothing else is."""

from dataclasses import replace

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core import declared, server_class
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift import inventory as drift
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import InputError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.discover import Found
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.disks import Blocks
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Bay, Drive, Finding, Unit

SIZE = 9 * 10**12
ANY = server_class.ServerClass()


def wwn(slot, index):
    return "naa.5000ace2{0:04x}{1:04x}".format(slot, index)


def drive(slot, **more):
    facts = {
        "key": "k{0}".format(slot), "serial": "ACS{0:04d}".format(slot), "vendor": "ACTWO", "model": "ACTW-D9",
        "firmware": "0001", "bay": Bay("", slot), "bay_source": "enclosure", "expected_units": 2,
    }  # fmt: skip
    units = more.pop("units", None) or tuple(
        Unit(
            index, wwn=wwn(slot, index), size=SIZE, node="/dev/sd{0}{1}".format(slot, index),
            links=("/dev/disk/by-vdev/bay{0:02d}.{1}".format(slot, index),),
        )
        for index in (0, 1)
    )  # fmt: skip
    return Drive(units=units, **{**facts, **more})


SYSTEM = Drive("sys", "", (Unit(0, size=10**10, node="/dev/vda"),), bay=None, expected_units=1)
ALL = [drive(slot) for slot in range(4)]
DECLARED = declared.read_drives(declared.draft(ALL))


def findings(drives, about=ANY, wanted=DECLARED, support=(), noted=()):
    found = Found((*drives, SYSTEM), tuple(noted), Blocks((), ()))
    return drift.inventory_findings(wanted, found, about, support)


def codes(*args, **more):
    return [(one.code, one.severity, one.bay, one.serial, one.index) for one in findings(*args, **more)]


def with_unit(one, index, **more):
    units = tuple(replace(unit, **more) if unit.index == index else unit for unit in one.units)
    return replace(one, units=units)


def test_a_host_as_declared_has_no_finding():
    assert findings(ALL) == ()


def test_units_of_one_drive_may_differ_in_size_as_long_as_drives_do_not():
    short = [with_unit(one, 0, size=SIZE // 2) for one in ALL]
    unsaid = [replace(one, unit_bytes=()) for one in DECLARED]
    said = declared.read_drives(declared.draft(short))
    model = server_class.read_class([], 0, {"ACTW-D9": {"unit_bytes": [SIZE // 2, SIZE]}})
    odd = [*short[:3], with_unit(short[3], 0, size=SIZE // 4)]
    for wanted, about in ((unsaid, ANY), (said, ANY), (unsaid, model)):
        assert findings(short, about, wanted) == ()
        assert codes(odd, about, wanted) == [("unit_size", "error", "bay03", "ACS0003", 0)]


@pytest.mark.parametrize(
    ("change", "code"),
    [
        (lambda one: [one][:0], ("drive_missing", "error", "bay02", "ACS0002", None)),
        (lambda one: [replace(one, model="SPLIT3X")], ("model_differs", "warning", "bay02", "ACS0002", None)),
        (lambda one: [replace(one, firmware="0002")], ("firmware_differs", "warning", "bay02", "ACS0002", None)),
        (lambda one: [with_unit(one, 1, wwn="naa.5000ace2ffff0000")], ("wwn_differs", "error", "bay02", "ACS0002", 1)),
        (lambda one: [with_unit(one, 1, size=SIZE - 10**9)], ("unit_size", "error", "bay02", "ACS0002", 1)),
        (lambda one: [with_unit(one, 1, size=SIZE + 10**9)], ("unit_size", "warning", "bay02", "ACS0002", 1)),
        (lambda one: [with_unit(one, 0, logical_block=4096)], ("block_size_differs", "warning", "bay02", "ACS0002", 0)),
        (lambda one: [with_unit(one, 0, links=("/dev/x",))], ("name_missing", "warning", "bay02", "ACS0002", 0)),
        (lambda one: [replace(one, bay=None, bay_source="")], ("bay_unknown", "warning", "bay02", "ACS0002", None)),
        (lambda one: [one, drive(9)], ("drive_undeclared", "warning", "bay09", "ACS0009", None)),
        (lambda one: [one, drive(9, bay=None, bay_source="")], ("drive_undeclared", "warning", "", "ACS0009", None)),
    ],
)  # fmt: skip
def test_one_difference_is_one_finding(change, code):
    assert codes(ALL[:2] + change(ALL[2]) + ALL[3:]) == [code]


def test_sizes_alike_to_openzfs_are_no_finding():
    assert findings([with_unit(ALL[0], 1, size=SIZE - drift.ALIKE), *ALL[1:]]) == ()


def test_a_moved_drive_is_told_where_it_is_and_where_it_should_be():
    (one,) = findings(
        [*ALL[:3], replace(drive(3), bay=Bay("", 8), units=tuple(replace(unit, links=()) for unit in ALL[3].units))]
    )
    assert (one.code, one.bay, one.declared, one.found) == ("drive_moved", "bay08", "bay03", "bay08 (by enclosure)")


def test_another_drive_in_a_declared_bay_is_a_missing_and_an_undeclared_one():
    other = replace(drive(9), bay=Bay("", 3))
    found = findings([*ALL[:3], other])
    assert [(one.code, one.bay) for one in found] == [("drive_missing", "bay03"), ("drive_undeclared", "bay03")]
    assert found[1].declared == "serial ACS0003"


def test_two_drives_of_one_serial_are_left_to_the_collision():
    noted = [Finding("serial_collision", "error", "ACS0001", label) for label in ("bay01", "bay05")]
    twin = replace(drive(1), key="twin", bay=Bay("", 5))
    assert codes([*ALL, twin], noted=noted) == [
        ("serial_collision", "error", "bay01", "ACS0001", None),
        ("serial_collision", "error", "bay05", "ACS0001", None),
    ]


def test_findings_about_the_systems_own_disk_are_left_out():
    noted = [
        Finding("wwn_missing", "warning", "SYS1", ""),
        Finding("serial_missing", "warning", "", ""),
        Finding("udev_silent", "error"),
    ]
    assert [one.code for one in findings(ALL, noted=noted)] == ["udev_silent"]


def test_without_a_source_of_bays_that_is_said_once():
    assert codes([replace(one, bay_source="serial") for one in ALL]) == [("bays_unconfirmed", "info", "", "", None)]


def test_an_ordinary_drive_is_undeclared_only_in_a_bay_of_the_chassis():
    flash = Drive(
        "f",
        "FL1",
        (Unit(0, wwn="naa.5000ace2bb000001", size=10**12, node="/dev/sdz"),),
        bay=Bay("", 20),
        bay_source="map",
        expected_units=1,
    )
    about = server_class.read_class(["bay[00:23]"], 0, {})
    assert codes([*ALL, flash]) == []
    assert codes([*ALL, flash], about=about) == [("drive_undeclared", "warning", "bay20", "FL1", None)]
    assert codes([*ALL, flash], about=about, support=["naa.5000ace2bb000001"]) == []
    assert codes(ALL, support=["naa.5000ace2bb000001"]) == [("support_missing", "error", "", "", None)]


def test_what_a_model_is_declared_to_be_counts_more_than_what_most_are():
    about = server_class.read_class([], 0, {"ACTW-D9": {"firmware": "0002", "logical_block": 4096}})
    assert [one.code for one in findings(ALL, about=about)] == (["block_size_differs"] * 2 + ["firmware_differs"]) * 4


@pytest.mark.parametrize(
    ("bays", "paths", "models", "place"),
    [
        ("bay00", 0, {}, "ebb01: split_actuator_bays"),
        (["slot1"], 0, {}, "ebb01: split_actuator_bays[0]"),
        (["bay[9:2]"], 0, {}, "ebb01: split_actuator_bays[0]"),
        (["bay00", "bay[0:3]"], 0, {}, "ebb01: split_actuator_bays"),
        ([], 9, {}, "ebb01: split_actuator_paths_per_unit"),
        ([], True, {}, "ebb01: split_actuator_paths_per_unit"),
        ([], 0, [], "ebb01: split_actuator_models"),
        ([], 0, {"M": {"sectors": 1}}, "ebb01: split_actuator_models.M"),
        ([], 0, {"M": {"logical_block": 520}}, "ebb01: split_actuator_models.M.logical_block"),
        ([], 0, {"M": {"firmware": 42}}, "ebb01: split_actuator_models.M.firmware"),
        ([], 0, {"M": {"unit_count": 99}}, "ebb01: split_actuator_models.M.unit_count"),
    ],
)
def test_a_wrong_class_names_host_key_and_value(bays, paths, models, place):
    with pytest.raises(InputError) as caught:
        server_class.read_class(bays, paths, models, "ebb01")
    assert caught.value.subject == place
    assert caught.value.message


def test_a_drive_in_a_bay_that_the_chassis_lacks_is_refused():
    about = server_class.read_class(["bay[0:2]"], 0, {})
    with pytest.raises(InputError) as caught:
        server_class.refuse_strange_bays(DECLARED, about, "ebb01")
    assert caught.value.subject == "ebb01: split_actuator_drives.bay03"
    assert "ACS0003" in caught.value.message
