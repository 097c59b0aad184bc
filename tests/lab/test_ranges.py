# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Drives that split by range, on a real kernel: its ranges, the split, refusals, a pool that survives a power cut.

The disks are served from user space in the guest (tests/lab/rangedisk), since the emulator's own cannot report
VPD page B9h. What is on them is compared in their files, below the kernel; tables are read with sfdisk, pools with
zpool, and the ranges from the guest's sysfs.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Drive
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.names import RULES_FILE, udev_rules
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import from_plain
from tests.lab.conftest import Labs
from tests.lab.lab import Lab
from tests.lab.modules import call, four_runs
from tests.lab.parts import make_chassis
from tests.lab.rangedisk.server import Disk
from tests.lab.rangedisks import HOSTILE, RangeDisks, range_disk

pytestmark = pytest.mark.lab

MIB = 1 << 20
SIZE = 200 * 10**9
CHASSIS = make_chassis("dunes", drives=1, unit_size="2 TB", serial="LUN{bay}")
FOUR = [range_disk(number) for number in range(4)]
THREE = range_disk(4, parts=3)
BIG_SECTORS = range_disk(5, parts=4, block=4096)
STRANGE = range_disk(6, target="5acf1e2000000006", **HOSTILE)
HALF = SIZE // 512 // 2
MISNUMBERED = range_disk(7, ranges=[[1, 0, HALF], [2, HALF, HALF]])
WITH_GAP = range_disk(8, ranges=[[0, 0, HALF - 8], [1, HALF, HALF]])
DISKS = [*FOUR, THREE, BIG_SECTORS, STRANGE, MISNUMBERED, WITH_GAP]


def serial(disk: Disk) -> str:
    return bytes.fromhex(disk.serial).decode("ascii")


def bays_of(disks: list[Disk]) -> dict[str, str]:
    return {f"bay{int(disk.name[1:]):02d}": serial(disk) for disk in disks}


BAYS = bays_of([disk for disk in DISKS if disk is not STRANGE])


@pytest.fixture(scope="module")
def shelf(labs: Labs) -> RangeDisks:
    """The machine with all disks shown, fresh."""
    disks = RangeDisks(labs.get(CHASSIS))
    disks.install()
    disks.show(DISKS)
    return disks


@pytest.fixture(scope="module")
def nodes(shelf: RangeDisks) -> dict[str, str]:
    return shelf.nodes(DISKS)


@pytest.fixture(scope="module")
def found(shelf: RangeDisks) -> dict[str, Any]:
    """What drive_info tells before anything is split."""
    return call(shelf.lab, "drive_info", bay_serials=BAYS)


def by_node(found: dict[str, Any], node: str) -> dict[str, Any]:
    (one,) = [drive for drive in found["drives"] if drive["units"][0]["paths"][0]["node"] == node]
    return one  # type: ignore[no-any-return]


def kernel_ranges(lab: Lab, node: str) -> list[tuple[int, int]]:
    """The ranges as sysfs has them, in bytes."""
    path = f"/sys/block/{node[5:]}/queue/independent_access_ranges"
    text = lab.run(
        f"cd {path} 2>/dev/null && for r in *; do echo $(cat $r/sector) $(cat $r/nr_sectors); done", False
    ).out
    return [(int(a) * 512, int(b) * 512) for a, b in (line.split() for line in text.splitlines())]


def table(lab: Lab, node: str) -> list[dict[str, Any]]:
    told = json.loads(lab.run(["sfdisk", "--json", node]).out)["partitiontable"]
    assert told["label"] == "gpt"
    sector = told["sectorsize"]
    return [
        {"start": one["start"] * sector, "size": one["size"] * sector, "name": one["name"], "uuid": one["uuid"].lower()}
        for one in told["partitions"]
    ]


# --- the disks are what they should be, seen by other eyes


