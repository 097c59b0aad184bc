# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The allow-list for text that drives report about themselves."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.identity.text import clean, clean_text

SAFE = re.compile(r"(?:[A-Za-z0-9][A-Za-z0-9_.:-]{0,63})?")


@given(st.binary(max_size=300))
def test_nothing_but_the_allowed_form_comes_out(raw: bytes) -> None:
    assert SAFE.fullmatch(clean(raw))


@given(st.text("ABCabc019-_.:", max_size=64).filter(lambda text: not text or text[0].isalnum()))
def test_what_is_allowed_stays_as_it_is(text: str) -> None:
    assert clean(text.encode()) == text
    assert clean(b"  " + text.encode() + b"  \0\0") == text
    assert clean(clean(text.encode()).encode()) == text


@given(st.binary(max_size=80), st.binary(max_size=80))
def test_two_originals_fall_together_only_over_blanks_and_padding(one: bytes, other: bytes) -> None:
    def core(raw: bytes) -> bytes:
        return raw.strip(b" \0").replace(b" ", b"_")

    assert (clean(one) == clean(other)) == (core(one) == core(other))


@pytest.mark.parametrize(
    "raw",
    [
        b'A"; RUN+="/bin/sh',
        b"A\nX=1",
        b"$(reboot)",
        b"`id`",
        b"%k",
        b"<b>A</b>",
        b"../../etc",
        b"-rf",
        b"A/B",
        b"A\\x20B",
        b"\xff\xfe\x80",
        b"A{B}",
        b"A'B",
        b"\x1b[31mA",
        "Ä".encode(),
    ],
)
def test_hostile_text_loses_its_power_and_is_told_from_its_look_alike(raw: bytes) -> None:
    safe = clean(raw)
    assert SAFE.fullmatch(safe)
    assert re.search(r"-[0-9a-f]{8}$", safe)
    assert clean(raw + b"\x01") != safe


@pytest.mark.parametrize("raw", [b"", b"    ", b"\0\0\0", b" \0 "])
def test_padding_alone_is_no_text(raw: bytes) -> None:
    assert clean(raw) == ""


def test_blanks_inside_become_underscores() -> None:
    assert clean(b"SPLIT 2X") == "SPLIT_2X"


@given(st.binary(max_size=40))
def test_text_from_udev_gives_the_same_as_the_bytes(raw: bytes) -> None:
    assert clean_text(raw.decode("utf-8", "surrogateescape")) == clean(raw)
