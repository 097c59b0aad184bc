# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Drives, paths and devices that are not tidy, in trees that umockdev serves."""

from __future__ import annotations

import dataclasses
import re

import pytest

from tests.unit.host.mocked import Seen, see
from tests.unit.host.trees import Adapter, Lun, Tree, add_disk, add_map, designators, split_drive, wwn_of
from tests.unit.identity.pages import page

TB = 1000**4
MIB = 1 << 20
HALF = 9_000_000_000_000


def straight(*drives: list[Lun], host: int = 2, pci: str = "0000:00:05.0") -> Tree:
    """Drives straight behind one adapter."""
    tree = Tree()
    add_adapter(tree, *drives, host=host, pci=pci)
    return tree


def add_adapter(tree: Tree, *drives: list[Lun], host: int = 2, pci: str = "0000:00:05.0") -> None:
    adapter = Adapter(tree, host=host, pci=pci)
    for luns in drives:
        end_device = adapter.device(luns[0].target)
        for one in luns:
            adapter.lun(dataclasses.replace(one, host=host), end_device)


def pairs(seen: Seen) -> list[tuple[str, list[int]]]:
    return [(drive.serial, [unit.index for unit in drive.units]) for drive in seen.drives]


def test_links_made_from_the_serial_number_are_never_used() -> None:
    seen = see(straight(split_drive(0), split_drive(1)))
    for drive in seen.drives:
        for unit in drive.units:
            assert len(unit.links) == 2
            assert not [link for link in unit.links if drive.serial in link or "scsi-" in link]


def test_names_by_bay_come_first_the_right_bay_before_another_and_no_other_index() -> None:
    first, second = split_drive(0)
    tree = straight(
        [
            dataclasses.replace(first, more_links=["disk/by-vdev/bay00.0", "disk/by-vdev/bay03.0"]),
            dataclasses.replace(second, more_links=["disk/by-vdev/bay00.7", "disk/by-vdev/bay01.1"]),
        ]
    )
    seen = see(tree, bay_serials={"bay03": "ACS0000"})
    assert seen.unit("ACS0000", 0).links[:2] == ("/dev/disk/by-vdev/bay03.0", "/dev/disk/by-vdev/bay00.0")
    # The drive was moved: its declared name is still its own. A name by another index is nobody's.
    assert seen.unit("ACS0000", 1).links[0] == "/dev/disk/by-vdev/bay01.1"
    assert "/dev/disk/by-vdev/bay00.7" not in seen.unit("ACS0000", 1).links


def test_a_link_that_leads_elsewhere_is_not_used() -> None:
    tree = straight(split_drive(0))
    tree.links[f"disk/by-id/wwn-0x{wwn_of(0, 1)}"] = "../../sda"
    seen = see(tree)
    assert seen.unit("ACS0000", 1).node == "/dev/sdb"
    assert [link for link in seen.unit("ACS0000", 1).links if "wwn" in link] == []
    assert [link for link in seen.unit("ACS0000", 0).links if "wwn" in link] == [
        f"/dev/disk/by-id/wwn-0x{wwn_of(0, 0)}"
    ]


def test_siblings_by_the_target_device_even_with_serial_numbers_of_their_own() -> None:
    # scsi_debug of Linux numbers its units so.
    luns = [
        dataclasses.replace(
            one,
            serial=b"200%d" % one.lun,
            pages={"vpd_pg83": designators(one.wwn, wwn_of(0, 0, 1), wwn_of(0, 0, 2))},
        )
        for one in split_drive(0)
    ]
    seen = see(straight(luns))
    assert pairs(seen) == [("2000", [0, 1])]
    assert seen.drives[0].key == "naa." + wwn_of(0, 0, 2)