def test_the_kernel_takes_the_ranges_that_the_page_tells(shelf: RangeDisks, nodes: dict[str, str]) -> None:
    log = shelf.lab.run("dmesg").out
    for disk in [*FOUR, THREE, BIG_SECTORS, STRANGE]:
        node = nodes[disk.name]
        told = [(start * disk.block, count * disk.block) for _number, start, count in disk.ranges]
        assert kernel_ranges(shelf.lab, node) == told
        assert f"[{node[5:]}] {len(told)} concurrent positioning ranges" in log
        page = shelf.lab.run(["sg_vpd", "-p", "cpr", node]).out
        starts = re.findall(r"[Ss]tarting LBA: (\S+)", page)  # Debian 12's sg3-utils write it small
        assert [int(text, 16) for text in starts] == [one[1] for one in disk.ranges]


def test_ranges_that_the_kernel_rejects_leave_an_ordinary_drive(
    shelf: RangeDisks, nodes: dict[str, str], found: dict[str, Any]
) -> None:
    log = shelf.lab.run("dmesg").out
    assert f"[{nodes['r7'][5:]}] Invalid Concurrent Positioning Range number" in log
    assert "Invalid non-contiguous independent access ranges" in log
    for disk in (MISNUMBERED, WITH_GAP):
        assert kernel_ranges(shelf.lab, nodes[disk.name]) == []
        (unit,) = by_node(found, nodes[disk.name])["units"]
        assert (unit["unit_kind"], unit["size"]) == ("lun", SIZE)


# --- what is found


def test_drive_info_shows_a_unit_for_each_range(nodes: dict[str, str], found: dict[str, Any]) -> None:
    for disk in [*FOUR, THREE, BIG_SECTORS]:
        drive = by_node(found, nodes[disk.name])
        assert (drive["serial"], drive["expected_units"]) == (serial(disk), len(disk.ranges))
        assert [
            (one["index"], one["unit_kind"], one["start"], one["node"], one["links"]) for one in drive["units"]
        ] == [(number, "range", start * disk.block, "", []) for number, start, _count in disk.ranges]
        assert {one["wwn"] for one in drive["units"]} == {f"naa.{disk.naa}"}
        assert {one["logical_block"] for one in drive["units"]} == {disk.block}


def test_hostile_text_arrives_as_plain_text(nodes: dict[str, str], found: dict[str, Any]) -> None:
    drive = by_node(found, nodes[STRANGE.name])
    # The target device's name pairs units; it is binary, and told as digits.
    assert drive["key"] == f"naa.{STRANGE.target}"
    for field in ("vendor", "model", "serial"):
        assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_.:-]{0,63}", drive[field]), drive[field]
    assert len({drive["vendor"], drive["model"], drive["serial"]}) == 3


# --- refusals, with every byte as it was

CROSSING = "printf 'label: gpt\\nstart=2048,size=250M,name=mine\\nsize=150G,name=across\\n' | sfdisk -q {0}"
PARTIAL = "printf 'label: gpt\\nstart=2048,size=50G,name=bay02.0\\n' | sfdisk -q {0}"
SITUATIONS = {
    "r0": (
        "mkfs.ext4 -q -E lazy_itable_init=1,nodiscard {0} && mount -o ro {0} /mnt",
        ("filesystem ext4", "mount /mnt"),
    ),
    "r1": (CROSSING, ("range 1 has no partition of its own", "partition table gpt", "partition 2 across (bytes ")),
    "r2": (
        PARTIAL + "; udevadm settle; zpool create other {0}1",
        ("range 1 has no partition of its own", "pool label other", "opened exclusively"),
    ),
    "r3": ("printf 'label: dos\\n,50G\\n' | sfdisk -q {0}", ("its partition table is of type dos, not GPT",)),
    "r4": ("pvcreate -qq {0} && vgcreate -qq held {0} && lvcreate -qq -n one -L 1G held", ("lvm", "holder")),
    "r5": ("echo 'label: gpt' | sfdisk -q {0}", ("partition table gpt",)),
}
UNDONE = "umount /mnt; zpool destroy other; vgchange -qq -an held; udevadm settle"


