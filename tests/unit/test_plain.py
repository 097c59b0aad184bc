# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The border between dataclasses and plain data."""

import json

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import InputError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import (
    Bay,
    Content,
    Drive,
    Unit,
    UnitPath,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import from_plain, to_plain

DRIVE = Drive(
    key="naa.5000000000000001",
    serial="AC0001",
    bay=Bay("west", 7),
    units=(
        Unit(0, wwn="naa.5000000000000002", contents=(Content("filesystem", "ext4", "/dev/sda"),)),
        Unit(1, paths=(UnitPath("0:0:0:1", "/dev/sdb"),)),
    ),
)


def test_a_drive_survives_the_way_through_json():
    assert from_plain(Drive, json.loads(json.dumps(to_plain(DRIVE)))) == DRIVE


@pytest.mark.parametrize(
    ("spoil", "place"),
    [
        (lambda d: d.update(colour="red"), "Drive"),
        (lambda d: d.pop("serial"), "Drive"),
        (lambda d: d["units"][1].update(index="1"), r"Drive\.units\[1\]\.index"),
        (lambda d: d["units"][1].update(index=True), r"Drive\.units\[1\]\.index"),
        (lambda d: d.update(units="none"), r"Drive\.units"),
    ],
)
def test_wrong_data_names_its_place(spoil, place):
    data = to_plain(DRIVE)
    spoil(data)
    with pytest.raises(InputError, match="^" + place + ":"):
        from_plain(Drive, data)


@pytest.mark.parametrize("bay", [Bay("", 0), Bay("", 7), Bay("west", 101)])
def test_bay_labels_parse_back(bay):
    assert Bay.parse(bay.label) == bay


@pytest.mark.parametrize("label", ["", "bay", "bay-1", "7", "bay07.1", "West-bay1", "bay1\n", "a b-bay1", "../bay1"])
def test_what_is_no_bay_label_is_refused(label):
    with pytest.raises(InputError):
        Bay.parse(label)