def test_one_target_that_shows_two_target_devices_has_two_drives() -> None:
    luns = [
        dataclasses.replace(
            one,
            serial=b"A%d" % one.lun,
            pages={"vpd_pg83": designators(one.wwn, target=wwn_of(one.lun, 0, 2))},
        )
        for one in split_drive(0)
    ]
    assert pairs(see(straight(luns))) == [("A0", [0]), ("A1", [0])]


def test_unlike_disks_that_share_a_target_are_ordinary_drives() -> None:
    # A hypervisor's habit: every disk is another LUN of target 0.
    luns = [dataclasses.replace(one, serial=b"V%d" % one.lun) for one in split_drive(0)]
    seen = see(straight(luns))
    assert pairs(seen) == [("V0", [0]), ("V1", [0])]
    assert seen.findings == ()


@pytest.mark.parametrize("serials", [(b"", b""), (b"        ", b"ACS0000"), (b"ACS0000", b"\0\0\0\0")])
def test_siblings_of_one_target_where_the_serial_number_is_blank(serials: tuple[bytes, bytes]) -> None:
    luns = [dataclasses.replace(one, serial=serials[one.lun]) for one in split_drive(0)]
    seen = see(straight(luns))
    assert [[unit.index for unit in drive.units] for drive in seen.drives] == [[0, 1]]


def test_blank_serial_numbers_never_join_targets() -> None:
    drives = [[dataclasses.replace(one, serial=b"    ") for one in split_drive(number)] for number in (0, 1)]
    seen = see(straight(*drives))
    assert [[unit.index for unit in drive.units] for drive in seen.drives] == [[0, 1], [0, 1]]
    assert [one.code for one in seen.findings] == ["serial_missing"] * 2
    assert len({drive.key for drive in seen.drives}) == 2


def test_one_serial_number_on_two_targets_is_a_finding_not_a_drive() -> None:
    twin = [dataclasses.replace(one, serial=b"ACS0000") for one in split_drive(5)]
    seen = see(straight(split_drive(0), twin, split_drive(1)))
    assert pairs(seen) == [("ACS0000", [0, 1]), ("ACS0000", [0, 1]), ("ACS0001", [0, 1])]
    assert [one.code for one in seen.findings] == ["serial_collision"] * 2
    assert "2:0:0:0, 2:0:0:1" in seen.findings[0].found
    assert "2:0:5:0, 2:0:5:1" in seen.findings[0].found


def test_half_of_each_of_two_targets_with_one_serial_number_is_no_drive() -> None:
    other = dataclasses.replace(split_drive(5)[1], serial=b"ACS0000")
    seen = see(straight(split_drive(0)[:1], [other], split_drive(1), split_drive(2)))
    assert pairs(seen)[:2] == [("ACS0000", [0]), ("ACS0000", [1])]
    assert sorted({one.code for one in seen.findings}) == ["half_visible", "serial_collision"]


def test_a_designator_that_two_drives_report() -> None:
    twin = [dataclasses.replace(one, wwn=wwn_of(0, one.lun)) for one in split_drive(5)]
    seen = see(straight(split_drive(0), twin))
    assert pairs(seen) == [("ACS0000", [0, 1]), ("ACS0005", [0, 1])]
    assert sorted(seen.codes) == [
        ("duplicate_wwn", serial, index) for serial in ("ACS0000", "ACS0005") for index in (0, 1)
    ]
    for drive in seen.drives:
        for unit in drive.units:
            assert [link for link in unit.links if "by-id" in link] == []


def test_a_drive_that_shows_one_unit_among_drives_that_show_two() -> None:
    seen = see(straight(split_drive(0), split_drive(1), split_drive(2)[:1], split_drive(3)[1:]))
    assert seen.codes == [("half_visible", "ACS0002", 1), ("half_visible", "ACS0003", 0)]
    assert [drive.expected_units for drive in seen.drives] == [2] * 4
    assert pairs(seen)[3] == ("ACS0003", [1])


