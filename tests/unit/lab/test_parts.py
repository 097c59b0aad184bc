# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Chassis files of the lab: what they mean, and what is wrong with bad ones."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.lab.errors import ChassisError
from tests.lab.parts import Chassis, Limits, Port, ReadError, load, make_chassis, make_drive, parse, wwn_for
from tests.lab.state import State
from tests.lab.tables import parse_size

CHASSIS = Path(__file__).parents[2] / "lab" / "chassis"
BASE: dict[str, Any] = {
    "name": "east",
    "adapters": [{"name": "hba0"}, {"name": "sas0", "kind": "mptsas1068"}],
    "defaults": {"unit_size": "2 TB"},
    "drives": [{"bay": 1, "serial": "A1"}],
}


def with_drive(**keys: Any) -> dict[str, Any]:
    return {**BASE, "drives": [{"bay": 1, "serial": "A1", **keys}]}


def test_the_demo_chassis_is_twelve_drives_behind_two_adapters() -> None:
    chassis = load(CHASSIS / "ebb01.yml")
    assert [adapter.kind for adapter in chassis.adapters] == ["mptsas1068"] * 2
    assert [(drive.bay, drive.ports[0]) for drive in chassis.drives] == [
        (bay, Port(f"sas{bay // 6}", bay % 6)) for bay in range(12)
    ]
    assert {(unit.size, len(drive.units)) for drive in chassis.drives for unit in drive.units} == {(9 * 10**12, 2)}
    wwns = [unit.wwn for drive in chassis.drives for unit in drive.units]
    assert len(set(wwns)) == 24


def test_every_chassis_file_here_is_valid() -> None:
    files = sorted(CHASSIS.glob("*.yml"))
    assert len(files) >= 3
    assert [load(path).name for path in files] == [path.stem for path in files]


def test_world_wide_names_are_naa_5_and_of_no_company() -> None:
    # IEEE 802c: the second lowest bit of the first octet marks a local, unassigned company id.
    name = f"{wwn_for('A1', 1):016x}"
    assert name[0] == "5"
    assert int(name[1:3], 16) & 2
    assert wwn_for("A1", 0) ^ wwn_for("A1", 1) == 1


def test_a_drive_of_every_kind_is_read() -> None:
    chassis = load(CHASSIS / "shapes.yml")
    assert chassis.drive(2).ports == (Port("sas0", 5),)
    assert chassis.drive(3).shared_limits == Limits(iops=200)
    assert chassis.drive(4).unit(1).limits == Limits(iops=50, bps=10_000_000)
    assert chassis.drive(5).unit(1).read_errors == (ReadError(20_000_000, 8),)
    assert not chassis.drive(6).unit(1).present
    assert len(chassis.drive(7).units) == 1
    assert len(set(chassis.drive(8).ports)) == len(set(chassis.drive(8).port_wwns)) == 2
    assert chassis.drive(9).serial == chassis.drive(0).serial
    assert chassis.drive(9).unit(0).wwn != chassis.drive(0).unit(0).wwn


