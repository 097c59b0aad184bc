# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The on-host inventory file: reads back what was declared, and is replaced only when that changes."""

import json
import os

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.filter.declared import FilterModule
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core import declared, onhost, server_class
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import (
    DecodeError,
    HostError,
    InputError,
)

DRIVES = {
    "bay00": {"serial": "ACS0001", "model": "SPLIT2X", "unit_bytes": 9000, "wwns": ["naa.5000acf000010000"]},
    "bay01": {"serial": "FL1", "units": 1, "use": "other"},
}
POOL = {
    "name": "archive",
    "policy": {"kind": "raidz"},
    "support": [{"role": "log", "devices": ["naa.5000acf0bb000001"]}],
}
DISCOVERY = {
    "bay_map": [{"pattern": "pci-*-phy{phy}-lun-*", "bay": "bay{phy}"}],
    "enclosures": {},
    "bay_sources": ["map"],
}
CLASS = {"bays": ["bay[00:11]"], "paths": 2, "models": {"SPLIT2X": {"units": 2, "revision": "0042"}}}
host_inventory = FilterModule().filters()["host_inventory"]


def test_the_file_reads_back_as_what_was_declared():
    read = onhost.from_text(host_inventory(DRIVES, "ebb01", POOL, DISCOVERY, CLASS))
    assert read.host == "ebb01"
    assert read.drives == declared.read_drives(DRIVES)
    assert (read.pool, read.pool_name, read.discovery) == (POOL, "archive", DISCOVERY)
    assert read.about == server_class.read_class(**CLASS)
    assert onhost.to_text(read) == host_inventory(dict(reversed(DRIVES.items())), "ebb01", POOL, DISCOVERY, CLASS)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"data": {"bay12": {"serial": "A"}}}, "ebb01: split_actuator_drives.bay12"),
        ({"data": {"bay00": {"serial": 5}}}, "ebb01: split_actuator_drives.bay00.serial: 5"),
        (
            {"pool": {"support": [{"role": "slog", "devices": []}]}},
            "ebb01: split_actuator_pool.support[0].role: 'slog'",
        ),
        ({"discovery": {"bay_map": [{"pattern": "x", "bay": "slot"}]}}, "ebb01: split_actuator_bay_map[0].bay: 'slot'"),
        ({"discovery": {"enclosures": {"zz": "west"}}}, "ebb01: split_actuator_enclosures: 'zz'"),
        ({"about": {"paths": "two"}}, "ebb01: split_actuator_paths: 'two'"),
        ({"about": {"models": {"M": {"units": 99}}}}, "ebb01: split_actuator_models.M.units: 99"),
    ],
)
def test_errors_name_host_key_and_value(change, told):
    told_to = {"data": DRIVES, "host": "ebb01", "pool": POOL, "discovery": DISCOVERY, "about": CLASS, **change}
    with pytest.raises(Exception, match=r"^ebb01: ") as caught:
        host_inventory(*told_to.values())
    assert str(caught.value).startswith(told)


def test_it_is_written_once(tmp_path):
    path = str(tmp_path / "inventory.json")
    inventory = onhost.Inventory("ebb01", declared.read_drives(DRIVES))
    assert onhost.read(path) is None
    assert onhost.write(inventory, path) is True
    before = os.stat(path)
    assert onhost.write(inventory, path) is False
    assert os.stat(path) == before
    assert onhost.read(path) == inventory
    assert os.listdir(tmp_path) == ["inventory.json"]


def test_a_file_that_others_may_write_or_that_is_a_link_is_not_believed(tmp_path):
    path = tmp_path / "inventory.json"
    onhost.write(onhost.Inventory("ebb01"), str(path))
    path.chmod(0o666)
    with pytest.raises(HostError, match="others than root"):
        onhost.read(str(path))
    link = tmp_path / "link.json"
    link.symlink_to(path)
    with pytest.raises(HostError, match="cannot be read"):
        onhost.read(str(link))


@pytest.mark.parametrize(
    ("text", "error"),
    [
        ("{", DecodeError),
        ("[]", InputError),
        ("{}", InputError),
        ('{"version": 2, "host": "a", "drives": {}}', InputError),
        ('{"version": 1, "host": "a", "drives": {}, "more": 1}', InputError),
        ('{"version": true, "host": "a", "drives": {}}', InputError),
        (json.dumps({"version": 1, "host": "a", "drives": {"bay00": {"serial": ""}}}), InputError),
    ],
)
def test_a_damaged_file_is_told(text, error):
    with pytest.raises(error):
        onhost.from_text(text)
