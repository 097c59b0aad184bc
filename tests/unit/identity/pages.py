# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Builds VPD pages, generates them, and asks sg3-utils what they say."""

from __future__ import annotations

import re
import subprocess
from dataclasses import dataclass

from hypothesis import strategies as st

# Type and code set as sg_vpd names them, by number (SPC-4 tables "DESIGNATOR TYPE", "CODE SET").
KINDS = {
    0: "vendor specific [0x0]",
    1: "T10 vendor identification",
    2: "EUI-64 based",
    3: "NAA",
    4: "Relative target port",
    5: "Target port group",
    6: "Logical unit group",
    7: "MD5 logical unit identifier",
    8: "SCSI name string",
    10: "UUID identifier",
}
CODE_SETS = {1: "Binary", 2: "ASCII", 3: "UTF-8"}
ASSOCIATIONS = {
    "Addressed logical unit:": 0,
    "Target port:": 1,
    "Target device that contains addressed lu:": 2,
}


@dataclass(frozen=True)
class Part:
    """A designator before it is put into bytes."""

    association: int
    kind: int
    code_set: int
    value: bytes
    protocol: int | None = None

    def encode(self) -> bytes:
        piv = 0 if self.protocol is None else 0x80
        head = bytes(
            [(self.protocol or 0) << 4 | self.code_set, piv | self.association << 4 | self.kind, 0, len(self.value)]
        )
        return head + self.value


def page(code: int, body: bytes) -> bytes:
    return bytes([0, code]) + len(body).to_bytes(2, "big") + body


def sg_vpd(data: bytes, name: str) -> str:
    """What sg_vpd prints for a page given as bytes. *name* is its short name, such as di."""
    text = " ".join(f"{byte:02x}" for byte in data)
    done = subprocess.run(
        ["sg_vpd", "--inhex=-", "--page", name], input=text, capture_output=True, text=True, timeout=20, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def printed_designators(text: str) -> list[tuple[int, str, str, str]]:
    """(association, type, code set, value as printed) for each designator in sg_vpd's output."""
    found: list[tuple[int, str, str, str]] = []
    association = -1
    for line in text.splitlines()[1:]:
        head = re.fullmatch(r"\s+designator type: (.*?),  code set: (.*)", line)
        if line.strip() in ASSOCIATIONS:
            association = ASSOCIATIONS[line.strip()]
        elif head:
            found.append((association, head.group(1), head.group(2), ""))
        elif found and not line.strip().startswith("transport:"):
            found[-1] = (*found[-1][:3], (found[-1][3] + " " + line.strip()).strip())
    return found


def naa(nibbles: list[int]) -> st.SearchStrategy[bytes]:
    """NAA designators of the given formats (SPC-4 7.8.6.6)."""
    sizes = {2: 8, 3: 8, 5: 8, 6: 16}

    def head(format_: int, rest: bytes) -> bytes:
        return bytes([format_ << 4 | rest[0] & 15]) + rest[1:]

    return st.sampled_from(nibbles).flatmap(
        lambda format_: st.binary(min_size=sizes[format_], max_size=sizes[format_]).map(
            lambda rest: head(format_, rest)
        )
    )


WORD = st.text("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789", min_size=1, max_size=20).map(str.encode)
VENDOR = st.text("ABCDEFGH", min_size=1, max_size=8).map(lambda text: text.ljust(8).encode())
COUNT = st.integers(1, 0xFFFF).map(lambda number: number.to_bytes(4, "big"))
PROTOCOL = st.sampled_from([None, 0, 6])

DESIGNATORS = st.one_of(
    st.builds(Part, st.sampled_from([0, 1, 2]), st.just(3), st.just(1), naa([2, 3, 5, 6]), PROTOCOL),
    st.builds(Part, st.just(0), st.just(1), st.just(2), st.builds(bytes.__add__, VENDOR, WORD)),
    st.builds(
        Part,
        st.just(0),
        st.just(2),
        st.just(1),
        st.sampled_from([8, 12, 16]).flatmap(lambda size: st.binary(min_size=size, max_size=size)),
    ),
    st.builds(Part, st.just(1), st.sampled_from([4, 5]), st.just(1), COUNT, PROTOCOL),
    st.builds(Part, st.just(0), st.just(6), st.just(1), COUNT),
    st.builds(Part, st.just(0), st.just(0), st.just(2), WORD),
    st.builds(
        Part,
        st.sampled_from([0, 2]),
        st.just(8),
        st.just(3),
        WORD.map(lambda w: b"iqn." + w + bytes(-(len(w) + 4) % 4)),
    ),
    st.builds(
        Part,
        st.just(0),
        st.just(10),
        st.just(1),
        st.binary(min_size=16, max_size=16).map(lambda rest: b"\x10\0" + rest),
    ),
)