@pytest.mark.parametrize(
    ("data", "key", "says"),
    [
        ([], "chassis", "not a mapping"),
        ({**BASE, "name": "East!"}, "name", "East!"),
        ({**BASE, "release": "sid"}, "release", "'sid' is not one of trixie, bookworm"),
        ({**BASE, "memory": "2G"}, "memory", "'2G' is no whole number"),
        ({**BASE, "cpus": True}, "cpus", "True"),
        ({**BASE, "colour": "red"}, "chassis", "unknown key colour"),
        ({**BASE, "adapters": []}, "adapters", "0 adapters"),
        ({**BASE, "adapters": [{"name": "a"}, {"name": "a"}]}, "adapters[1].name", "'a' names two"),
        (with_drive(units=0), "drives[0].units", "0 is no whole number from 1"),
        (with_drive(unit_size="9 apples"), "drives[0].unit_size", "'9 apples' is no size"),
        (with_drive(unit_size=1000), "drives[0].unit_size", "1000 bytes is no positive multiple of 4096"),
        (with_drive(adapter="sas9"), "drives[0].adapter", "'sas9' is not an adapter"),
        (with_drive(adapter="sas0", target=8), "drives[0].target", "8 is no target of a mptsas1068: 0 to 7"),
        (with_drive(vendor="LONGERNAME"), "drives[0].vendor", "LONGERNAME"),
        (with_drive(logical_block=520), "drives[0].logical_block", "520"),
        (with_drive(wwns=["502ac20000000000"]), "drives[0].wwns", "no list of 2"),
        (with_drive(wwns=["zz", "1"]), "drives[0].wwns[0]", "'zz'"),
        (with_drive(unit={2: {"present": False}}), "drives[0].unit", "[2] are no units"),
        (with_drive(unit={1: {"limits": {"iops": -1}}}), "drives[0].unit.1.limits.iops", "-1"),
        (with_drive(unit={0: {"read_errors": [{}]}}), "drives[0].unit.0.read_errors.sector", "None"),
        ({**BASE, "drives": [{"bays": "0-3", "serial": "X"}]}, "drives[0].serial", "must hold {bay}"),
        ({**BASE, "drives": [{"bays": "3-0", "serial": "X{bay}"}]}, "drives[0].bays", "'3-0'"),
        ({**BASE, "drives": [BASE["drives"][0], {"bay": 1, "serial": "A2"}]}, "drives[1].bay", "already taken"),
        ({**BASE, "drives": [BASE["drives"][0], {"bay": 2, "serial": "A1"}]}, "drives[1].serial", "already in bay 1"),
    ],
)  # fmt: skip
def test_a_bad_value_is_named_with_its_key(data: object, key: str, says: str) -> None:
    with pytest.raises(ChassisError) as caught:
        parse(data)
    assert caught.value.key == key
    assert says in str(caught.value)


def test_a_port_is_given_once() -> None:
    drives = [
        {"bay": 0, "serial": "A0", "adapter": "hba0", "target": 3},
        {"bay": 1, "serial": "A1", "adapter": "hba0", "target": 3},
    ]
    with pytest.raises(ChassisError, match="is already taken by bay 0"):
        parse({**BASE, "drives": drives})


@pytest.mark.parametrize(
    ("text", "size"),
    [("9 TB", 9 * 10**12), ("1.8TB", 1_800_000_000_000), ("512 MiB", 512 * 2**20), ("64k", 64_000), (4096, 4096)],
)
def test_sizes(text: str | int, size: int) -> None:
    assert parse_size(text, "size") == size


@given(drives=st.integers(0, 120), units=st.integers(1, 4), kind=st.sampled_from(["virtio-scsi", "mptsas1068"]))
def test_a_chassis_of_any_size_has_each_port_and_name_once(drives: int, units: int, kind: str) -> None:
    chassis = make_chassis("wide", drives, units, "2 TB", kind)
    ports = [port for drive in chassis.drives for port in drive.ports]
    wwns = [unit.wwn for drive in chassis.drives for unit in drive.units]
    assert len(set(ports)) == len(chassis.drives) == drives
    assert len(set(wwns)) == drives * units
    assert {port.adapter for port in ports} <= {adapter.name for adapter in chassis.adapters}


def test_a_new_drive_takes_the_bays_port_or_a_free_one() -> None:
    chassis = make_chassis("east", 3)
    assert make_drive(chassis, 1, "NEW").ports == (Port("hba0", 1),)
    assert make_drive(chassis, 3, "NEW").ports == (Port("hba0", 3),)
    with pytest.raises(ChassisError, match="already taken by bay 0"):
        make_drive(chassis, 3, "NEW", Port("hba0", 0))


def test_the_state_survives_its_file(tmp_path: Path) -> None:
    chassis: Chassis = load(CHASSIS / "shapes.yml")
    state = State(chassis, "trixie", "00bab10c", "0" * 32, port=2222)
    for drive in chassis.drives:
        state.add(drive)
    state.slots[0].generations[1] = 3
    state.save(tmp_path)
    again = State.load(tmp_path)
    assert again == state
    assert json.loads((tmp_path / "lab.json").read_text()) == json.loads(json.dumps(asdict(state)))
    assert State.load(tmp_path / "none") is None
    hidden = next(slot for slot in state.slots if slot.drive.bay == 6)
    assert [unit.index for unit in hidden.units()] == [0]
