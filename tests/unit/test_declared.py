# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The declared inventory: what is refused, and how it is completed by what was found."""

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core import declared, names
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import InputError, Refusal
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.assign import plan
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.policy import Policy
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Bay, Drive, Unit


def drive(slot, serial=None, sizes=(9000, 9000), wwns=True):
    units = tuple(
        Unit(index, wwn="naa.5000ace2{0:04x}{1:04x}".format(slot, index) if wwns else "", size=size)
        for index, size in enumerate(sizes)
    )
    return Drive(
        key="k{0}".format(slot),
        serial=serial or "ACS{0:04d}".format(slot),
        units=units,
        bay=Bay("", slot),
        model="ACTW-D9",
    )


def test_a_draft_reads_back_as_the_found_drives():
    found = [drive(slot) for slot in (11, 0, 7)]
    read = declared.read_drives(declared.draft(found), "ebb01")
    assert [item.bay for item in read] == ["bay00", "bay07", "bay11"]
    merged = declared.merge(read, [])
    assert [(d.serial, [(u.wwn, u.size) for u in d.units]) for d in merged] == [
        (d.serial, [(u.wwn, u.size) for u in d.units]) for d in sorted(found, key=lambda d: d.bay)
    ]
    assert declared.survey_notes(read, found) == ()


def test_units_of_unlike_sizes_are_declared_each_and_come_back_each():
    """Ranges of a drive may differ; each is planned with its own size, also while the drive is away."""
    short, long = 4 * 10**12, 14 * 10**12
    found = [drive(slot, sizes=(short, long)) for slot in range(4)]
    drafted = declared.draft(found)
    assert drafted["bay00"]["unit_bytes"] == [short, long]
    merged = declared.merge(declared.read_drives(drafted), [])
    assert [[unit.size for unit in one.units] for one in merged] == [[short, long]] * 4
    layout = plan(merged, Policy.from_plain({"kind": "raidz", "parity": 1, "width": 4}))
    assert [{member.size for member in vdev.members} for vdev in layout.vdevs] == [{short}, {long}]
    # A few MiB are no difference: OpenZFS counts with the least, and so does the declaration.
    assert declared.draft([drive(0, sizes=(9000, 9001))])["bay00"]["unit_bytes"] == 9000


@pytest.mark.parametrize(
    ("data", "place"),
    [
        ([], "ebb01: split_actuator_drives"),
        ({"slot7": {"serial": "A"}}, "ebb01: split_actuator_drives"),
        ({"bay07": "A"}, "split_actuator_drives.bay07"),
        ({"bay07": {}}, "split_actuator_drives.bay07.serial"),
        ({"bay07": {"serial": 12345}}, "split_actuator_drives.bay07.serial"),
        ({"bay07": {"serial": "$(reboot)"}}, "split_actuator_drives.bay07.serial"),
        ({"bay07": {"serial": "A\n"}}, "split_actuator_drives.bay07.serial"),
        ({"bay07": {"serial": "A", "unit_count": 0}}, "split_actuator_drives.bay07.unit_count"),
        ({"bay07": {"serial": "A", "unit_count": True}}, "split_actuator_drives.bay07.unit_count"),
        ({"bay07": {"serial": "A", "unit_bytes": -1}}, "split_actuator_drives.bay07.unit_bytes"),
        ({"bay07": {"serial": "A", "unit_bytes": [1, 2, 3]}}, "split_actuator_drives.bay07.unit_bytes"),
        ({"bay07": {"serial": "A", "unit_bytes": [1, 0]}}, "split_actuator_drives.bay07.unit_bytes[1]"),
        ({"bay07": {"serial": "A", "wwns": ["5000"]}}, "split_actuator_drives.bay07.wwns"),
        ({"bay07": {"serial": "A", "slot": 7}}, "split_actuator_drives.bay07"),
        ({"bay07": {"serial": "A"}, "bay08": {"serial": "A"}}, "split_actuator_drives"),
        ({"bay07": {"serial": "A"}, "bay7": {"serial": "B"}}, "split_actuator_drives"),
    ],
)
def test_wrong_declarations_name_host_key_and_value(data, place):
    with pytest.raises(InputError) as caught:
        declared.read_drives(data, "ebb01")
    assert place in caught.value.subject
    assert "ebb01" in caught.value.subject