def test_a_lone_half_visible_drive_is_told_by_its_index_or_by_declaration() -> None:
    assert see(straight(split_drive(3)[1:])).codes == [("half_visible", "ACS0003", 0)]
    alone = straight(split_drive(3)[:1])
    assert see(alone).codes == []
    for named in ({"ACTW-D9": 2}, {"ACS0003": 2}):
        seen = see(alone, unit_counts=named)
        assert seen.codes == [("half_visible", "ACS0003", 1)]
        assert seen.findings[0].declared == "2 units (declared)"
    assert see(straight(split_drive(3)), unit_counts={"ACTW-D9": 1}).codes == [("more_units", "ACS0003", None)]


def two_ways() -> tuple[Tree, list[Lun]]:
    tree = Tree()
    luns = split_drive(0)
    add_adapter(tree, luns)
    add_adapter(tree, luns, host=3, pci="0000:00:06.0")
    return tree, luns


def test_two_paths_without_multipath_are_one_unit_that_cannot_be_used() -> None:
    tree, _luns = two_ways()
    seen = see(tree)
    assert pairs(seen) == [("ACS0000", [0, 1])]
    assert [path.hctl for path in seen.unit("ACS0000", 1).paths] == ["2:0:0:1", "3:0:0:1"]
    assert seen.codes == [("unmanaged_paths", "ACS0000", 0), ("unmanaged_paths", "ACS0000", 1)]
    assert [unit.links for unit in seen.drives[0].units] == [(), ()]


def test_a_multipath_map_stands_for_its_paths() -> None:
    tree = Tree()
    luns = [
        dataclasses.replace(one, holders=[f"dm-{one.lun}"], props={"ID_FS_TYPE": "mpath_member"})
        for one in split_drive(0)
    ]
    add_adapter(tree, luns)
    add_adapter(tree, luns, host=3, pci="0000:00:06.0")
    for lun, slaves in enumerate((("sda", "sdc"), ("sdb", "sdd"))):
        wwn = wwn_of(0, lun)
        links = [f"disk/by-id/wwn-0x{wwn}", f"disk/by-id/dm-uuid-mpath-3{wwn}", f"disk/by-id/dm-name-mpath{lun}"]
        add_map(tree, lun, f"mpath-3{wwn}", f"mpath{lun}", slaves, HALF, links)
    seen = see(tree)
    assert seen.codes == []
    for lun, unit in enumerate(seen.drives[0].units):
        wwn = wwn_of(0, lun)
        assert unit.node == f"/dev/dm-{lun}"
        assert unit.links == (f"/dev/disk/by-id/dm-uuid-mpath-3{wwn}", f"/dev/disk/by-id/wwn-0x{wwn}")
        assert [path.node for path in unit.paths] == [["/dev/sda", "/dev/sdc"], ["/dev/sdb", "/dev/sdd"]][lun]
        assert unit.contents == ()


def test_a_unit_with_fewer_paths_than_declared() -> None:
    seen = see(straight(split_drive(0)), paths_per_unit=2)
    assert [(one.code, one.index, one.declared) for one in seen.findings] == [
        ("too_few_paths", 0, "2 paths"),
        ("too_few_paths", 1, "2 paths"),
    ]


def range_drive(**more: object) -> Tree:
    one = Lun(size=2 * HALF, ranges=((0, HALF), (HALF, HALF)), wwn=wwn_of(0, 0), serial=b"ACR0001", **more)  # type: ignore[arg-type]
    return straight([one])


