# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Deciding how a pool comes to match its layout."""

import dataclasses

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import InputError, Refusal
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import (
    Bay,
    Content,
    Drive,
    Layout,
    Member,
    SpareDrive,
    Unit,
    Vdev,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs import argv, build

SIZE = 9 * 10**12


def drives(count=4):
    return [
        Drive(
            key="k{0}".format(slot),
            serial="ACS{0:04d}".format(slot),
            bay=Bay("", slot),
            expected_units=2,
            units=tuple(
                Unit(
                    index,
                    size=SIZE,
                    node="/dev/sd{0}{1}".format(slot, index),
                    links=("/dev/disk/by-vdev/bay{0:02d}.{1}".format(slot, index),),
                )
                for index in (0, 1)
            ),
        )
        for slot in range(count)
    ]


def member(slot, index):
    return Member("ACS{0:04d}".format(slot), index, "bay{0:02d}".format(slot), SIZE)


def layout(spare=None):
    vdevs = tuple(Vdev("raidz", 1, tuple(member(slot, index) for slot in range(3))) for index in (0, 1))
    spares = (SpareDrive("ACS0003", "bay03", (member(3, 0), member(3, 1))),) if spare else ()
    return Layout(vdevs=vdevs, spares=spares)


def test_the_create_command_is_exact_and_leaves_spare_drives_out():
    plan = layout(spare=True)
    command = build.create_command(
        "archive", plan, build.paths_as_found(build.units_of(plan, drives())), {"ashift": "12"}, {"atime": "off"}
    )
    by = "/dev/disk/by-vdev/"
    assert command.argv == (
        "zpool", "create", "-o", "ashift=12", "-O", "atime=off", "archive",
        "raidz1", by + "bay00.0", by + "bay01.0", by + "bay02.0",
        "raidz1", by + "bay00.1", by + "bay01.1", by + "bay02.1",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("spoil", "reason"),
    [
        (lambda found: found.pop(1), "bay01 (serial ACS0001): declared, but no drive with this serial is on the host"),
        (
            lambda found: found.append(dataclasses.replace(found[1], key="k9")),
            "bay01 (serial ACS0001): 2 drives report this serial (k1, k9); it is not clear which one is meant",
        ),
        (
            lambda found: found.__setitem__(1, dataclasses.replace(found[1], units=found[1].units[:1])),
            "bay01 (serial ACS0001): unit 1 is missing; the drive shows unit 0",
        ),
        (
            lambda found: found.__setitem__(1, dataclasses.replace(found[1], bay=Bay("", 9))),
            "bay01 (serial ACS0001): the drive sits in bay09, the layout was made for bay01",
        ),
        (
            lambda found: found.__setitem__(
                1,
                dataclasses.replace(
                    found[1], units=(found[1].units[0], dataclasses.replace(found[1].units[1], size=5))
                ),
            ),
            "bay01 (serial ACS0001): unit 1 has 5 bytes, the layout was made for 9000000000000",
        ),
        (
            lambda found: found.__setitem__(
                1,
                dataclasses.replace(
                    found[1], units=(found[1].units[0], dataclasses.replace(found[1].units[1], links=()))
                ),
            ),
            "bay01 (serial ACS0001): unit 1 has no stable name of its own; see drive_info",
        ),
    ],
)
def test_drives_that_are_not_as_declared_are_refused(spoil, reason):
    found = drives()
    spoil(found)
    with pytest.raises(Refusal) as caught:
        build.units_of(layout(), found)
    assert caught.value.reasons == (reason,)


EXT4 = Content("filesystem", "ext4", "/dev/sd11")
MOUNT = Content("mount", "/mnt", "/dev/sd11")


def test_what_is_found_on_a_unit_refuses_by_bay_and_serial():
    with pytest.raises(Refusal) as caught:
        build.refuse_contents(layout(), {("ACS0001", 1): [EXT4]}, ())
    assert caught.value.reasons == ("bay01 (serial ACS0001) unit 1: filesystem ext4 on /dev/sd11",)


def test_only_the_named_drive_is_erased():
    contents = {("ACS0001", 1): [EXT4], ("ACS0002", 0): [EXT4]}
    with pytest.raises(Refusal) as caught:
        build.refuse_contents(layout(), contents, ("ACS0001",))
    assert caught.value.reasons == ("bay02 (serial ACS0002) unit 0: filesystem ext4 on /dev/sd11",)
    assert build.refuse_contents(layout(), contents, ("ACS0001", "ACS0002")) == (("ACS0002", 0), ("ACS0001", 1))


def test_what_is_mounted_is_refused_even_when_listed_for_erasing():
    with pytest.raises(Refusal, match="mount /mnt"):
        build.refuse_contents(layout(), {("ACS0001", 1): [EXT4, MOUNT]}, ("ACS0001",))


def test_what_cannot_be_read_is_refused_even_when_listed_for_erasing():
    bad = Content("unreadable", "where a pool's labels would be", "/dev/sd11")
    with pytest.raises(Refusal) as caught:
        build.refuse_contents(layout(), {("ACS0001", 1): [bad]}, ("ACS0001",))
    assert caught.value.reasons == (
        "bay01 (serial ACS0001) unit 1: unreadable where a pool's labels would be on /dev/sd11",
    )


def test_a_serial_outside_the_layout_is_not_erased():
    with pytest.raises(InputError, match="ACS0099"):
        build.refuse_contents(layout(), {}, ("ACS0099",))


def sibling_layout(parity):
    return Layout(vdevs=(Vdev("raidz", parity, (member(0, 0), member(0, 1), member(1, 0), member(1, 1))),))


def test_siblings_in_a_vdev_are_refused_unless_allowed_and_covered():
    with pytest.raises(Refusal, match="2 units of the drive with serial ACS0000"):
        build.refuse_siblings(sibling_layout(2))
    build.refuse_siblings(sibling_layout(2), allow_siblings=True)
    with pytest.raises(Refusal):
        build.refuse_siblings(sibling_layout(1), allow_siblings=True)
    mirror = Layout(vdevs=(Vdev("mirror", 1, (member(0, 0), member(0, 1))),))
    with pytest.raises(Refusal):
        build.refuse_siblings(mirror, allow_siblings=True)


@pytest.mark.parametrize(
    ("wanted", "found", "same"),
    [
        ("1M", "1048576", True),
        ("128k", "131072", True),
        ("on", "ON", True),
        ("lz4", "zstd", False),
        ("1.5K", "1536", True),
    ],
)
def test_settings_are_compared_by_meaning(wanted, found, same):
    assert build.same_setting(wanted, found) is same


def test_defaults_give_way_and_can_be_dropped():
    assert build.with_defaults({"a": "1", "b": "2", "c": "3"}, {"a": True, "b": None, "d": 5}) == {
        "a": "on",
        "c": "3",
        "d": "5",
    }


@pytest.mark.parametrize("name", ["", "mirror1", "raidzed", "-f", "a/b", "a b", "9lives", "spare", "a" * 129])
def test_names_that_a_pool_may_not_have(name):
    with pytest.raises(InputError):
        argv.pool_name(name)


def test_no_option_hides_in_a_setting():
    with pytest.raises(InputError):
        argv.settings("-o", {"ashift=12 -f": "1"})


def test_units_are_addressed_by_name_only_where_the_name_leads_to_them():
    found = drives()
    units = build.units_of(layout(), found)
    assert build.paths_by_name(layout(), units)[("ACS0001", 1)] == "/dev/disk/by-vdev/bay01.1"
    units[("ACS0001", 1)] = dataclasses.replace(units[("ACS0001", 1)], links=("/dev/disk/by-id/wwn-0x1",))
    with pytest.raises(Refusal) as caught:
        build.paths_by_name(layout(), units)
    assert caught.value.reasons == ("bay01 (serial ACS0001) unit 1: /dev/disk/by-vdev/bay01.1 does not lead to it",)
    assert build.paths_by_name(layout(), units, expected=True)[("ACS0001", 1)] == "/dev/disk/by-vdev/bay01.1"


TABLE = Content("partition_table", "gpt", "/dev/sd11")


@pytest.mark.parametrize(
    ("contents", "begun", "halves", "forgiven"),
    [
        ([TABLE], ["naa.1"], ["/dev/sd11"], True),
        ([TABLE], [], ["/dev/sd11"], False),
        ([TABLE], ["naa.2"], ["/dev/sd11"], False),
        ([TABLE], ["naa.1"], [], False),
        ([TABLE, EXT4], ["naa.1"], ["/dev/sd11"], False),
        ([TABLE, Content("pool_label", "archive", "/dev/sd111")], ["naa.1"], ["/dev/sd11"], False),
        ([TABLE, MOUNT], ["naa.1"], ["/dev/sd11"], False),
    ],
)
def test_only_our_own_unfinished_tables_are_forgiven(contents, begun, halves, forgiven):
    key = ("ACS0001", 1)
    units = {key: Unit(1, wwn="naa.1", node="/dev/sd11")}
    left = build.forgive({key: contents}, units, begun, halves)
    assert (left[key] == ()) is forgiven
