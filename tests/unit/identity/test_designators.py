# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""VPD page 83h, compared with what sg_vpd of sg3-utils prints for the same bytes."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import DecodeError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.identity.designator import (
    EUI64,
    NAA,
    NAME,
    T10,
    UUID,
    Designator,
    port_names,
    target_names,
    unit_name,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.identity.vpd import decode_identification
from tests.unit.identity.pages import CODE_SETS, DESIGNATORS, KINDS, Part, page, printed_designators, sg_vpd

# Sample pages published with sg3-utils (inhex/vpd_di_bad_all.hex, vpd_di_name_inject.hex and the page of an
# old disk array without designator headers).
SAMPLE = bytes.fromhex(
    "00830108 01000016 112233445566778899aabbccddeeffedcba987654321 02010014 414243202020200a58595a313233343536373839"
    "01020008 1122334455667788 0102000c 112233445566778800000123 01020010 0123456789abcdef1122334455667788"
    "01030008 5122334455667788 01030010 6122334455667788aabbccddeeffeedd 01140004 00000002 01150004 00000003"
    "01060004 00000004 01070010 ffeeddccbbaa99887766554433221100 0328002c"
    "69716e2e353838362e636f6d2e61636d652e6469736b6172726179732d736e2d61383637353330390a626f6f"
    "91990004 04000200 a1990008 0123000000000000 010a0012 100011223344556677889 9aabbccddeefedc".replace(" ", "")
)
INJECTION = bytes.fromhex("00830024 0308001d 69716e2e323032362d30352e7367330a585f5347335f50524f42453d31000000")
NO_HEADERS = bytes.fromhex("00830010 60060480001234567 89abcdef0123456".replace(" ", ""))


def as_printed(one: Designator) -> str:
    """A designator's value the way sg_vpd prints it."""
    if one.kind in (NAA, EUI64):
        return "0x" + one.value.hex()
    if one.kind in (4, 5, 6):
        label = {4: "Relative target port", 5: "Target port group", 6: "Logical unit group"}[one.kind]
        return f"{label}: 0x{int.from_bytes(one.value, 'big'):x}"
    if one.kind == T10:
        return f"vendor id: {one.value[:8].decode()} vendor specific: {one.value[8:].decode()}".replace("  ", " ")
    if one.kind == NAME:
        return "SCSI name string: " + one.value.rstrip(b"\0").decode()
    if one.kind == UUID:
        return "Locally assigned UUID: " + one.text.removeprefix("uuid.")
    return "vendor specific: " + one.value.decode()


def squeeze(text: str) -> str:
    return " ".join(text.split())


@given(st.lists(DESIGNATORS, min_size=1, max_size=6))
@settings(max_examples=150, deadline=None)
def test_every_designator_says_what_sg_vpd_prints(parts: list[Part]) -> None:
    data = page(0x83, b"".join(part.encode() for part in parts))
    ours = decode_identification(data)
    assert [(one.association, one.kind, one.code_set, one.value, one.protocol) for one in ours] == [
        (part.association, part.kind, part.code_set, part.value, part.protocol) for part in parts
    ]
    printed = [(*row[:3], squeeze(row[3])) for row in printed_designators(sg_vpd(data, "di"))]
    # sg_vpd groups by association.
    assert printed == [
        (one.association, KINDS[one.kind], CODE_SETS[one.code_set], squeeze(as_printed(one)))
        for one in sorted(ours, key=lambda one: one.association)
    ]


def test_the_published_sample_is_read_whole() -> None:
    texts = [one.text for one in decode_identification(SAMPLE)]
    printed = sg_vpd(SAMPLE, "di")
    assert len(texts) == printed.count("designator type:") == 15
    assert "naa.5122334455667788" in texts
    assert "naa.6122334455667788aabbccddeeffeedd" in texts
    assert "eui.0123456789abcdef1122334455667788" in texts
    assert "uuid.11223344-5566-7788-99aa-bbccddeefedc" in texts
    for number in ("0x5122334455667788", "0x6122334455667788aabbccddeeffeedd", "0x112233445566778800000123"):
        assert number in printed


def test_a_line_break_in_a_name_cannot_become_a_udev_property() -> None:
    (one,) = decode_identification(INJECTION)
    assert b"\nX_SG3_PROBE=1" in one.value
    assert one.text.startswith("iqn.2026-05.sg3_X_SG3_PROBE_1-")
    assert not set("\n=") & set(one.text)


def test_zeros_behind_the_last_designator_are_padding() -> None:
    one = Part(0, NAA, 1, bytes.fromhex("5000ace2a1b2c3d4")).encode()
    assert decode_identification(page(0x83, one + bytes(9))) == decode_identification(page(0x83, one))


def test_a_page_without_designator_headers_is_an_error() -> None:
    with pytest.raises(DecodeError, match="cut off"):
        decode_identification(NO_HEADERS)


@pytest.mark.parametrize(
    ("body", "why"),
    [
        ("010300", "header is cut off"),
        ("01030008 5000ace2", "is cut off"),
        ("01030000 01030008 5000ace2a1b2c3d4", "is empty"),
        ("01030004 5000ace2", "has 4 bytes"),
        ("01030010 5000ace2a1b2c3d40000000000000000", "has 16 bytes"),
        ("02030008 5000ace2a1b2c3d4", "not marked as binary"),
        ("01020007 11223344556677", "has 7 bytes"),
        ("010a0010 00112233445566778899aabbccddeeff", "has 16 bytes"),
    ],
)
def test_malformed_designators_are_errors(body: str, why: str) -> None:
    with pytest.raises(DecodeError, match=why):
        decode_identification(page(0x83, bytes.fromhex(body)))


def test_the_best_name_of_a_unit_is_its_own_world_wide_one() -> None:
    own5 = Part(0, NAA, 1, bytes.fromhex("5000ace2a1b2c3d4"))
    own6 = Part(0, NAA, 1, bytes.fromhex("6000ace2a1b2c3d40000000000000001"))
    local = Part(0, NAA, 1, bytes.fromhex("3000000000000001"))
    eui = Part(0, EUI64, 1, bytes.fromhex("0011223344556677"))
    text = Part(0, T10, 2, b"ACTWO   ACTW-D9         ACS0001")
    port = Part(1, NAA, 1, bytes.fromhex("5000ace2a1b2c3d5"), 6)
    target = Part(2, NAA, 1, bytes.fromhex("5000ace2a1b2c3d6"), 6)

    def best(*parts: Part) -> str:
        one = unit_name(decode_identification(page(0x83, b"".join(part.encode() for part in parts))))
        return one.text if one else ""

    assert best(text, port, target, eui, own5, own6) == "naa.6000ace2a1b2c3d40000000000000001"
    assert best(text, port, target, eui, own5) == "naa.5000ace2a1b2c3d4"
    assert best(text, port, target, local, eui) == "eui.0011223344556677"
    # Neither text made of the serial number, nor a locally assigned number, nor another thing's name.
    assert best(text, port, target, local) == ""
    both = decode_identification(page(0x83, port.encode() + target.encode()))
    assert port_names(both) == ("naa.5000ace2a1b2c3d5",)
    assert target_names(both) == ("naa.5000ace2a1b2c3d6",)