def test_a_range_drive_before_it_is_split() -> None:
    seen = see(range_drive())
    (drive,) = seen.drives
    # HALF is no multiple of 1 MiB: the partitions to come begin and end on whole MiBs inside, and are equal.
    assert [(unit.unit_kind, unit.index, unit.start, unit.size) for unit in drive.units] == [
        ("range", 0, 0, HALF // MIB * MIB - MIB),
        ("range", 1, HALF, HALF // MIB * MIB - MIB),
    ]
    assert [(unit.node, unit.links, unit.contents) for unit in drive.units] == [("", (), ())] * 2
    assert seen.findings == ()


def test_a_range_drive_split_into_partitions() -> None:
    middle = -(-HALF // MIB) * MIB
    tree = range_drive(
        partitions=[(1, MIB, HALF // MIB * MIB - MIB), (2, middle, HALF - 10 * MIB)],
        part_props={1: {"ID_PART_ENTRY_UUID": "0a"}, 2: {"ID_PART_ENTRY_UUID": "0b", "ID_FS_TYPE": "ext4"}},
    )
    first, second = see(tree).drives[0].units
    assert (first.node, second.node) == ("/dev/sda1", "/dev/sda2")
    assert (first.part_uuid, second.part_uuid) == ("0a", "0b")
    assert second.size == HALF // 512 * 512 - 10 * MIB
    assert first.links[0] == f"/dev/disk/by-id/wwn-0x{wwn_of(0, 0)}-part1"
    assert first.contents == ()
    assert [(one.type, one.node) for one in second.contents] == [("filesystem", "/dev/sda2")]


def test_a_range_drive_behind_multipath() -> None:
    tree = Tree()
    one = Lun(
        size=2 * HALF,
        ranges=((0, HALF), (HALF, HALF)),
        wwn=wwn_of(0, 0),
        serial=b"ACR0001",
        holders=["dm-0"],
        partitions=[(1, MIB, HALF - 2 * MIB), (2, HALF + MIB, HALF - 9 * MIB)],
    )
    add_adapter(tree, [one])
    add_adapter(tree, [one], host=3, pci="0000:00:06.0")
    name = f"mpath-3{wwn_of(0, 0)}"
    add_map(tree, 0, name, "mpatha", ["sda", "sdb"], 2 * HALF, holders=["dm-1", "dm-2"])
    for number in (1, 2):
        links = [f"disk/by-id/dm-uuid-part{number}-{name}", f"disk/by-id/wwn-0x{wwn_of(0, 0)}-part{number}"]
        add_map(tree, number, f"part{number}-{name}", f"mpatha-part{number}", ["dm-0"], HALF, links)
    seen = see(tree)
    assert [unit.node for unit in seen.drives[0].units] == ["/dev/dm-1", "/dev/dm-2"]
    assert [unit.links for unit in seen.drives[0].units] == [
        (f"/dev/disk/by-id/wwn-0x{wwn_of(0, 0)}-part{number}",) for number in (1, 2)
    ]
    assert seen.findings == ()


def test_a_partition_across_the_boundary_belongs_to_both_ranges() -> None:
    seen = see(range_drive(partitions=[(1, MIB, 2 * HALF - 2 * MIB)], part_props={1: {"ID_FS_TYPE": "xfs"}}))
    for unit in seen.drives[0].units:
        assert unit.node == ""
        assert [one.type for one in unit.contents] == ["partition_table", "filesystem"]


def test_four_ranges() -> None:
    quarter = HALF // 2
    one = Lun(size=2 * HALF, ranges=[(number * quarter, quarter) for number in range(4)], wwn=wwn_of(0, 0))
    assert [unit.start for unit in see(straight([one])).drives[0].units] == [0, quarter, HALF, 3 * quarter]


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"size": 0}, "sector_format"),
        ({"block": 520}, "sector_format"),
        ({"block": 4096}, None),
        ({"protection": 2}, "protection_information"),
    ],
)
def test_formats_that_need_a_person(change: dict, code: str | None) -> None:
    first, second = split_drive(0)
    seen = see(straight([first, dataclasses.replace(second, **change)]))
    assert seen.codes == ([(code, "ACS0000", 1)] if code else [])


def test_a_page_that_cannot_be_decoded_is_a_finding_and_the_rest_is_read() -> None:
    first, second = split_drive(0)
    broken = dataclasses.replace(second, pages={"vpd_pg83": page(0x83, bytes.fromhex("01030008 5000"))})
    seen = see(straight([first, broken], split_drive(1)))
    assert pairs(seen) == [("ACS0000", [0, 1]), ("ACS0001", [0, 1])]
    assert sorted(seen.codes) == [("unreadable_identity", "ACS0000", 1), ("wwn_missing", "ACS0000", 1)]
    assert seen.unit("ACS0000", 1).links == ("/dev/disk/by-path/pci-0000:00:05.0-sas-phy0-lun-1",)


def test_units_whose_only_name_is_made_of_the_serial_number() -> None:
    luns = [
        dataclasses.replace(one, wwn="", pages={"vpd_pg83": designators(text=b"ACTWO   ACTW-D9         ACS0000")})
        for one in split_drive(0)
    ]
    seen = see(straight(luns))
    assert pairs(seen) == [("ACS0000", [0, 1])]
    assert [one.code for one in seen.findings] == ["wwn_missing"] * 2
    for unit in seen.drives[0].units:
        assert unit.links == (f"/dev/disk/by-path/pci-0000:00:05.0-sas-phy0-lun-{unit.index}",)


@pytest.mark.parametrize(
    "hostile", [b'A"; RUN+="/x', b"A\nE: X=1", b"$(id)", b"%k`id`", b"<i>A</i>", b"../../A", b"-A", b"\xff\xfeA\x80"]
)
def test_hostile_text_reaches_nothing(hostile: bytes) -> None:
    luns = [
        dataclasses.replace(one, serial=hostile, vendor=hostile[:8], model=hostile[:16], firmware=hostile[:4])
        for one in split_drive(0)
    ]
    (drive,) = see(straight(luns)).drives
    assert [unit.index for unit in drive.units] == [0, 1]
    for text in (drive.serial, drive.vendor, drive.model, drive.firmware, *drive.key.split(" ")):
        assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_.:-]*", text)
    for unit in drive.units:
        for link in unit.links:
            assert re.fullmatch(r"/dev/disk/by-(id/wwn-0x[0-9a-f]{16}|path/[a-z0-9:.-]+)", link)