@pytest.fixture(scope="module")
def spoiled(shelf: RangeDisks, nodes: dict[str, str], found: dict[str, Any]) -> Iterator[RangeDisks]:
    """Something on each of six drives; afterwards nothing uses them any more."""
    del found
    for name, (commands, _reasons) in SITUATIONS.items():
        shelf.lab.run(commands.format(nodes[name]), timeout=300)
    shelf.lab.run("udevadm settle")
    yield shelf
    shelf.lab.run(UNDONE)


@pytest.mark.lab_long
@pytest.mark.parametrize("check", [True, False], ids=["check mode", "run"])
def test_every_drive_that_is_not_empty_is_named_and_nothing_changes(spoiled: RangeDisks, check: bool) -> None:
    # What the pool itself writes from time to time must not count.
    spoiled.lab.run("zpool export other && zpool import -d /dev other -N -o readonly=on")
    disks = [disk for disk in DISKS if disk.name in SITUATIONS]
    before = spoiled.digests(disks)
    assert len(set(before)) == len(disks)
    result = call(spoiled.lab, "unit_partition", check=check, serials=[serial(one) for one in disks], bay_serials=BAYS)
    assert result.get("failed"), result
    assert spoiled.digests(disks) == before
    for number, (_commands, reasons) in enumerate(SITUATIONS.values()):
        mine = [line for line in result["reasons"] if line.startswith(f"bay{number:02d} (serial ACR{number:04d})")]
        for reason in reasons:
            assert any(reason in line for line in mine), (reason, mine)


@pytest.mark.lab_long
def test_what_is_in_use_is_not_erased_even_when_told(spoiled: RangeDisks) -> None:
    before = spoiled.digests([FOUR[0], FOUR[2], THREE])
    result = call(
        spoiled.lab,
        "unit_partition",
        serials=["ACR0000", "ACR0002", "ACR0004"],
        erase_serials=["ACR0000", "ACR0002", "ACR0004"],
        bay_serials=BAYS,
    )
    assert result.get("failed"), result
    assert [line.split(":")[0] for line in result["reasons"]] == [
        f"bay{number:02d} (serial ACR{number:04d})" for number in (0, 2, 4)
    ], result["reasons"]
    assert spoiled.digests([FOUR[0], FOUR[2], THREE]) == before


@pytest.mark.lab_long
def test_drives_that_do_not_go_by_range_are_refused(shelf: RangeDisks) -> None:
    result = call(shelf.lab, "unit_partition", serials=["LUN00", "ACR0007", "ACR0099"], bay_serials=BAYS)
    assert result["reasons"] == [
        "bay unknown (serial LUN00): it shows 2 logical units, and each of them is a unit already",
        "bay07 (serial ACR0007): the kernel reports no access ranges for it, and none are declared",
        "serial ACR0099: no drive with this serial is on the host",
    ]


# --- splitting


@pytest.fixture(scope="module")
def split(shelf: RangeDisks, nodes: dict[str, str]) -> dict[str, Any]:
    """All drives with ranges split, those spoiled before by their serials, in four runs."""
    shelf.lab.run(UNDONE, check=False)
    hostile = by_node(call(shelf.lab, "drive_info"), nodes[STRANGE.name])["serial"]
    bays = {**BAYS, "bay06": hostile}
    wanted = [*(serial(disk) for disk in [*FOUR, THREE, BIG_SECTORS]), hostile]
    runs = four_runs(shelf.lab, "unit_partition", serials=wanted, erase_serials=wanted, bay_serials=bays)
    return {"runs": runs, "bays": bays}


