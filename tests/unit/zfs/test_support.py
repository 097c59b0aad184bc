# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Supporting vdevs: declared, refused when weak, found by WWN, put into the command, compared with a pool."""

import dataclasses

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import InputError, Refusal
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import (
    Bay,
    Drive,
    Layout,
    Member,
    Unit,
    Vdev,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs import build, support
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.resolve import Index, resolve
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.tree import Node, PoolTree

WWNS = ["naa.5000ace2bb0000{0:02x}".format(number) for number in range(1, 7)]


def flash(number, **more):
    link = "/dev/disk/by-id/wwn-0x" + WWNS[number].split(".")[1]
    unit = Unit(0, wwn=WWNS[number], size=10**12, node="/dev/sd" + "uvwxyz"[number], links=(link,))
    return Drive(key="f{0}".format(number), serial="FL{0}".format(number), units=(unit,), expected_units=1, **more)


def split():
    units = tuple(Unit(index, wwn="naa.5000ace2aa00000{0}".format(index), links=("/dev/x",)) for index in (0, 1))
    return Drive(key="s", serial="ACS0", units=units, expected_units=2, bay=Bay("", 3))


DECLARED = [
    {"role": "special", "devices": WWNS[:3]},
    {"role": "log", "devices": WWNS[3:5]},
    {"role": "cache", "devices": WWNS[5:]},
]


def raidz(parity=2, width=4):
    return Vdev("raidz", parity, tuple(Member("ACS{0}".format(n), 0, "bay{0:02d}".format(n), 9) for n in range(width)))


def test_kinds_follow_the_role_and_the_number_of_devices():
    read = support.read_support(DECLARED)
    assert [(one.role, one.kind, one.redundancy) for one in read] == [
        ("special", "mirror", 2), ("log", "mirror", 1), ("cache", "stripe", 0)
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("data", "place", "value"),
    [
        ("log", "support", "log"),
        (["log"], "support[0]", "log"),
        ([{"role": "dedupe", "devices": WWNS[:1]}], "support[0].role", "dedupe"),
        ([{"role": "log", "devices": []}], "support[0].devices", "[]"),
        ([{"role": "log", "devices": ["/dev/sda"]}], "support[0].devices", "/dev/sda"),
        ([{"role": "log", "devices": ["naa.5000"]}], "support[0].devices", "naa.5000"),
        ([{"role": "log", "devices": WWNS[:1], "kind": "raidz"}], "support[0].kind", "raidz"),
        ([{"role": "log", "devices": WWNS[:1], "kind": "mirror"}], "support[0].kind", "log of 1 device"),
        ([{"role": "cache", "devices": WWNS[:2], "kind": "mirror"}], "support[0].kind", "cache of 2 devices"),
        ([{"role": "log", "devices": WWNS[:1], "size": 1}], "support[0]", "size"),
        ([{"role": "log", "devices": WWNS[:1]}, {"role": "cache", "devices": WWNS[:1]}], "support", WWNS[0]),
    ],
)
def test_wrong_declarations_name_key_and_value(data, place, value):
    with pytest.raises(InputError) as caught:
        support.read_support(data)
    assert caught.value.subject == place
    assert value in str(caught.value)


@pytest.mark.parametrize(
    ("devices", "parity", "refused"), [(2, 2, True), (3, 2, False), (4, 2, True), (1, 0, False), (2, 0, True)]
)
def test_a_special_vdev_must_be_as_redundant_as_the_data(devices, parity, refused):
    read = support.read_support([{"role": "special", "devices": WWNS[:devices]}])
    if not refused:
        support.refuse_weak(read, [raidz(parity)])
        return
    with pytest.raises(Refusal) as caught:
        support.refuse_weak(read, [raidz(parity)])
    assert "device failures tolerated: {0} (the data vdevs: {1})".format(devices - 1, parity) in caught.value.reasons[0]


def test_a_log_may_be_less_redundant():
    support.refuse_weak(support.read_support([{"role": "log", "devices": WWNS[:1]}]), [raidz(2)])


def test_the_create_command_has_them_after_the_data():
    found = [flash(number) for number in range(6)]
    layout = dataclasses.replace(Layout(()), support=support.resolve(support.read_support(DECLARED), found))
    command = build.create_command("archive", layout, build.paths_as_found(build.units_of(layout, found)), {}, {})
    by = "/dev/disk/by-id/wwn-0x5000ace2bb0000"
    assert command.argv == (
        "zpool", "create", "archive", "special", "mirror", by + "01", by + "02", by + "03",
        "log", "mirror", by + "04", by + "05", "cache", by + "06",
    )  # fmt: skip


def test_what_cannot_be_used_is_named_by_wwn():
    declared = support.read_support([{"role": "log", "devices": [WWNS[0], WWNS[1], "naa.5000ace2aa000001"]}])
    with pytest.raises(Refusal) as caught:
        support.resolve(declared, [flash(1), dataclasses.replace(flash(1), key="again"), split()])
    assert caught.value.reasons == (
        "log on {0}: no drive on the host has this WWN".format(WWNS[0]),
        "log on {0}: 2 units have this WWN".format(WWNS[1]),
        "log on naa.5000ace2aa000001: it is unit 1 of the split-actuator drive in bay03 (serial ACS0)",
    )


def leaf(number, state="ONLINE"):
    return Node(WWNS[number], "disk", state, path="/dev/disk/by-id/wwn-0x{0}-part1".format(WWNS[number].split(".")[1]))


def pool(*groups):
    drives = [flash(number) for number in (1, 2, 3, 4, 5)]
    nodes = {leaf(number).path: "/dev/sd{0}1".format("uvwxyz"[number]) for number in (1, 2, 3, 4, 5)}
    return resolve(PoolTree("archive", "1", "ONLINE", groups), Index(drives, (), nodes))


def test_a_pool_with_a_lost_device_still_agrees():
    mirror = Node("mirror-0", "mirror", "DEGRADED", children=(leaf(0, "UNAVAIL"), leaf(1), leaf(2)))
    log = Node("mirror-1", "mirror", "ONLINE", children=(leaf(4), leaf(3)))
    found = pool(("special", (mirror,)), ("logs", (log,)), ("cache", (leaf(5),)))
    assert support.differences(found, support.read_support(DECLARED)) == ()
    assert [member.wwn for member in found.vdevs[0].members] == WWNS[:3]


def test_what_differs_is_named():
    log = Node("mirror-1", "mirror", "ONLINE", children=(leaf(4), leaf(3)))
    found = pool(("logs", (log,)), ("dedup", (leaf(1),)))
    assert support.differences(found, support.read_support(DECLARED)) == (
        "cache on 5000ace2bb000006: declared, not in the pool",
        "dedup on 5000ace2bb000002: in the pool, not declared",
        "special on 5000ace2bb000001, 5000ace2bb000002, 5000ace2bb000003: declared, not in the pool",
    )
