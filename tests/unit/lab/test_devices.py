# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""What the lab tells the emulator, and how it tells its own process from others."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
from pathlib import Path

import pytest

from tests.lab import devices, qemu
from tests.lab.image import Image, packages
from tests.lab.parts import ReadError, make_chassis, parse


def machine(folder: Path, outside: bool = True) -> qemu.Machine:
    chassis = make_chassis("east", 2, adapter="mptsas1068", outside=outside)
    return qemu.Machine(
        chassis, Image("trixie", folder), folder / "root.qcow2", folder, folder, 40022, "tcg,thread=multi", "0a0b0c0d",
        "f" * 32,
    )  # fmt: skip


def test_two_units_share_target_and_serial_and_differ_in_lun_and_name() -> None:
    drive = make_chassis("east", 3).drives[2]
    one, two = (devices.unit_device(drive, "k3", unit, 0, f"k3u{unit.index}") for unit in drive.units)
    differing = {key for key in one if one[key] != two[key]}
    assert differing == {"id", "lun", "drive", "wwn"}
    assert (one["bus"], one["scsi-id"], one["lun"], two["lun"]) == ("hba0.0", 2, 0, 1)
    assert one["device_id"] == ""


def test_hostile_texts_reach_the_emulator_unchanged() -> None:
    hostile = "a,b=c\"'$(x)\n%\u00e9"
    data = {
        "name": "east",
        "adapters": [{"name": "hba0"}],
        "drives": [{"bay": 0, "serial": hostile, "unit_size": "1 GiB"}],
    }
    drive = parse(data).drives[0]
    device = devices.unit_device(drive, "k1", drive.unit(0), 0, "k1u0")
    assert json.loads(json.dumps(device))["serial"] == hostile


def test_both_paths_of_a_unit_share_its_node() -> None:
    data = {
        "name": "east",
        "adapters": [{"name": "hba0"}, {"name": "hba1"}],
        "drives": [{"bay": 0, "serial": "A", "unit_size": "1 GiB", "second_path": {"adapter": "hba1"}}],
    }
    drive = parse(data).drives[0]
    one, two = (devices.unit_device(drive, "k1", drive.unit(0), path, "k1u0") for path in (0, 1))
    assert {key for key in one if one[key] != two[key]} == {"id", "bus", "port_wwn", "port_index"}
    assert one["share-rw"] is two["share-rw"] is True


def test_each_unreadable_sector_has_a_rule() -> None:
    node = devices.fault_blockdev("k1", 0, 2, [ReadError(100, 3), ReadError(7)])
    assert [rule["sector"] for rule in node["inject-error"]] == [100, 101, 102, 7]
    assert {rule["iotype"] for rule in node["inject-error"]} == {"read"}
    assert node["image"] == "k1u0"
    # The emulator's limit for node names.
    assert len(devices.fault_node("k99999", 13, 9999)) < 32


def test_the_command_line_listens_on_the_local_address_only(tmp_path: Path) -> None:
    argv = qemu.machine_argv(machine(tmp_path), [{"node-name": "k1u0"}], [{"id": "k1u0p0"}])
    network = argv[argv.index("-netdev") + 1]
    assert "hostfwd=tcp:127.0.0.1:40022-:22" in network
    assert network.count("hostfwd") == 1
    assert not [word for word in argv if "vnc" in word or "tcp:" in word.replace("hostfwd=tcp:127.0.0.1:", "")]
    assert argv[argv.index("-qmp") + 1].startswith(f"unix:{tmp_path}/qmp")
    assert "-nodefaults" in argv
    adapters = [json.loads(word) for word in argv if word.startswith("{") and "mptsas" in word]
    assert adapters == [{"driver": "mptsas1068", "id": "hba0", "bus": "pcie.0", "addr": "0x8"}]
    assert "lab.hostid=0a0b0c0d" in argv[argv.index("-append") + 1]


def test_a_closed_guest_reaches_nothing(tmp_path: Path) -> None:
    argv = qemu.machine_argv(machine(tmp_path, outside=False), [], [])
    assert "restrict=on" in argv[argv.index("-netdev") + 1]


def test_a_path_with_a_comma_is_one_path(tmp_path: Path) -> None:
    folder = tmp_path / "a,b"
    argv = qemu.machine_argv(machine(folder), [], [])
    assert f"path={tmp_path}/a,,b/serial.log" in argv[argv.index("-chardev") + 1]


def test_only_the_process_that_was_started_is_ended() -> None:
    with subprocess.Popen(["sleep", "60"]) as child:
        ours = qemu.Process.of(child.pid)
        qemu.Process(ours.pid, ours.started + 1).end(signal.SIGKILL)
        assert ours.alive()
        assert child.poll() is None
        ours.end(signal.SIGKILL)
        assert not ours.alive()


def test_a_free_port_is_free_until_it_is_taken() -> None:
    port = qemu.free_port()
    assert qemu.is_free(port)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", port))
        taken.listen()
        assert not qemu.is_free(port)


@pytest.mark.parametrize("text", ["a\n# b\nc # d\n\n", "a\nc"])
def test_package_lists(text: str) -> None:
    assert packages(text) == ["a", "c"]
