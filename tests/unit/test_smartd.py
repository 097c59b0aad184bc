# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""smartd's lines: every unit once, by a name that stays."""

from dataclasses import replace

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import InputError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Bay, Drive, Unit
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.smartd import smartd_lines


def drive(slot, *wwns):
    return Drive("k", "ACS1", tuple(Unit(index, wwn=wwn) for index, wwn in enumerate(wwns)), bay=Bay("west", slot))


def test_each_unit_has_a_line_with_its_own_schedule():
    lines = smartd_lines(
        [drive(7, "naa.5000ace200070000", "naa.5000ace200070001")], "-a -m root", ["L/../../6/02", "L/../../7/02"]
    )
    assert lines == [
        "/dev/disk/by-vdev/west-bay07.0 -d removable -a -m root -s L/../../6/02",
        "/dev/disk/by-vdev/west-bay07.1 -d removable -a -m root -s L/../../7/02",
    ]


def test_a_drive_that_splits_by_range_is_watched_once():
    assert smartd_lines([drive(7, *["naa.5000ace200070000"] * 2)], "-a") == [
        "/dev/disk/by-id/wwn-0x5000ace200070000 -d removable -a"
    ]


def test_devices_of_supporting_vdevs_are_watched_too():
    assert smartd_lines([], "-a", (), ["naa.5000ace2bb000001", "eui.0025385b71b00001"]) == [
        "/dev/disk/by-id/wwn-0x5000ace2bb000001 -d removable -a",
        "/dev/disk/by-id/nvme-eui.0025385b71b00001 -d removable -a",
    ]


def test_a_unit_without_a_name_has_no_line():
    odd = drive(7, "", 'naa.5000" x')
    assert smartd_lines([odd, replace(odd, bay=None)], "-a") == []


@pytest.mark.parametrize("text", ["-a\n/dev/sda -a", "-a # x", "-a \\", "\x1b[1m"])
def test_directives_stay_on_their_line(text):
    with pytest.raises(InputError):
        smartd_lines([], text)
    with pytest.raises(InputError):
        smartd_lines([], "-a", [text])
