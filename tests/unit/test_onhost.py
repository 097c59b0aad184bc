# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The declared inventory as kept on the host."""

from __future__ import annotations

import json
import os
import stat
from pathlib import Path

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core import onhost
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.declared import DeclaredDrive
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import (
    DecodeError,
    HostError,
    InputError,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.onhost import Inventory

INVENTORY = Inventory(
    host="ebb01",
    drives=(
        DeclaredDrive(
            "bay00", "ACS0000", "ACTW-D9", 2, (9 * 10**12,), ("naa.55e5e5e000000000", "naa.55e5e5e000000001")
        ),
        DeclaredDrive("bay01", "ACR0001", unit_count=2, unit_bytes=(4 * 10**12, 14 * 10**12)),
        DeclaredDrive("bay02", "ACS0002"),
    ),
    pool={"name": "archive", "policy": {"kind": "raidz", "parity": 2}},
    discovery={"bay_map": [{"pattern": "pci-*-phy{n}-lun-*", "bay": "bay{n}"}]},
)


def test_what_is_written_is_read(tmp_path: Path) -> None:
    path = str(tmp_path / "inventory.json")
    assert onhost.read(path) is None
    assert onhost.write(INVENTORY, path)
    assert onhost.read(path) == INVENTORY
    assert INVENTORY.pool_name == "archive"
    before = os.stat(path)
    assert not onhost.write(INVENTORY, path), "nothing to change"
    assert os.stat(path).st_ino == before.st_ino
    assert stat.S_IMODE(before.st_mode) == 0o644
    assert [entry.name for entry in tmp_path.iterdir()] == ["inventory.json"]


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"version": 2}, "version 2 is not known"),
        ({"version": "1"}, "inventory.version"),
        ({"host": None}, "inventory.host"),
        ({"colour": "red"}, "unknown key colour"),
        ({"drives": []}, "inventory.drives"),
        ({"drives": {"bay00": {"serial": 7}}}, "bay00.serial"),
        ({"drives": {"shelf": {"serial": "A"}}}, "not a bay name"),
        ({"pool": []}, "inventory.pool"),
    ],
)
def test_what_is_wrong_is_named(change: dict[str, object], match: str) -> None:
    data = {**json.loads(onhost.to_text(INVENTORY)), **change}
    with pytest.raises(InputError, match=match):
        onhost.from_text(json.dumps(data))


@pytest.mark.parametrize("key", ["version", "host", "drives"])
def test_what_is_missing_is_named(key: str) -> None:
    data = json.loads(onhost.to_text(INVENTORY))
    del data[key]
    with pytest.raises(InputError, match=key):
        onhost.from_text(json.dumps(data))


def test_damage_and_a_loose_mode_are_told(tmp_path: Path) -> None:
    path = tmp_path / "inventory.json"
    path.write_text("{")
    with pytest.raises(DecodeError):
        onhost.read(str(path))
    path.write_bytes(b"\xff")
    with pytest.raises(DecodeError, match="UTF-8"):
        onhost.read(str(path))
    onhost.write(INVENTORY, str(path))
    path.chmod(0o666)
    with pytest.raises(HostError, match="other than root"):
        onhost.read(str(path))
    link = tmp_path / "link.json"
    link.symlink_to(path)
    with pytest.raises(HostError):
        onhost.read(str(link))
    with pytest.raises(HostError, match="cannot be written"):
        onhost.write(INVENTORY, str(tmp_path / "nowhere" / "inventory.json"))
