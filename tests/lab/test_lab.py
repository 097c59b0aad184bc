# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The lab proves itself: what a chassis file says is what the guest's own tools see."""

from __future__ import annotations

import json
import re
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.lab import qemu
from tests.lab.errors import LabError
from tests.lab.lab import Lab
from tests.lab.parts import Chassis, Limits, Port, make_chassis
from tests.lab.paths import socket_dir

pytestmark = pytest.mark.lab
LabOf = Callable[[Chassis | str], Lab]
CHASSIS = Path(__file__).with_name("chassis")


def node(lab: Lab, which: int | str, unit: int) -> str:
    return f"/dev/{lab.guest_unit(which, unit)['block']}"


def sg_serials(lab: Lab) -> dict[str, str]:
    """Serial number of each disk node, as sg3-utils decodes page 80h."""
    script = 'for d in /dev/sd?; do echo "$d $(sg_vpd --page=sn --quiet $d 2>&1 | tail -1)"; done'
    lines = [line.split(" ", 1) for line in lab.run(script).out.splitlines()]
    return {name: text.rpartition(":")[2].strip() for name, text in lines}


def write_mark(lab: Lab, device: str, text: str) -> None:
    lab.run(f"printf %s {text} | dd of={device} bs=512 count=1 seek=4096 conv=sync,fsync oflag=direct status=none")


def read_mark(lab: Lab, device: str) -> str:
    done = lab.run(f"dd if={device} bs=512 count=1 skip=4096 iflag=direct status=none | tr -d '\\0'")
    return done.out