def test_a_missing_drive_of_unknown_size_is_refused_by_bay_and_serial():
    wanted = declared.read_drives({"bay03": {"serial": "GONE1"}, "bay00": {"serial": "ACS0000"}})
    with pytest.raises(Refusal) as caught:
        declared.merge(wanted, [drive(0)])
    assert caught.value.reasons == ("bay03 (serial GONE1): not found on the host, and unit_bytes is not declared",)


def test_survey_notes_tell_moved_missing_and_undeclared_drives():
    wanted = declared.read_drives(
        {"bay00": {"serial": "ACS0005"}, "bay01": {"serial": "ACS0009"}, "bay02": {"serial": "ACS0002"}}
    )
    assert declared.survey_notes(wanted, [drive(5), drive(2, serial="OTHER")]) == (
        "bay00: serial ACS0005 is declared; it is in bay05",
        "bay01: serial ACS0009 is declared; it was not found",
        "bay02: serial ACS0002 is declared, OTHER was found",
        "bay05: holds serial ACS0005, which is not declared",
    )


def test_rules_name_each_unit_once_by_its_own_wwn():
    text = names.udev_rules([drive(7), drive(0)])
    lines = [line for line in text.splitlines() if "SYMLINK" in line and "DM_UUID" not in line]
    wanted = []
    for slot in (0, 7):
        for index in (0, 1):
            same = 'ENV{{ID_WWN_WITH_EXTENSION}}=="0x5000ace2{0:04x}{1:04x}", '.format(slot, index)
            link = 'SYMLINK+="disk/by-vdev/bay{0:02d}.{1}'.format(slot, index)
            wanted += [
                'ENV{DEVTYPE}=="disk", ' + same + link + '"',
                'ENV{DEVTYPE}=="partition", ' + same + link + '-part%n"',
            ]
    assert lines == wanted


def test_a_multipath_map_has_the_name_and_its_paths_have_not():
    lines = names.udev_rules([drive(7)]).splitlines()
    skip = lines.index('ENV{DM_MULTIPATH_DEVICE_PATH}=="1", GOTO="evenkeel_units_end"')
    assert all("SYMLINK" not in line for line in lines[:skip])
    maps = lines[lines.index('LABEL="evenkeel_units_maps"') :]
    assert [line for line in maps if "bay07.1" in line] == [
        'ENV{DM_UUID}=="mpath-35000ace200070001", SYMLINK+="disk/by-vdev/bay07.1"',
        (
            'ENV{DM_UUID}=="part*-mpath-35000ace200070001", ENV{DM_PART}=="?*", '
            'SYMLINK+="disk/by-vdev/bay07.1-part$env{DM_PART}"'
        ),
    ]


def test_an_nvme_name_is_matched_in_the_form_udev_gives_it():
    flash = Drive("k", "F1", (Unit(0, wwn="eui.0025385b71b00001"),), bay=Bay("", 1))
    assert (
        'ENV{DEVTYPE}=="disk", ENV{ID_WWN}=="eui.0025385b71b00001", SYMLINK+="disk/by-vdev/bay01.0"'
        in names.udev_rules([flash])
    )


@pytest.mark.parametrize("wwn", ["", "naa.5000", 'naa.5000ace200000000" RUN+="/bin/sh', "t10.ACTWO ACTW-D9 $(x)"])
def test_a_strange_wwn_makes_no_rule(wwn):
    odd = Drive(key="k", serial="S", units=(Unit(0, wwn=wwn, size=1),), bay=Bay("", 1))
    assert "SYMLINK" not in names.udev_rules([odd])


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("/dev/disk/by-vdev/bay07.1-part1", ("bay07", 1)),
        ("west-bay101.0", ("west-bay101", 0)),
        ("/dev/disk/by-id/wwn-0x5000ace200070001-part1", ("", -1)),
        ("bay07.1x", ("", -1)),
    ],
)
def test_unit_names_parse_back(text, told):
    assert names.parse_unit_name(text) == told