@pytest.mark.lab_long
def test_each_range_becomes_one_partition_within_it(
    shelf: RangeDisks, nodes: dict[str, str], split: dict[str, Any]
) -> None:
    done = split["runs"].done
    assert [one["state"] for one in done["drives"]] == ["new"] * 7
    for disk in [*FOUR, THREE, BIG_SECTORS, STRANGE]:
        number = int(disk.name[1:])
        found = table(shelf.lab, nodes[disk.name])
        ranges = kernel_ranges(shelf.lab, nodes[disk.name])
        assert [one["name"] for one in found] == [f"bay{number:02d}.{index}" for index in range(len(ranges))]
        for part, (start, size) in zip(found, ranges, strict=True):
            assert part["start"] % MIB == part["size"] % MIB == 0
            assert start <= part["start"]
            assert part["start"] + part["size"] <= start + size
            assert size - part["size"] < 4 * MIB
        assert len({part["size"] for part in found}) == 1
        (told,) = [one for one in done["drives"] if one["bay"] == f"bay{number:02d}"]
        assert (told["source"], told["confirmed"]) == ("kernel", True)
        assert [(one["start"], one["size"], one["name"], one["uuid"]) for one in told["units"]] == [
            (one["start"], one["size"], one["name"], one["uuid"]) for one in found
        ]
    assert shelf.lab.run(["sgdisk", "--verify", nodes["r0"]]).out.count("No problems found") == 1


@pytest.mark.lab_long
def test_no_command_carries_anything_a_drive_said(split: dict[str, Any]) -> None:
    for command in split["runs"].done["commands"]:
        assert command[0] in ("sgdisk", "blkdiscard", "wipefs")
        for word in command:
            assert re.fullmatch(r"[A-Za-z0-9=:./-]+", word), word