class TestEbb01:
    def test_each_drive_is_two_units_of_one_serial(self, lab: Lab) -> None:
        serials = sg_serials(lab)
        described = yaml.safe_load((CHASSIS / "ebb01.yml").read_text())["drives"]
        expected = {f"{entry['serial'][:4]}{bay:02d}" for entry in described for bay in range(12)}
        assert Counter(serials.values()) == dict.fromkeys(expected, 2)
        wwns = lab.run("lsscsi --unit --brief").out.split()
        identities = {word for word in wwns if re.fullmatch("[0-9a-f]{16}", word)}
        assert len(identities) == 24

    def test_the_kernel_has_true_sizes_and_names(self, lab: Lab) -> None:
        units = lab.guest_units()
        assert {(unit["bytes"], unit["vendor"], unit["model"]) for unit in units} == {(9 * 10**12, "ACTWO", "ACTW-D9")}
        for pci, bays in (("0000:00:08.0", range(6)), ("0000:00:09.0", range(6, 12))):
            for phy, bay in enumerate(bays):
                for lun in (0, 1):
                    unit = lab.guest_unit(bay, lun)
                    serial = bytes.fromhex(unit["vpd80"])[4:].decode()
                    assert serial == f"ACT1{bay:02d}"
                    assert f"/dev/disk/by-path/pci-{pci}-sas-phy{phy}-lun-{lun}" in unit["links"]
        # READ CAPACITY asked by sg3-utils, apart from the kernel's own reading.
        assert "Device size: 9000000000000 bytes" in lab.run(f"sg_readcap --16 {node(lab, 5, 1)}").out

    def test_a_pulled_sas_drive_stops_answering_and_comes_back_with_its_data(self, lab: Lab) -> None:
        before = [node(lab, 7, unit) for unit in (0, 1)]
        for unit, device in enumerate(before):
            write_mark(lab, device, f"mark{unit}")
        lab.pull(7)
        for device in before:
            assert lab.run(f"test -b {device}").rc == 0
            # udev looks at a device again after each write. Where that comes after the pull, the kernel asks the
            # silent drive for its size, gets none and takes it for empty: then a read ends at once, without an error.
            failed = lab.run(f"dd if={device} of=/dev/null bs=4096 count=1 iflag=direct", check=False)
            empty = lab.run(f"blockdev --getsize64 {device}").out.strip() == "0"
            assert "0+0 records in" in failed.err
            assert empty or (failed.rc, "Input/output error" in failed.err) == (1, True)
        lab.run(f"dd if={node(lab, 6, 1)} of=/dev/null bs=4096 count=1 iflag=direct")
        lab.push(7)
        assert [read_mark(lab, node(lab, 7, unit)) for unit in (0, 1)] == ["mark0", "mark1"]

    def test_an_announced_pull_and_a_new_drive(self, lab: Lab) -> None:
        old = lab.guest_unit(2, 0)["wwid"]
        lab.pull(2, announce=True)
        assert len(lab.guest_units()) == 22
        lab.push(lab.new_drive(2, "NEW0002", firmware="0002"))
        found = lab.guest_unit(2, 1)
        assert (bytes.fromhex(found["vpd80"])[4:], found["firmware"]) == (b"NEW0002", "0002")
        assert lab.guest_unit(2, 0)["wwid"] != old
        lab.pull("NEW0002", announce=True)
        lab.push("ACT102")
        assert lab.guest_unit(2, 0)["wwid"] == old

    def test_one_unit_can_go_and_return(self, lab: Lab) -> None:
        lab.pull_unit(9, 0, announce=True)
        with pytest.raises(LabError, match="sees no unit 0"):
            lab.guest_unit(9, 0)
        lab.run(f"dd if={node(lab, 9, 1)} of=/dev/null bs=4096 count=1 iflag=direct")
        lab.push_unit(9, 0)
        lab.run(f"dd if={node(lab, 9, 0)} of=/dev/null bs=4096 count=1 iflag=direct")

    def test_a_drive_moves_behind_the_other_adapter(self, lab: Lab) -> None:
        write_mark(lab, node(lab, 0, 1), "travels")
        lab.move(0, bay=12, port=Port("sas1", 7))
        unit = lab.guest_unit(12, 1)
        assert (unit["pci"], unit["target"]) == ("0000:00:09.0", 7)
        assert read_mark(lab, f"/dev/{unit['block']}") == "travels"
        assert len(lab.guest_units()) == 24

    def test_hashes_tell_one_changed_byte_and_nothing_else(self, lab: Lab) -> None:
        before = lab.content_hashes()
        assert len(before) == 24
        write_mark(lab, node(lab, 4, 1), "x")
        after = lab.content_hashes()
        # Drives are numbered in the order of the chassis file, two units each.
        assert [number for number in range(24) if before[number] != after[number]] == [9]
        lab.run(f"dd if=/dev/zero of={node(lab, 4, 1)} bs=512 count=1 seek=4096 oflag=direct status=none")
        assert lab.content_hashes() == before

    def test_a_checkpoint_brings_everything_back(self, lab: Lab) -> None:
        before = lab.content_hashes()
        lab.run("touch /root/trace; modprobe scsi_debug")
        lab.run(f"zpool create tank mirror {node(lab, 3, 0)} {node(lab, 4, 0)}")
        lab.pull(3)
        lab.push(lab.new_drive(3, "OTHER"))
        lab.restore("clean")
        assert lab.run("test -e /root/trace", check=False).rc == 1
        assert "no pools available" in lab.run("zpool status", check=False).err
        assert lab.content_hashes() == before
        assert len(lab.guest_units()) == 24
        # The guest's clock is right again, but for what a busy host takes to set it.
        assert abs(float(lab.run("date +%s").out) - time.time()) < 30

    def test_it_listens_on_the_local_address_only(self, lab: Lab) -> None:
        process = lab.state.process
        assert process is not None
        listening = listeners(process.pid)
        assert [address for address, _port in listening] == ["127.0.0.1"]
        assert [port for _address, port in listening] == [lab.state.port]

    def test_it_ends_only_its_own_process(self, lab: Lab) -> None:
        process = lab.state.process
        assert process is not None
        later = qemu.Process(process.pid, process.started + 1)
        later.end(9)
        assert process.alive()

    def test_a_snapshot_brings_the_drives_back(self, lab: Lab) -> None:
        device = node(lab, 5, 0)
        write_mark(lab, device, "before")
        lab.snapshot("kept")
        kept = lab.content_hash(5, 0)
        write_mark(lab, device, "after")
        lab.pull(6)
        changed = lab.content_hash(5, 0)
        lab.rollback("kept", boot=False)
        assert not lab.running
        assert lab.content_hash(5, 0) == kept != changed
        assert lab.slot(6).inside

    def test_power_cut_keeps_what_was_flushed_and_a_fresh_root_keeps_the_drives(self, lab: Lab) -> None:
        device = node(lab, 10, 1)
        lab.run("touch /root/trace && sync")
        lab.run(f"zpool create -O mountpoint=/tank tank {node(lab, 1, 0)} && zpool export tank")
        write_mark(lab, device, "flushed")
        was = lab.run("cat /etc/machine-id; hostid").out
        hashes = lab.content_hashes()
        lab.power_cut()
        assert not lab.running
        assert lab.content_hashes() == hashes
        lab.boot()
        assert read_mark(lab, node(lab, 10, 1)) == "flushed"
        assert lab.run("test -e /root/trace && cat /etc/machine-id; hostid").out == was
        lab.fresh_root()
        assert lab.run("test -e /root/trace", check=False).rc == 1
        assert not set(lab.run("cat /etc/machine-id; hostid").out.split()) & set(was.split())
        assert lab.content_hashes() == hashes
        lab.run("zpool import tank")


