# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The table that splits a drive: compared with what is found, written, read back, named by rules."""

from __future__ import annotations

import json
import uuid
from dataclasses import replace

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import DecodeError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.disks import (
    Disk,
    Partition,
    Signature,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Bay, Drive, Unit
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.names import range_uuid, udev_rules
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.partition import table
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.partition.extents import Spec

MIB = 1 << 20
HALF = 1000 * MIB
RANGES = ((0, HALF), (HALF, HALF))
WWN = "naa.5acf1e0000000001"


def disk(*partitions: tuple[int, int, int], block: int = 512, ranges=RANGES, **more) -> Disk:
    found = tuple(
        Partition(number, f"sda{number}", f"/dev/sda{number}", f"8:{number}", start, size)
        for number, start, size in partitions
    )
    return Disk(
        "sda", "/dev/sda", "8:0", "/sys", "scsi",
        serial="ACR0001", size=2 * HALF, logical_block=block, ranges=ranges, partitions=found, **more,
    )  # fmt: skip


SPLIT = ((1, MIB, HALF - 2 * MIB), (2, HALF, HALF - MIB))


def test_one_partition_in_each_range_splits() -> None:
    verdict = table.judge(disk(*SPLIT), RANGES)
    assert {index: part.number for index, part in verdict.by_range.items()} == {0: 1, 1: 2}
    assert verdict.faults == ()


@pytest.mark.parametrize(
    ("partitions", "signature", "faults"),
    [
        ((), "", ()),
        (((1, MIB, HALF),), "gpt", (
            "partition 1 (bytes 1048576 to 1049624576) crosses the boundary of the ranges at byte 1048576000",
            "range 0 has no partition of its own", "range 1 has no partition of its own",
        )),
        (((1, MIB, 8 * MIB), (2, HALF, HALF - MIB), (9, 100 * MIB, 8 * MIB)), "gpt", (
            ("range 0 has 2 partitions: partition 1 (bytes 1048576 to 9437184); partition 9"
             " (bytes 104857600 to 113246208)"),
        )),
        (((2, HALF, HALF - MIB),), "gpt", ("range 0 has no partition of its own",)),
        (SPLIT, "dos", ("its partition table is of type dos, not GPT",)),
    ],
)  # fmt: skip
def test_everything_else_is_explained(partitions, signature, faults) -> None:
    verdict = table.judge(disk(*partitions, signature=Signature(table=signature)), RANGES)
    assert verdict.by_range == {}
    assert verdict.faults == faults


def test_ranges_come_from_the_kernel_then_the_declaration_then_the_table() -> None:
    declared = Spec(parts=4)
    own = tuple(replace(part, uuid=range_uuid(WWN, number)) for number, part in enumerate(disk(*SPLIT).partitions))
    assert table.ranges_of(disk(), WWN, declared) == table.Ranges(RANGES, "kernel")
    assert table.ranges_of(disk(ranges=()), WWN, declared).source == "declared"
    bare = disk(ranges=())
    assert table.ranges_of(replace(bare, partitions=own), WWN) == table.Ranges(RANGES, "table")
    for others in (own[::-1], own[:1], (own[0], replace(own[1], uuid=str(uuid.uuid4())))):
        assert table.ranges_of(replace(bare, partitions=others), WWN) == table.Ranges()
    assert table.ranges_of(replace(bare, partitions=own), "naa.5acf1e0000000002") == table.Ranges()
    assert table.ranges_of(bare, "") == table.Ranges()


def test_the_uuid_is_a_name_based_one_and_differs_by_unit_and_index() -> None:
    seen = {range_uuid(wwn, index) for wwn in (WWN, "naa.5acf1e0000000002") for index in range(4)}
    assert len(seen) == 8
    assert {uuid.UUID(one).version for one in seen} == {5}


@pytest.mark.parametrize("block", [512, 4096])
def test_the_command_counts_blocks(block: int) -> None:
    entries = table.wanted(disk(block=block), table.Ranges(RANGES, "kernel"), "bay07", WWN)
    argv = table.make_argv("/dev/sda", entries, block)
    first, second = (range_uuid(WWN, index) for index in (0, 1))
    # 999 whole MiB each: the first range loses its first to the table, the second its last.
    per_mib = MIB // block
    assert argv == (
        "sgdisk", "--clear", "--set-alignment=1",
        f"--new=1:{per_mib}:{1000 * per_mib - 1}", f"--typecode=1:{table.TYPE}",
        "--change-name=1:bay07.0", f"--partition-guid=1:{first}",
        f"--new=2:{1000 * per_mib}:{1999 * per_mib - 1}", f"--typecode=2:{table.TYPE}",
        "--change-name=2:bay07.1", f"--partition-guid=2:{second}",
        "/dev/sda",
    )  # fmt: skip


def test_names_change_in_one_command() -> None:
    assert table.rename_argv("/dev/sda", {2: "bay09.1", 1: "bay09.0"}) == (
        "sgdisk", "--change-name=1:bay09.0", "--change-name=2:bay09.1", "/dev/sda",
    )  # fmt: skip


def sfdisk(**changes) -> str:
    """What sfdisk of util-linux 2.41 prints for a drive that was split in the lab."""
    told = {
        "label": "gpt", "id": "06B87233-F695-4DDC-B40B-5082FA8777DB", "device": "/dev/nvme0n1", "unit": "sectors",
        "firstlba": 34, "lastlba": 3907029134, "sectorsize": 512,
        "partitions": [
            {"node": "/dev/nvme0n1p1", "start": 2048, "size": 1953511424, "type": table.TYPE,
             "uuid": "006B1C03-1E54-5BF4-8B96-8D5199670BBE", "name": "bay00.0"},
            {"node": "/dev/nvme0n1p2", "start": 1953515520, "size": 1953511424, "type": table.TYPE,
             "uuid": "B0D03430-9F59-5DF1-8BCB-C52A5F3C9F87", "name": "bay00.1"},
        ],
    }  # fmt: skip
    return json.dumps({"partitiontable": {**told, **changes}})


def test_a_table_is_read_back() -> None:
    kind, entries = table.parse_table(sfdisk())
    assert kind == "gpt"
    assert entries == (
        table.Entry(1, MIB, 1000197849088, "bay00.0", "006b1c03-1e54-5bf4-8b96-8d5199670bbe"),
        table.Entry(2, 1000199946240, 1000197849088, "bay00.1", "b0d03430-9f59-5df1-8bcb-c52a5f3c9f87"),
    )
    assert table.parse_table(sfdisk(sectorsize=4096))[1][0].start == 8 * MIB


@pytest.mark.parametrize("output", ["", "{}", "[]", "null", sfdisk(partitions=[{}]), sfdisk(sectorsize="x")])
def test_other_output_is_a_decode_error(output: str) -> None:
    with pytest.raises(DecodeError):
        table.parse_table(output)


def drive(*units: Unit, bay: int = 7, key: str = "ACTWO ACTW-D9 ACR0001") -> Drive:
    return Drive(key, "ACR0001", units, bay=Bay("", bay))


def links_in(rules: str) -> dict[str, str]:
    lines = [line for line in rules.splitlines() if "SYMLINK" in line]
    return {line.split('"')[-2]: line.rsplit(", ", 1)[0] for line in lines}


def test_ranges_get_a_link_each_by_partition_uuid_and_the_disk_none() -> None:
    found = "11111111-2222-4333-8444-555555555555"
    ranges = drive(Unit(0, "range", WWN, part_uuid=found.upper()), Unit(1, "range", WWN))
    assert links_in(udev_rules([ranges])) == {
        "disk/by-vdev/bay07.0": f'ENV{{ID_PART_ENTRY_UUID}}=="{found}"',
        "disk/by-vdev/bay07.1": f'ENV{{ID_PART_ENTRY_UUID}}=="{range_uuid(WWN, 1)}"',
    }


def test_a_declared_drive_that_is_away_is_known_for_a_range_drive_by_its_equal_wwns() -> None:
    away = drive(Unit(0, wwn=WWN), Unit(1, wwn=WWN), key="")
    assert links_in(udev_rules([away])) == {
        f"disk/by-vdev/bay07.{index}": f'ENV{{ID_PART_ENTRY_UUID}}=="{range_uuid(WWN, index)}"' for index in (0, 1)
    }


def test_without_wwn_the_drives_key_stands_and_hostile_text_reaches_no_rule() -> None:
    bare = drive(Unit(0, "range", part_uuid='", RUN+="/bin/sh'), Unit(1, "range"), key='A", RUN+="/bin/sh')
    rules = udev_rules([bare])
    assert links_in(rules)["disk/by-vdev/bay07.1"].endswith(f'=="{range_uuid(bare.key, 1)}"')
    assert "RUN" not in rules
    assert links_in(udev_rules([drive(Unit(0, "range"), Unit(1, "range"), key="")])) == {}
