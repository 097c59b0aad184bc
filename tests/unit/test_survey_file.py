# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The variables file that a survey writes, from drives as drive_info returns them."""

import pytest
import yaml

from ansible_collections.evenkeel.split_actuator.plugins.module_utils import _face_inventory
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import HostError, InputError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Bay, Drive, Unit
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import to_plain


def drive(slot, serial):
    units = tuple(Unit(index, wwn="naa.5000ace2{0:04x}{1:04x}".format(slot, index), size=9000) for index in (0, 1))
    return to_plain(Drive("k" + serial, serial, units, model="ACTW-D9", bay=Bay("", slot), expected_units=2))


FOUND = [drive(0, "ACS0"), drive(1, "ACS1")]


def test_a_missing_file_is_drafted_and_then_left_alone(tmp_path):
    path = tmp_path / "host_vars" / "ebb01" / "drives.yml"
    first = _face_inventory.surveyed(str(path), "ebb01", FOUND, elsewhere=False)
    assert first.before == ""
    assert yaml.safe_load(first.after)["split_actuator_drives"] == first.drives
    assert list(first.drives) == ["bay00", "bay01"]
    assert first.notes == ("bay00: holds serial ACS0", "bay01: holds serial ACS1")
    assert not path.exists()
    path.parent.mkdir(parents=True)
    path.write_text(first.after)
    again = _face_inventory.surveyed(str(path), "ebb01", FOUND, elsewhere=True)
    assert (again.after, again.notes, again.drives) == (first.after, (), first.drives)


def test_drives_that_share_a_serial_or_have_no_bay_are_not_drafted(tmp_path):
    found = [*FOUND, drive(5, "ACS1"), {**drive(6, "ACS6"), "bay": None}]
    assert list(_face_inventory.surveyed(str(tmp_path / "x"), "ebb01", found, elsewhere=False).drives) == ["bay00"]


def test_drives_declared_in_another_file_are_not_declared_twice(tmp_path):
    with pytest.raises(InputError, match=r"ebb01: split_actuator_drives has a value .* split_actuator_drives_file"):
        _face_inventory.surveyed(str(tmp_path / "drives.yml"), "ebb01", FOUND, elsewhere=True)


@pytest.mark.parametrize("text", [b"split_actuator_drives: [1]\n", b"split_actuator_drives: {bay00: {serial: 1}}\n"])
def test_what_is_not_allowed_is_told_with_the_host(tmp_path, text):
    (tmp_path / "drives.yml").write_bytes(text)
    with pytest.raises(InputError, match="ebb01: split_actuator_drives"):
        _face_inventory.surveyed(str(tmp_path / "drives.yml"), "ebb01", FOUND, elsewhere=True)


def test_a_file_that_is_no_text_is_told(tmp_path):
    (tmp_path / "drives.yml").write_bytes(b"\xff\xfe")
    with pytest.raises(HostError, match="cannot be read"):
        _face_inventory.surveyed(str(tmp_path / "drives.yml"), "ebb01", FOUND, elsewhere=False)
