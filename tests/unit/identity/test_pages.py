# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""VPD pages 80h, 89h, B1h and B9h and ATA log 47h, compared with sg_vpd where it prints them."""

from __future__ import annotations

import re
from collections.abc import Callable
from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import DecodeError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.identity.ranges import (
    AccessRange,
    check_ranges,
    decode_ranges_log,
    decode_ranges_page,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.identity.vpd import (
    decode_ata_information,
    decode_characteristics,
    decode_identification,
    decode_serial,
)
from tests.unit.identity.pages import DESIGNATORS, page, sg_vpd

PRINTABLE = st.text([chr(code) for code in range(0x20, 0x7F)], max_size=40)
BYTE, LONG = st.integers(0, 255), st.integers(0, 2**64 - 1)
RANGES = st.lists(
    st.builds(
        AccessRange, st.integers(0, 255), st.integers(0, 255), st.integers(0, 2**64 - 1), st.integers(0, 2**64 - 1)
    ),
    min_size=1,
    max_size=4,
)
# Published with sg3-utils as inhex/vpd_cpr.hex: two ranges, numbered from 1.
SAMPLE_CPR = bytes.fromhex(
    "00b9007c" + "00" * 60 + "0102" + "00" * 6 + "0000000000000000" + "0000000010000000" + "00" * 8
    + "0202" + "00" * 6 + "0000000010000000" + "0000000010000000" + "00" * 8
)  # fmt: skip


def encode_range(one: AccessRange, order: str) -> bytes:
    def number(value: int) -> bytes:
        return value.to_bytes(8, "big" if order == "big" else "little")

    return bytes([one.number, one.elements]) + bytes(6) + number(one.start) + number(one.count) + bytes(8)


def ranges_page(ranges: list[AccessRange]) -> bytes:
    return page(0xB9, bytes(60) + b"".join(encode_range(one, "big") for one in ranges))


@given(PRINTABLE)
@settings(max_examples=60, deadline=None)
def test_serial_number(text: str) -> None:
    data = page(0x80, text.encode())
    ours = decode_serial(data)
    assert f"  Unit serial number: {ours.raw.decode()}" in sg_vpd(data, "sn").splitlines()
    assert (ours.text == "") == (text.strip() == "")


@given(st.integers(0, 0xFFFF), st.integers(0, 5))
@settings(max_examples=60, deadline=None)
def test_rotation_and_form_factor(rate: int, form: int) -> None:
    data = page(0xB1, rate.to_bytes(2, "big") + bytes([0, form]) + bytes(56))
    ours = decode_characteristics(data)
    printed = sg_vpd(data, "bdc")
    match = re.search(r"Nominal rotation rate: ([0-9]+) rpm", printed)
    if "Non-rotating medium" in printed:
        assert ours.rotation == 1
    else:
        assert ours.rotation == (int(match.group(1)) if match else None)
    sizes = {0: "not reported", 1: "5.25 inch", 2: "3.5 inch", 3: "2.5 inch", 4: "1.8 inch", 5: "less then 1.8 inch"}
    assert f"Nominal form factor: {sizes[ours.form_factor]}".lower() in printed.lower().replace(
        "form factor not", "form factor: not"
    )


@given(RANGES)
@settings(max_examples=80, deadline=None)
def test_ranges_page(ranges: list[AccessRange]) -> None:
    data = ranges_page(ranges)
    assert list(decode_ranges_page(data)) == ranges
    printed = re.findall(
        r"LBA range number: (\d+)\s+number of storage elements: (\d+)\s+"
        r"starting LBA: 0x([0-9a-f]+)\s+number of LBAs: 0x([0-9a-f]+)",
        sg_vpd(data, "cpr"),
    )
    assert [AccessRange(int(a), int(b), int(c, 16), int(d, 16)) for a, b, c, d in printed] == ranges


def test_published_ranges_page_is_read_but_its_numbering_from_one_is_refused() -> None:
    ranges = decode_ranges_page(SAMPLE_CPR)
    assert ranges == (AccessRange(1, 2, 0, 0x10000000), AccessRange(2, 2, 0x10000000, 0x10000000))
    assert "LBA range number: 1" in sg_vpd(SAMPLE_CPR, "cpr")
    # sd_read_cpr of Linux rejects it too.
    with pytest.raises(DecodeError, match="range 0 is numbered 1"):
        check_ranges(ranges, 0x20000000)


@pytest.mark.parametrize(
    ("ranges", "capacity", "why"),
    [
        ([(0, 0, 100), (1, 110, 90)], 200, "where 100 is next"),
        ([(0, 0, 100), (1, 90, 110)], 200, "where 100 is next"),
        ([(0, 1, 99), (1, 100, 100)], 200, "where 0 is next"),
        ([(0, 0, 100), (1, 100, 99)], 200, "end at block 199 of 200"),
        ([(0, 0, 100), (1, 100, 101)], 200, "end at block 201 of 200"),
        ([(0, 0, 0), (1, 0, 200)], 200, "range 0 has 0 blocks"),
        ([(1, 100, 100), (0, 0, 100)], 200, "range 0 is numbered 1"),
        ([(0, 0, 100), (0, 100, 100)], 200, "range 1 is numbered 0"),
    ],
)
def test_ranges_that_linux_would_drop_are_refused(ranges: list[tuple[int, int, int]], capacity: int, why: str) -> None:
    with pytest.raises(DecodeError, match=why):
        check_ranges([AccessRange(number, 1, start, count) for number, start, count in ranges], capacity)


@given(st.lists(st.integers(1, 2**40), min_size=0, max_size=6))
def test_ranges_that_follow_each_other_are_accepted_and_one_is_none(counts: list[int]) -> None:
    ranges = [AccessRange(number, 1, sum(counts[:number]), count) for number, count in enumerate(counts)]
    assert list(check_ranges(ranges, sum(counts))) == (ranges if len(ranges) > 1 else [])


@given(RANGES, st.binary(max_size=40))
def test_the_ata_log_is_the_page_in_the_other_byte_order(ranges: list[AccessRange], padding: bytes) -> None:
    log = bytes([len(ranges)]) + bytes(63) + b"".join(encode_range(one, "little") for one in ranges) + padding
    assert decode_ranges_log(log) == decode_ranges_page(ranges_page(ranges))
    with pytest.raises(DecodeError, match="ATA log 47h"):
        decode_ranges_log(log[: 64 + 32 * len(ranges) - 1])


def swapped(text: str, size: int) -> bytes:
    raw = text.ljust(size).encode()
    return b"".join(raw[at + 1 : at + 2] + raw[at : at + 1] for at in range(0, size, 2))


PLAIN = st.text("ABCXYZ0189", min_size=1)


@given(PLAIN.map(lambda text: text[:20]), PLAIN.map(lambda text: text[:8]), PLAIN.map(lambda text: text[:40]))
@settings(max_examples=40, deadline=None)
def test_ata_information(serial: str, revision: str, model: str) -> None:
    identify = bytearray(512)
    identify[20:40], identify[46:54], identify[54:94] = swapped(serial, 20), swapped(revision, 8), swapped(model, 40)
    head = bytes(4) + b"ACTWO   " + b"TRANSLATION     " + b"0001" + bytes(20) + b"\xec\0\0\0"
    data = page(0x89, head + bytes(identify))
    ours = decode_ata_information(data)
    printed = dict(re.findall(r"^    (model|serial number|firmware revision): (.*?) *$", sg_vpd(data, "ai"), re.M))
    assert printed == {"model": ours.model, "serial number": ours.serial, "firmware revision": ours.revision}
    with pytest.raises(DecodeError, match="not IDENTIFY DEVICE"):
        decode_ata_information(page(0x89, head.replace(b"\xec", b"\xa1") + bytes(identify)))


DECODERS: list[tuple[int, Callable[[bytes], object]]] = [
    (0x80, decode_serial),
    (0x83, decode_identification),
    (0x89, decode_ata_information),
    (0xB1, decode_characteristics),
    (0xB9, decode_ranges_page),
]


@pytest.mark.parametrize(("code", "decode"), DECODERS)
@given(data=st.data())
@settings(deadline=None)
def test_no_bytes_raise_anything_but_the_librarys_own_error(
    code: int, decode: Callable[[bytes], object], data: st.DataObject
) -> None:
    raw = data.draw(st.one_of(st.binary(max_size=200), st.binary(max_size=700).map(lambda body: page(code, body))))
    # Any other exception fails the test.
    with suppress(DecodeError):
        decode(raw)


@given(st.lists(DESIGNATORS, max_size=5), st.data())
def test_a_damaged_page_raises_nothing_else_and_its_names_stay_safe(parts: list, data: st.DataObject) -> None:
    raw = bytearray(page(0x83, b"".join(part.encode() for part in parts)))
    for place in data.draw(st.lists(st.integers(0, len(raw) - 1), max_size=4)):
        raw[place] = data.draw(st.integers(0, 255))
    with suppress(DecodeError):
        for one in decode_identification(bytes(raw)):
            assert re.fullmatch(r"[A-Za-z0-9_.:-]*", one.text)


@given(st.binary(max_size=300))
def test_no_log_raises_anything_but_the_librarys_own_error(raw: bytes) -> None:
    with suppress(DecodeError):
        decode_ranges_log(raw)


@pytest.mark.parametrize(("code", "decode"), DECODERS)
def test_short_and_foreign_pages_are_errors(code: int, decode: Callable[[bytes], object]) -> None:
    with pytest.raises(DecodeError, match="only 3 bytes"):
        decode(bytes(3))
    with pytest.raises(DecodeError, match="of page B0h"):
        decode(page(0xB0, bytes(60)))
    with pytest.raises(DecodeError, match="where the header says"):
        decode(page(code, bytes(60))[:-1])
