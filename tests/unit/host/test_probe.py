# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Looking at devices themselves: pool labels, and what the installed wipefs prints, on image files."""

from __future__ import annotations

import errno
import os
import subprocess
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import DecodeError, HostError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.probe import (
    examine,
    look,
    parse_signatures,
    read_signatures,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.run import Result
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.uses import parse_mounts, parse_swaps
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import UnitPath
from tests.unit.trial.world import found_of
from tests.unit.trial.world import order as made_order

KIB = 1024
SIZE = 64 << 20


def run(argv: Sequence[str]) -> Result:
    done = subprocess.run(argv, capture_output=True, text=True, check=False)
    return Result(done.returncode, done.stdout, done.stderr)


@pytest.fixture
def images(tmp_path: Path) -> list[str]:
    made = []
    for name in ("empty", "ext4", "table", "swap"):
        path = tmp_path / name
        with path.open("wb") as file:
            file.truncate(SIZE)
        made.append(str(path))
    subprocess.run(["mkfs.ext4", "-q", made[1]], check=True)
    subprocess.run(["sfdisk", "-q", made[2]], input="label: gpt\n,10MiB\n", text=True, check=True)
    subprocess.run(["mkswap", made[3]], check=True, capture_output=True)
    return made


def test_one_wipefs_tells_the_signatures_of_all_devices(images: list[str]) -> None:
    before = [Path(image).read_bytes() for image in images]
    found = read_signatures(images, run)
    assert {node: [(one.type, one.detail) for one in contents] for node, contents in found.items()} == {
        images[1]: [("filesystem", "ext4")],
        images[2]: [("partition_table", "gpt")],
        images[3]: [("filesystem", "swap")],
    }
    assert [Path(image).read_bytes() for image in images] == before


def test_devices_without_signatures_have_none(images: list[str]) -> None:
    assert read_signatures(images[:1], run) == {}
    assert read_signatures([], run) == {}


def test_a_half_erased_table_still_counts(images: list[str]) -> None:
    with Path(images[2]).open("r+b") as file:
        file.write(bytes(34 * 512))  # the first copy and the protective MBR
    assert [one.type for one in read_signatures(images, run)[images[2]]] == ["partition_table"]


@pytest.mark.parametrize(
    "output",
    ["no JSON", "[]", '{"signatures": [{"device": "sdb"}]}', '{"signatures": 3}',
     '{"signatures": [{"device": "sdz", "type": "ext4", "usage": "filesystem", "label": null}]}'],
)  # fmt: skip
def test_output_of_another_form_is_an_error_and_never_read_as_nothing_found(output: str) -> None:
    with pytest.raises(DecodeError, match="wipefs"):
        parse_signatures(output, ["/dev/sdb"])


def test_devices_of_one_name_are_not_confused() -> None:
    with pytest.raises(DecodeError, match="the same name"):
        parse_signatures('{"signatures": []}', ["/dev/sda", "/dev/mapper/sda"])


@pytest.mark.parametrize("label", [0, 1, 2, 3])
@pytest.mark.parametrize("size", [SIZE, SIZE + 100 * KIB])
def test_a_single_pool_label_is_seen_at_each_of_the_four_places(tmp_path: Path, label: int, size: int) -> None:
    image = tmp_path / "image"
    end = size // (256 * KIB) * 256 * KIB
    # vdev_impl.h: VDEV_LABEL_START_SIZE, vdev_label_offset; the XDR list follows 8 KiB pad and 8 KiB boot header.
    start = [0, 256 * KIB, end - 512 * KIB, end - 256 * KIB][label]
    with image.open("wb") as file:
        file.truncate(size)
        file.seek(start + 16 * KIB)
        file.write(bytes.fromhex("010100000000000000000001") + b"\0\0\0\x24\0\0\0\x20\0\0\0\7version\0")
    assert look(str(image)) == ((label,), False)


def test_a_device_without_labels_and_one_too_small_for_any(tmp_path: Path, images: list[str]) -> None:
    small = tmp_path / "small"
    small.write_bytes(bytes(512 * KIB))
    assert look(str(small)) == ((), False)
    assert look(images[1]) == ((), False)


def test_a_device_that_is_not_there_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(HostError, match="No such file"):
        look(str(tmp_path / "gone"))


def test_mounts_with_escapes_and_filesystems_with_numbers_of_their_own() -> None:
    # Form: proc_pid_mountinfo(5).
    text = (
        "36 35 8:1 / /srv/a\\040b rw - ext4 /dev/sda1 rw\n"
        "37 35 0:31 /sub /data rw shared:1 master:2 - btrfs /dev/sdzz9 rw,subvol=/sub\n"
        "38 35 8:1 /x /bind rw - ext4 /dev/sda1 rw\n"
        "39 35 0:5 / /proc rw - proc proc rw\n"
    )
    found = parse_mounts(text)
    assert found["8:1"] == ("/bind", "/srv/a b")
    assert found["/dev/sdzz9"] == ("/data",)
    assert "proc" not in found


def test_swap_areas() -> None:
    head = "Filename\t\t\t\tType\t\tSize\t\tUsed\t\tPriority\n"
    assert parse_swaps(head + "/dev/sdzz2                              partition\t8\t\t0\t\t-2\n") == ("/dev/sdzz2",)
    assert parse_swaps(head) == ()


@pytest.mark.parametrize("busy", [False, True])
def test_places_that_cannot_be_read_are_told_like_contents(
    images: list[str], monkeypatch: pytest.MonkeyPatch, busy: bool
) -> None:
    """What keeps other units from being looked at is no way to tell of a bad one; that it is open is told as well."""
    order = made_order(1)
    found = found_of(order)
    unit = replace(found.drives[0].units[0], node=images[0], paths=(UnitPath("0:0:0:0", images[0]),))
    found = replace(found, drives=(replace(found.drives[0], units=(unit,)),))
    true_open = os.open

    def failing(*_given: int) -> bytes:
        raise OSError(errno.EIO, "Input/output error")

    def opened(path: str, flags: int) -> int:
        if busy and flags & os.O_EXCL:
            raise OSError(errno.EBUSY, "Device or resource busy")
        return true_open(path, flags & ~os.O_EXCL)

    monkeypatch.setattr(os, "pread", failing)
    monkeypatch.setattr(os, "open", opened)
    key = (found.drives[0].serial, 0)
    told = examine(found, [key], lambda _argv: Result(0, "", ""))[key]
    assert ("unreadable", "where a pool's labels would be", images[0]) in [
        (one.type, one.detail, one.node) for one in told
    ]
    assert ("open" in {one.type for one in told}) == busy