def test_what_is_on_units_is_told() -> None:
    first, second = split_drive(0)
    third, fourth = split_drive(1)
    tree = straight(
        [
            dataclasses.replace(
                first,
                partitions=[(1, MIB, HALF - 10 * MIB), (9, HALF - 9 * MIB, 8 * MIB)],
                part_props={1: {"ID_FS_TYPE": "zfs_member", "ID_FS_LABEL": "archive"}},
            ),
            dataclasses.replace(second, props={"ID_FS_TYPE": "ext4", "ID_FS_LABEL": "old <b>"}),
        ],
        [
            dataclasses.replace(third, props={"ID_FS_TYPE": "LVM2_member"}, holders=["dm-3"]),
            dataclasses.replace(fourth, props={"ID_FS_TYPE": "linux_raid_member"}, holders=["md0"]),
        ],
    )
    add_map(tree, 3, "LVM-abc", "vg-lv", ["sdc"], HALF)
    files = {
        "mountinfo": "36 35 8:16 / /srv/old\\040data rw,noatime shared:1 - ext4 /dev/sdb rw\n",
        "swaps": "Filename Type Size Used Priority\n/dev/sda9 partition 8 0 -2\n",
    }
    seen = see(tree, files)

    def contents(serial: str, index: int) -> list[tuple[str, str, str]]:
        return [(one.type, one.detail, one.node) for one in seen.unit(serial, index).contents]

    assert contents("ACS0000", 0) == [
        ("partition_table", "gpt", "/dev/sda"),
        ("pool_label", "archive", "/dev/sda1"),
        ("swap", "in use", "/dev/sda9"),
    ]
    assert [one[0] for one in contents("ACS0000", 1)] == ["filesystem", "mount"]
    assert "<" not in contents("ACS0000", 1)[0][1]
    assert contents("ACS0000", 1)[1] == ("mount", "/srv/old data", "/dev/sdb")
    assert contents("ACS0001", 0) == [("lvm", "LVM2_member", "/dev/sdc"), ("holder", "dm-3 (vg-lv)", "/dev/sdc")]
    assert contents("ACS0001", 1) == [
        ("raid", "linux_raid_member", "/dev/sdd"),
        ("holder", "md0", "/dev/sdd"),
    ]