class TestShapes:
    @pytest.fixture
    def lab(self, lab_of: LabOf) -> Lab:
        return lab_of("shapes")

    def test_every_shape_is_seen_as_described(self, lab: Lab) -> None:
        by_place = {(unit["pci"], unit["target"], unit["lun"]): unit for unit in lab.guest_units()}
        # 11 drives: 9 with two units, one with one unit, one that hides a unit; one seen on two paths.
        assert len(by_place) == 9 * 2 + 1 + 1 + 2
        serials = Counter(bytes.fromhex(unit["vpd80"])[4:].decode() for unit in by_place.values())
        assert serials == {
            **{f"SHP{bay:02d}": 2 for bay in (1, 2, 3, 4, 5, 10)}, "SHP00": 4, "SHP06": 1, "PLN07": 1, "SHP08": 4,
        }  # fmt: skip
        wwids = Counter(unit["wwid"] for unit in by_place.values())
        twice = {wwid for wwid, number in wwids.items() if number == 2}
        assert twice == {lab.guest_unit(8, unit, path)["wwid"] for unit in (0, 1) for path in (0, 1)}
        assert lab.guest_unit(2, 1)["links"][-1].endswith("sas-phy5-lun-1")
        assert lab.run(f"blockdev --getss {node(lab, 10, 0)} {node(lab, 0, 0)}").out.split() == ["4096", "512"]
        assert lab.guest_unit(7, 0)["bytes"] == 4 * 10**12

    def test_virtio_tells_the_guest_of_a_pull_and_a_push(self, lab: Lab) -> None:
        before = len(lab.guest_units())
        lab.pull(1)
        lab.run(
            "for i in $(seq 50); do lsscsi --unit | wc -l | grep -qx %d && exit; sleep .2; done; exit 1" % (before - 2)
        )
        lab.push(1)
        assert len(lab.guest_units()) == before

    def test_the_hidden_unit_appears(self, lab: Lab) -> None:
        lab.push_unit(6, 1)
        assert lab.guest_unit(6, 1)["bytes"] == 2 * 10**12

    @pytest.mark.lab_long
    def test_named_sectors_cannot_be_read_until_cleared(self, lab: Lab) -> None:
        device = node(lab, 5, 1)

        def read(sector: int) -> int:
            line = f"dd if={device} of=/dev/null bs=512 count=1 skip={sector} iflag=direct"
            return lab.run(line, check=False).rc

        first = 20_000_000
        assert [read(first + offset) for offset in (-1, 0, 7, 8)] == [0, 1, 1, 0]
        # The kernel's word for sense key MEDIUM ERROR (block/blk-core.c).
        assert f"critical medium error, dev {Path(device).name}, sector {first}" in lab.run("dmesg").out
        lab.fail_reads(5, 1, [])
        assert read(first) == 0

    @pytest.mark.lab_long
    def test_limits_make_units_slow_alone_or_together(self, lab: Lab) -> None:
        def iops(*devices: str) -> float:
            jobs = " ".join(f"--name=j{number} --filename={device}" for number, device in enumerate(devices))
            line = (
                "fio --output-format=json --rw=randread --bs=4k --direct=1 --ioengine=libaio --iodepth=4 "
                f"--time_based --runtime=6 --size=1g --group_reporting {jobs}"
            )
            found = json.loads(lab.run(line).out)
            return float(found["jobs"][0]["read"]["iops"])

        # Upper bounds are the limits and what a burst adds; a busy host may stay well below them.
        slow, fast = iops(node(lab, 4, 1)), iops(node(lab, 4, 0))
        assert slow <= 75
        assert 1.5 * slow < fast <= 260
        together = iops(node(lab, 3, 0), node(lab, 3, 1))
        assert together <= 260
        lab.limit(3, Limits(iops=40))
        alone, both = iops(node(lab, 3, 0)), iops(node(lab, 3, 0), node(lab, 3, 1))
        assert alone <= 60
        assert 1.5 * alone < both <= 120

    def test_a_hung_unit_answers_again_later(self, lab: Lab) -> None:
        device = node(lab, 0, 1)
        lab.hang(0, 1)
        reads = f"for i in 1 2 3; do dd if={device} of=/dev/null bs=4096 count=1 skip=$i iflag=direct; echo $i; done"
        lab.run(f"nohup sh -c '{reads}' >/tmp/reads 2>/dev/null </dev/null &")
        time.sleep(4)
        # One request may pass before the budget is used up.
        assert len(lab.run("cat /tmp/reads").out.split()) <= 1
        lab.run(f"dd if={node(lab, 0, 0)} of=/dev/null bs=4096 count=1 iflag=direct")
        lab.unhang(0, 1)
        assert until(lambda: lab.run("cat /tmp/reads").out.split() == ["1", "2", "3"])