@pytest.mark.lab_long
def test_declared_ranges_split_and_are_said_to_be_unconfirmed(
    shelf: RangeDisks, nodes: dict[str, str], split: dict[str, Any]
) -> None:
    del split
    declared = {"bay07": {"serial": "ACR0007", "ranges": [SIZE // 4, SIZE - SIZE // 4]}}
    runs = four_runs(shelf.lab, "unit_partition", serials=["ACR0007"], declared=declared)
    (drive,) = runs.done["drives"]
    assert (drive["source"], drive["confirmed"]) == ("declared", False)
    assert "unconfirmed" in drive["notes"][0]
    first, second = table(shelf.lab, nodes["r7"])
    assert first["start"] + first["size"] <= SIZE // 4 <= second["start"]
    # From now on it is known by its partitions alone.
    found = call(shelf.lab, "drive_info", bay_serials=BAYS)
    assert [(one["unit_kind"], one["node"]) for one in by_node(found, nodes["r7"])["units"]] == [
        ("range", nodes["r7"] + "1"),
        ("range", nodes["r7"] + "2"),
    ]
    codes = [(one["code"], one["bay"]) for one in found["findings"] if one["serial"].startswith("ACR")]
    # Drives of the model have two units; the one whose ranges the kernel rejected shows one.
    assert codes == [("ranges_unconfirmed", "bay07"), ("half_visible", "bay08")]


# --- names, and a pool


@pytest.fixture(scope="module")
def named(shelf: RangeDisks, split: dict[str, Any]) -> dict[str, Any]:
    """Rules written for all drives that have a bay, and the links that they make."""
    plain = call(shelf.lab, "drive_info", bay_serials=split["bays"])["drives"]
    drives = [from_plain(Drive, one) for one in plain if one["bay"]]
    rules = udev_rules(drives)
    shelf.lab.run(f"cat > {RULES_FILE}", stdin=rules)
    shelf.lab.run("udevadm control --reload && udevadm trigger -s block && udevadm settle", timeout=300)
    return {"rules": rules, "links": links(shelf.lab), "drives": plain}


def links(lab: Lab) -> dict[str, str]:
    return dict(
        line.split()
        for line in lab.run("cd /dev/disk/by-vdev; for l in *; do echo $l $(readlink -f $l); done").out.splitlines()
    )


@pytest.mark.lab_long
def test_every_range_has_its_name_and_no_disk_has(
    shelf: RangeDisks, nodes: dict[str, str], named: dict[str, Any]
) -> None:
    wanted = {
        f"bay{int(disk.name[1:]):02d}.{index}": f"{nodes[disk.name]}{index + 1}"
        for disk in [*FOUR, THREE, BIG_SECTORS, STRANGE]
        for index in range(len(disk.ranges))
    }
    assert {name: node for name, node in named["links"].items() if not name.startswith(("bay07", "bay08"))} == wanted
    told = shelf.lab.run(f"udevadm verify {RULES_FILE} 2>&1").out
    assert re.search(r"Fail: +0\b", told), told
    # Letters, digits and what rules are made of; nothing that a drive said.
    for line in named["rules"].splitlines():
        if "SYMLINK" in line and "ID_PART_ENTRY_UUID" in line:
            assert re.fullmatch(
                r'ENV\{ID_PART_ENTRY_UUID\}=="[0-9a-f-]{36}", SYMLINK\+="disk/by-vdev/bay\d\d\.\d"', line
            ), line


POOLED = [serial(disk) for disk in FOUR]
MEMBERS = [f"bay{bay:02d}.{index}" for index in (0, 1) for bay in range(4)]


@pytest.fixture(scope="module")
def pool(shelf: RangeDisks, split: dict[str, Any], named: dict[str, Any]) -> dict[str, Any]:
    """Pool archive on four drives, planned and made in four runs, with something in it."""
    lab = shelf.lab
    drives = [one for one in named["drives"] if one["serial"] in POOLED]
    policy = {"kind": "raidz", "parity": 1, "width": 4}
    plan = call(lab, "layout_plan", drives=drives, policy=policy, compare=False)
    assert not plan["failed"], plan["msg"]
    options = {"pool": "archive", "layout": plan["layout"], "bay_serials": split["bays"]}
    runs = four_runs(lab, "pool", **options)
    lab.run("dd if=/dev/urandom of=/archive/data bs=1M count=4 status=none && zpool sync archive && sync", timeout=300)
    return {"plan": plan, "options": options, "runs": runs, "digest": lab.run("sha256sum /archive/data").out}


@pytest.mark.lab_long
def test_a_pool_is_made_of_ranges_as_of_any_unit(shelf: RangeDisks, pool: dict[str, Any]) -> None:
    words = pool["runs"].done["commands"][-1]
    assert [word for word in words if word.startswith("/dev/")] == [f"/dev/disk/by-vdev/{name}" for name in MEMBERS]
    status = shelf.lab.run("zpool status archive").out
    assert re.findall(r"^\t    (\S+)", status, re.MULTILINE) == MEMBERS
    size = int(shelf.lab.run("zpool list -Hp -o size archive").out)
    usable = sum(map(int, shelf.lab.run("zfs list -Hp -o used,avail archive").out.split()))
    assert (size, usable) == (pool["plan"]["capacity"]["size"], pool["plan"]["capacity"]["usable"])


def members(lab: Lab, split: dict[str, Any], **more: Any) -> tuple[dict[str, Any], list[tuple[str, str, int]]]:
    (told,) = call(lab, "pool_info", **{"bay_serials": split["bays"], **more})["pools"]
    leaves = [one for vdev in told["vdevs"] for slot in vdev["slots"] for one in slot["members"]]
    return told, [(one["name"], one["serial"], one["index"]) for one in leaves]


@pytest.mark.lab_long
def test_the_pool_comes_back_by_itself_after_a_power_cut(
    shelf: RangeDisks, pool: dict[str, Any], split: dict[str, Any], named: dict[str, Any]
) -> None:
    lab = shelf.lab
    lab.power_cut()
    lab.boot()
    assert lab.run("zpool list -H -o name,health").out.split() == ["archive", "ONLINE"]
    assert lab.run("sha256sum /archive/data").out == pool["digest"]
    after, places = links(lab), shelf.nodes(DISKS)
    assert after.keys() == named["links"].keys()
    for disk in FOUR:
        bay = f"bay{int(disk.name[1:]):02d}"
        assert [after[f"{bay}.{index}"] for index in (0, 1)] == [f"{places[disk.name]}{part}" for part in (1, 2)]
    again = call(lab, "pool", **pool["options"])
    assert not again["failed"], again["msg"]
    assert not again["changed"]
    told, found = members(lab, split)
    assert found == [(f"bay{bay:02d}.{index}", POOLED[bay], index) for index in (0, 1) for bay in range(4)]
    assert told["margin"] == 1


@pytest.mark.lab_long
def test_a_moved_drive_is_renamed_once_nothing_uses_it(
    shelf: RangeDisks, pool: dict[str, Any], split: dict[str, Any]
) -> None:
    del pool
    lab, node = shelf.lab, shelf.nodes(DISKS)["r1"]
    others = {bay: number for bay, number in split["bays"].items() if bay != "bay01"}
    moved: dict[str, Any] = {"serials": ["ACR0001"], "bay_serials": {**others, "bay11": "ACR0001"}}
    result = call(lab, "unit_partition", **moved)
    assert (result["failed"], result["changed"], result["commands"]) == (False, False, [])
    assert "still have other names (bay01.0, bay01.1)" in result["drives"][0]["notes"][0]
    lab.run("zpool export archive")
    before = table(lab, node)
    four_runs(lab, "unit_partition", **moved)
    assert table(lab, node) == [{**one, "name": f"bay11.{index}"} for index, one in enumerate(before)]
    four_runs(lab, "unit_partition", **{**moved, "bay_serials": split["bays"]})
    assert table(lab, node) == before


@pytest.mark.lab_long
def test_a_lost_table_comes_back_with_the_pool(shelf: RangeDisks, pool: dict[str, Any], split: dict[str, Any]) -> None:
    lab, node = shelf.lab, shelf.nodes(DISKS)["r0"]
    lab.run("zpool list archive >/dev/null 2>&1 && zpool export archive; true")
    before = table(lab, node)
    lab.run(f"wipefs -q --all {node} && udevadm settle")
    assert lab.run(f"ls {node}?", check=False).out == ""
    runs = four_runs(lab, "unit_partition", serials=["ACR0000"], bay_serials=split["bays"])
    assert [one for one in runs.done["drives"][0]["notes"] if "there is a pool label where bay00.0 begins" in one]
    assert table(lab, node) == before
    lab.run("zpool import archive", timeout=300)
    assert lab.run("zpool list -H -o health archive").out.strip() == "ONLINE"
    assert lab.run("sha256sum /archive/data").out == pool["digest"]


@pytest.mark.lab_long
def test_a_pulled_drive_costs_two_members_and_is_named(
    shelf: RangeDisks, pool: dict[str, Any], split: dict[str, Any]
) -> None:
    del pool
    lab = shelf.lab
    lab.run("zpool list archive >/dev/null 2>&1 || zpool import archive", timeout=300)
    shelf.show([disk for disk in DISKS if disk is not FOUR[2]])
    lab.run("zpool scrub -w archive", check=False, timeout=300)
    declared = {"bay02": {"serial": "ACR0002", "wwns": [f"naa.{FOUR[2].naa}"] * 2}}
    told, found = members(lab, split, declared=declared)
    assert [one[1] for one in found].count("ACR0002") == 2
    assert told["margin"] == 0
    assert [one["serial"] for one in told["visit"]] == ["ACR0002"]


@pytest.mark.lab_long
def test_formats_of_disk_arrays_are_findings(labs: Labs) -> None:
    """Alone, since the kernel cannot read such disks through this server and says so at length."""
    disks = RangeDisks(labs.get(CHASSIS))
    disks.install()
    shown = [range_disk(1, protection=1, parts=1), replace(range_disk(2, parts=1), protection=3)]
    nodes = disks.show([*shown, range_disk(3, parts=1, block=520)])
    assert f"[{nodes['r3'][5:]}] Unsupported sector size 520" in disks.lab.run("dmesg").out
    findings = call(disks.lab, "drive_info")["findings"]
    (odd,) = [one for one in findings if one["code"] == "sector_format"]
    assert (odd["serial"], odd["severity"], odd["found"][:7]) == ("ACR0003", "error", "size 0,")
    assert "Reformatting" in odd["remedy"]
    told = {one["serial"]: one["found"] for one in findings if one["code"] == "protection_information"}
    assert told == {
        "ACR0001": "formatted with T10 protection type 1",
        "ACR0002": "formatted with T10 protection type 3",
    }
