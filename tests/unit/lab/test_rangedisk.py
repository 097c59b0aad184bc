# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""What the guest's own disks answer, read by the library's decoders (the kernel reads it in the lab)."""

from __future__ import annotations

import struct

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.identity.designator import (
    port_names,
    target_names,
    unit_name,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.identity.ranges import (
    check_ranges,
    decode_ranges_page,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.identity.vpd import (
    decode_identification,
    decode_serial,
)
from tests.lab.rangedisk import server
from tests.lab.rangedisks import range_disk


@pytest.mark.parametrize(("parts", "block"), [(2, 512), (3, 512), (4, 4096)])
def test_the_ranges_are_such_as_linux_takes(parts: int, block: int) -> None:
    disk = range_disk(1, parts=parts, block=block)
    found = decode_ranges_page(server.page(disk, 0xB9))
    assert [[one.number, one.start, one.count] for one in check_ranges(found, disk.blocks)] == disk.ranges
    assert 0xB9 in server.page(disk, 0)[4:]


def test_a_disk_without_ranges_has_no_such_page() -> None:
    disk = range_disk(1, parts=1)
    assert list(server.page(disk, 0)[4:]) == [0x00, 0x80, 0x83, 0xB0, 0xB1]
    with pytest.raises(server.Refused) as caught:
        server.page(disk, 0xB9)
    # SPC: ILLEGAL REQUEST, INVALID FIELD IN CDB
    assert (caught.value.sense[2], caught.value.sense[12:14]) == (5, b"\x24\x00")


def test_names_of_unit_port_and_target_device() -> None:
    disk = range_disk(5, target="5acf1e2000000005")
    found = decode_identification(server.page(disk, 0x83))
    best = unit_name(found)
    assert best is not None
    assert best.text == "naa." + disk.naa
    assert port_names(found) == ("naa." + disk.port,)
    assert target_names(found) == ("naa." + disk.target,)
    assert decode_serial(server.page(disk, 0x80)).text == "ACR0005"


def test_inquiry_and_capacity_tell_of_protection() -> None:
    plain, protected = range_disk(1), range_disk(1, protection=2)
    assert [server.inquiry(one)[5] & 1 for one in (plain, protected)] == [0, 1]
    last, block, bits, exponent = struct.unpack_from(">QIBB", server.capacity16(protected))
    assert (last, block, exponent) == (protected.blocks - 1, 512, 3)
    # SBC: bit 0 PROT_EN, bits 3 to 1 the protection type less one
    assert (bits, server.capacity16(plain)[12]) == (0b0011, 0)