@pytest.mark.lab_long
def test_bookworm_has_the_older_openzfs(lab_of: LabOf) -> None:
    lab = lab_of(make_chassis("older", drives=3, release="bookworm"))
    assert lab.run("zpool version").out.splitlines()[0].startswith("zfs-2.1.11")
    members = " ".join(f"/dev/disk/by-id/wwn-0x{drive.unit(0).wwn:x}" for drive in lab.chassis.drives)
    lab.run(f"zpool create tank raidz1 {members}")
    assert lab.run("zpool list -H -o health tank").out.strip() == "ONLINE"
    assert lab.run("zpool status -j", check=False).rc != 0
    lab.fresh_root(release="trixie")
    assert lab.run("zpool version").out.splitlines()[0].startswith("zfs-2.3.")
    assert "tank" in lab.run("zpool import").out


@pytest.mark.lab_long
def test_down_leaves_nothing_behind(tmp_path: Path) -> None:
    lab = Lab(make_chassis("gone", drives=1, memory=512), folder=tmp_path / "gone")
    lab._make()
    with lab._held() as state:
        lab._power_on(state)
    process, port, sockets = lab.state.process, lab.state.port, socket_dir(lab.folder)
    assert process is not None
    assert process.alive()
    assert mentioning(str(lab.folder)) == [process.pid]
    lab.down()
    assert not process.alive()
    assert mentioning(str(lab.folder)) == []
    assert not lab.folder.exists()
    assert not sockets.exists()
    assert qemu.is_free(port)


def until(condition: Callable[[], bool], seconds: float = 20.0) -> bool:
    """Whether the condition comes true in time."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        if condition():
            return True
        time.sleep(0.2)
    return False


def mentioning(text: str) -> list[int]:
    """The processes whose command line holds a text."""
    found = []
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            if text.encode() in path.read_bytes():
                found.append(int(path.parent.name))
        except OSError:
            continue
    return found


def listeners(pid: int) -> list[tuple[str, int]]:
    """Address and port of each TCP socket on which a process listens (IPv4; IPv6 as its text)."""
    owned = set()
    for link in Path(f"/proc/{pid}/fd").iterdir():
        try:
            owned.add(link.readlink().name)
        except OSError:
            continue
    found: list[tuple[str, int]] = []
    for table in ("tcp", "tcp6"):
        for line in Path(f"/proc/net/{table}").read_text().splitlines()[1:]:
            fields: list[Any] = line.split()
            if fields[3] == "0A" and f"socket:[{fields[9]}]" in owned:
                address, port = fields[1].split(":")
                four = ".".join(str(byte) for byte in bytes.fromhex(address)[::-1]) if table == "tcp" else address
                found.append((four, int(port, 16)))
    return found