def test_disks_that_are_no_parts_of_the_host_are_left_out() -> None:
    tree = straight(split_drive(0))
    for name in ("loop0", "ram0", "zram0", "zd0", "md0"):
        tree.add(f"/devices/virtual/block/{name}", "block", {"size": "1000"}, {"DEVTYPE": "disk"}, node=name)
    optical = "/devices/pci0000:00/0000:00:01.1/ata1/host9/target9:0:0/9:0:0:0"
    tree.add(optical, "scsi", {"type": "5"}, {"DEVTYPE": "scsi_device"})
    tree.add(
        f"{optical}/block/sr0", "block", {"size": "1000"}, {"DEVTYPE": "disk"}, {"device": "../../../9:0:0:0"}, "sr0"
    )
    assert pairs(see(tree)) == [("ACS0000", [0, 1])]


def test_an_ordinary_drive_behind_a_plain_port() -> None:
    tree = Tree()
    one = Lun(serial=b"PLAIN7", model=b"PLAIN1", host=0)
    add_disk(tree, one, "/devices/pci0000:00/0000:00:1f.2/ata1/host0/target0:0:0/0:0:0:0", "pci-0000:00:1f.2-ata-1")
    (drive,) = see(tree).drives
    assert (drive.serial, drive.expected_units, len(drive.units)) == ("PLAIN7", 1, 1)
    assert drive.units[0].links[-1] == "/dev/disk/by-path/pci-0000:00:1f.2-ata-1"


def test_nvme_namespaces_are_ordinary_drives_named_by_their_own_identifier() -> None:
    tree = Tree()
    base = "/devices/pci0000:00/0000:00:07.0/nvme/nvme0"
    tree.add("/devices/pci0000:00/0000:00:07.0", "pci")
    tree.add(
        base,
        "nvme",
        {"model": "PLAIN FLASH", "serial": "ACN0001", "firmware_rev": "1.0", "subsysnqn": "nqn.2014.example:n1"},
    )
    links = [
        tree.link(f"disk/by-id/{name}", "nvme0n1") for name in ("nvme-eui.00112233445566778899", "nvme-PLAIN_ACN0001")
    ]
    tree.add(
        f"{base}/nvme0n1",
        "block",
        {"size": "2000000", "wwid": "eui.00112233445566778899", "nsid": "1", "queue/logical_block_size": "512"},
        {"DEVTYPE": "disk", "DEVLINKS": " ".join(links)},
        {"device": "../../nvme0"},
        "nvme0n1",
    )
    (drive,) = see(tree).drives
    assert (drive.serial, drive.model, drive.firmware) == ("ACN0001", "PLAIN_FLASH", "1.0")
    assert drive.units[0].links == ("/dev/disk/by-id/nvme-eui.00112233445566778899",)


def test_a_host_without_a_udev_database_says_so() -> None:
    tree = Tree()
    bare = "/devices/pci0000:00/0000:00:05.0/host2/target2:0:0/2:0:0:0"
    tree.add(bare, "scsi", {"type": "0", "vpd_pg80": page(0x80, b"A1")}, {"DEVTYPE": "scsi_device"})
    tree.add(f"{bare}/block/sda", "block", {"size": "1000"}, {"DEVTYPE": "disk"}, {"device": "../../../2:0:0:0"}, "sda")
    assert "udev_silent" in [one.code for one in see(tree).findings]
