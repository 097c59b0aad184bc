# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Pool labels of real pools, read by us and by C(zdb -l); damaged and invented ones.

The records in tests/data/labels were made by capture.py beside them.
"""

from __future__ import annotations

import base64
import contextlib
import functools
import lzma
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import DecodeError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host import label_reader
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.label_reader import read_newest
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs import labels, xdr

DATA = Path(__file__).parents[2] / "data" / "labels"
RECORDS = sorted(path.name[: -len(".label")] for path in DATA.glob("*.label"))


@functools.cache
def record(name: str) -> tuple[bytes, int, str]:
    """A recorded label's bytes, its offset on its device, and zdb's words."""
    words = (DATA / f"{name}.txt").read_text()
    first, _newline, rest = words.partition("\n")
    return lzma.decompress(base64.b64decode((DATA / f"{name}.label").read_text())), int(first.split()[1]), rest


def nested(words: str) -> dict[str, Any]:
    """The first label that zdb tells, as a dictionary: indented C(name: value) lines."""
    top: dict[str, Any] = {}
    stack: list[tuple[int, dict[str, Any]]] = [(-1, top)]
    for line in words.splitlines():
        match = re.fullmatch(r"( *)(\S+?)(?::(?: (.*))?)?", line) if not line.startswith(("-", "LABEL")) else None
        if match is None:
            if "labels =" in line:
                break
            continue
        indent, name, value = len(match.group(1)), match.group(2), match.group(3)
        while stack[-1][0] >= indent:
            stack.pop()
        if value:
            stack[-1][1][name] = value.strip("'")
        else:
            stack[-1][1][name] = {}
            stack.append((indent, stack[-1][1][name]))
    return top


@pytest.mark.parametrize("release", ["2.1", "2.3"])
def test_there_are_records_of_every_kind_from_both_generations(release):
    kinds = {name.split("-", 1)[1] for name in RECORDS if name.startswith(release)}
    assert kinds >= {"raidz2", "mirror", "exported", "destroyed", "multihost", "log", "spare", "draid"}


@pytest.mark.parametrize("name", RECORDS)
def test_a_label_says_what_zdb_says(name):
    data, offset, words = record(name)
    told = nested(words)
    label = labels.read_label(data, offset)
    assert labels.STATES.index(label.state) == int(told["state"])
    assert label.guid == told["guid"]
    if "name" not in told:
        assert label.pool_guid == ""
        return
    assert (label.name, label.pool_guid, label.top_guid) == (told["name"], told["pool_guid"], told["top_guid"])
    assert (label.txg, label.vdev_children) == (int(told["txg"]), int(told["vdev_children"]))
    assert (label.hostid, label.hostname) == (int(told["hostid"]), told["hostname"])
    assert set(label.features) == set(told["features_for_read"])
    tree = told["vdev_tree"]
    assert (label.vdev.kind, label.vdev.guid) == (tree["type"], tree["guid"])
    assert label.vdev.nparity == int(tree.get("nparity", 0))
    assert (label.vdev.data, label.vdev.spares) == (int(tree.get("draid_ndata", 0)), int(tree.get("draid_nspares", 0)))
    assert label.vdev.ashift == int(tree["ashift"])
    assert label.vdev.is_log == (tree["is_log"] == "1")
    children = [tree[key] for key in sorted(tree) if key.startswith("children[")]
    assert [(one.guid, one.path) for one in label.vdev.children] == [(one["guid"], one["path"]) for one in children]


@pytest.mark.parametrize("name", [name for name in RECORDS if not name.endswith("spare")])
def test_the_newest_uberblock_is_of_the_day_of_the_record_and_no_older_than_the_label(name):
    data, offset, _words = record(name)
    label = labels.read_label(data, offset)
    assert label.uberblock is not None
    assert label.uberblock.txg >= label.txg
    # zdb tells no time without -u; the records were made in November 2026 on the lab's clock.
    assert 1_790_000_000 < label.uberblock.timestamp < 1_800_000_000
    assert label.uberblock.multihost == name.endswith(("multihost", "log"))


@given(st.data())
def test_a_label_with_any_byte_of_its_list_changed_is_not_believed(choices):
    data, offset, _words = record(choices.draw(st.sampled_from(RECORDS)))
    at = choices.draw(st.integers(labels.LIST_AT, labels.LIST_AT + labels.LIST_SIZE - 1))
    changed = data[:at] + bytes([data[at] ^ choices.draw(st.integers(1, 255))]) + data[at + 1 :]
    with pytest.raises(DecodeError):
        labels.read_label(changed, offset)


@pytest.mark.parametrize("name", RECORDS)
def test_a_label_copied_to_another_place_is_not_believed(name):
    data, offset, _words = record(name)
    with pytest.raises(DecodeError, match="checksum"):
        labels.read_label(data, offset + labels.SIZE)


@given(st.binary(max_size=2000))
def test_any_bytes_are_a_list_or_a_decode_error(noise):
    for data in (noise, bytes((1, 1, 0, 0)) + noise):
        with contextlib.suppress(DecodeError):
            xdr.decode(data)


@given(st.data())
def test_a_damaged_list_is_a_list_or_a_decode_error(choices):
    data, _offset, _words = record(choices.draw(st.sampled_from(RECORDS)))
    body = bytearray(data[labels.LIST_AT : labels.LIST_AT + 6000])
    for _change in range(choices.draw(st.integers(1, 8))):
        body[choices.draw(st.integers(0, len(body) - 1))] = choices.draw(st.integers(0, 255))
    with contextlib.suppress(DecodeError):
        xdr.decode(bytes(body))


@given(st.binary(min_size=labels.SIZE // 1024, max_size=labels.SIZE // 1024))
def test_a_label_of_noise_is_a_decode_error(noise):
    with pytest.raises(DecodeError):
        labels.read_label(noise * 1024, 0)


def test_the_four_labels_are_where_openzfs_puts_them():
    # vdev_label.c, vdev_label_offset: two at the start, two at the end of the size in whole labels.
    assert labels.offsets(10 * labels.SIZE + 5) == (0, 262144, 8 * 262144, 9 * 262144)
    assert labels.offsets(3 * labels.SIZE) == ()


@pytest.fixture
def device(tmp_path):
    """Puts recorded labels on a file of ten labels' size."""

    def make(*names: str, spoil: bool = False) -> str:
        path = tmp_path / "device"
        content = bytearray(10 * labels.SIZE)
        for name in names:
            data, offset, _words = record(name)
            place = offset if offset < 2 * labels.SIZE else 9 * labels.SIZE
            content[place : place + labels.SIZE] = data
            if spoil:
                content[place + labels.LIST_AT + 100] ^= 1
        path.write_bytes(bytes(content))
        return str(path)

    return make


def test_the_newest_sound_label_of_a_device_counts(device):
    older, newer = (next(name for name in RECORDS if name.endswith(kind)) for kind in ("-raidz2", "-exported"))
    found = read_newest(device(older, newer))
    assert found is not None
    assert (found.state, found.txg) == ("exported", labels.read_label(*record(newer)[:2]).txg)


def test_a_device_without_a_sound_label_has_none(device, tmp_path):
    one = next(name for name in RECORDS if name.endswith("-raidz2"))
    assert read_newest(device(one, spoil=True)) is None
    assert read_newest(str(tmp_path / "absent")) is None
    (tmp_path / "small").write_bytes(bytes(labels.SIZE))
    assert read_newest(str(tmp_path / "small")) is None


def test_a_device_that_is_written_to_while_watched_is_reported(device, monkeypatch):
    older, newer = (next(name for name in RECORDS if name.endswith(kind)) for kind in ("-raidz2", "-exported"))
    path = device(older)
    monkeypatch.setattr(label_reader.time, "sleep", lambda _seconds: None)
    assert label_reader.changing([path]) == frozenset()
    monkeypatch.setattr(label_reader.time, "sleep", lambda _seconds: device(older, newer) and None)
    assert label_reader.changing([path]) == {path}
