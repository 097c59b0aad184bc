# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The two readers of zpool's output, on what real pools in the lab printed (tests/data/zpool/capture.sh)."""

import dataclasses
import json
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import DecodeError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs import status_json, status_text
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.report import (
    margins,
    picture,
    visits,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.resolve import Index, resolve

DATA = Path(__file__).parents[2] / "data" / "zpool"
CAPTURED = sorted(path.stem for path in DATA.glob("*.json"))


def text_of(name):
    guids = dict(line.split("\t") for line in (DATA / f"{name}.list").read_text().splitlines())
    return status_text.read((DATA / f"{name}.text").read_text(), (DATA / f"{name}.guids").read_text(), guids)


def shape(node):
    """What both forms tell of a node."""
    return (
        node.kind, node.state, node.guid, node.path, node.parity, node.read_errors, node.write_errors,
        node.checksum_errors, [shape(child) for child in node.children],
    )  # fmt: skip


def test_there_are_captures_to_read():
    assert len(CAPTURED) >= 2


@pytest.mark.parametrize("name", CAPTURED)
def test_both_forms_tell_the_same_pool(name):
    from_json = status_json.read((DATA / f"{name}.json").read_text())
    from_text = text_of(name)
    assert [(pool.name, pool.guid, pool.state, pool.errors) for pool in from_json] == [
        (pool.name, pool.guid, pool.state, pool.errors) for pool in from_text
    ]
    for one, other in zip(from_json, from_text, strict=True):
        assert [(group, [shape(node) for node in nodes]) for group, nodes in one.groups] == [
            (group, [shape(node) for node in nodes]) for group, nodes in other.groups
        ]


@pytest.mark.parametrize("name", CAPTURED)
def test_the_tree_is_the_one_that_was_built(name):
    (pool,) = status_json.read((DATA / f"{name}.json").read_text())
    assert [(node.kind, node.parity, len(node.children)) for node in pool.group("data")] == [("raidz", 2, 12)] * 2
    lost = [leaf.name for node in pool.group("data") for leaf in node.leaves() if not leaf.serving]
    names = ["/dev/disk/by-vdev/bay07.0-part1", "/dev/disk/by-vdev/bay07.1-part1"]
    assert lost == (names if name.startswith("pulled") else [])
    assert len({leaf.guid for node in pool.group("data") for leaf in node.leaves()}) == 24


def test_the_text_of_openzfs_2_1_tells_the_members_that_a_pulled_drive_took():
    (pool,) = text_of("mirrors-2.1.11")
    assert (pool.name, pool.state) == ("archive", "DEGRADED")
    assert [(node.kind, node.redundancy, [leaf.state for leaf in node.children]) for node in pool.group("data")] == [
        ("mirror", 1, ["ONLINE", "REMOVED"])
    ] * 2
    assert all(leaf.path.startswith("/dev/disk/by-id/wwn-0x") for node in pool.group("data") for leaf in node.leaves())
    seen = resolve(pool, Index([], [], {}))
    assert [(one.serial, len(one.units)) for one in visits(seen)] == [("", 1), ("", 1)]
    assert "serial unknown" in picture(seen, margins(seen).pool)


def test_two_runs_that_disagree_are_told():
    name = CAPTURED[0]
    text, guids = ((DATA / f"{name}.{kind}").read_text() for kind in ("text", "guids"))
    fewer = "\n".join(line for line in guids.splitlines() if "raidz" not in line and not line.startswith("\t    "))
    with pytest.raises(DecodeError, match="different trees"):
        status_text.read(text, fewer, {})
    with pytest.raises(DecodeError, match="different pools"):
        status_text.read(text, guids.replace("pool: archive", "pool: other"), {})


@given(st.text())
def test_no_text_raises_anything_but_the_librarys_own_error(text):
    for read in (status_json.read, lambda one: status_text.read(one, one, {})):
        with suppress(DecodeError):
            read(text)


@given(
    st.recursive(st.none() | st.integers() | st.text(), lambda some: st.lists(some) | st.dictionaries(st.text(), some))
)
def test_no_json_raises_anything_but_the_librarys_own_error(data):
    for shaped in (data, {"pools": data}, {"pools": {"p": data}}, {"pools": {"p": {"name": "p", "vdevs": data}}}):
        with suppress(DecodeError):
            status_json.read(json.dumps(shaped))


def test_a_leaf_that_a_resilver_fills_does_not_count_as_filled():
    node = status_text._node(status_text._Line(3, "/dev/sda1", ("ONLINE", "0", "0", "0", "(resilvering)")), "5")
    assert node.filling
    assert not dataclasses.replace(node, note="", filling=False).filling
