# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Labels against a layout: every wrong situation is reported by bay, serial and unit, and no right one is."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import Refusal
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Layout, Vdev
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs import membership
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.labels import LabelVdev
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.membership import Comparison, Places
from tests.unit.zfs.pools import GUID, drive, labels, layout, leaf, member

DRIVES = tuple(drive(bay) for bay in range(6))
ALL = [(f"ACT{bay}", index) for index in (0, 1) for bay in range(4)]
PLACES = Places(layout(), DRIVES)


def choose(found, guid="", pool="archive"):
    return membership.choose(pool, guid, found, layout(), PLACES)


def compare(found, planned=None):
    planned = planned or layout()
    return Comparison(choose(found), planned, Places(planned, DRIVES))


def without(found, *keys):
    return {key: label for key, label in found.items() if key not in keys}


def test_the_pool_of_the_layout_is_found_and_whole():
    found = labels()
    comparison = compare(found)
    assert choose(found).guid == GUID
    assert comparison.wrong == comparison.beyond == []
    assert comparison.missing(layout(), found, DRIVES) == ()
    assert comparison.present == {key: leaf(key) for key in ALL}


def test_no_pool_says_what_the_units_hold():
    with pytest.raises(Refusal, match="No pool archive") as refused:
        choose({**labels([("ACT0", 0)], name="tide", guid="555")})
    assert any(
        "pool tide (GUID 555, active) on bay00.0; last used by host west1" in one for one in refused.value.reasons
    )
    assert any("7 of 8 declared units hold no pool: bay00.1, bay01.0" in one for one in refused.value.reasons)


def test_another_guid_than_requested_is_refused():
    with pytest.raises(Refusal, match="not the one with GUID 42") as refused:
        choose(labels(), guid="42")
    assert GUID in refused.value.reasons[0]


def test_two_pools_of_one_name_are_refused_until_one_is_meant():
    found = {**labels(), **labels([("ACT4", 0)], guid="999")}
    with pytest.raises(Refusal, match="There are 2 pools named archive") as refused:
        choose(found)
    assert "bay04.0" in "".join(refused.value.reasons)
    assert choose(found, guid=GUID).guid == GUID


def test_a_destroyed_pool_is_reported_as_such_and_hides_no_other():
    with pytest.raises(Refusal, match="was destroyed"):
        choose(labels(state="destroyed"))
    found = {**labels(), **labels([("ACT4", 0)], guid="999", state="destroyed", txg=500)}
    assert choose(found).guid == GUID


def test_missing_drives_are_named_with_the_reason():
    found = without(labels(), ("ACT2", 0), ("ACT2", 1), ("ACT3", 1))
    gone = [one for one in DRIVES if one.serial != "ACT2"]
    comparison = compare(found)
    assert comparison.wrong == comparison.beyond == []
    assert [str(one) for one in comparison.missing(layout(), found, gone)] == [
        "bay02 (serial ACT2) units 0, 1: not on the host",
        "bay03 (serial ACT3) unit 1: on the host, but without a pool label",
    ]


@given(st.sets(st.sampled_from(ALL), max_size=7))
def test_beyond_redundancy_exactly_when_a_vdev_lost_more_than_its_parity(lost):
    found = without(labels(), *lost)
    comparison = compare(found)
    counts = [sum(1 for _serial, index in lost if index == number) for number in (0, 1)]
    assert comparison.wrong == []
    assert len(comparison.beyond) == sum(1 for count in counts if count > 2)
    told = {(one.member.serial, index) for one in comparison.missing(layout(), found, DRIVES) for index in one.indices}
    assert told == lost


@given(st.permutations(ALL))
def test_any_mix_up_of_units_between_vdevs_is_reported_but_not_the_order_within_one(keys):
    first, second = keys[:4], keys[4:]
    comparison = compare(labels(first, second))
    alike = {index for _serial, index in first} == {0} or {index for _serial, index in first} == {1}
    assert (comparison.wrong == []) == alike


def test_a_member_in_another_vdev_is_named_with_both():
    first = [("ACT0", 0), ("ACT1", 0), ("ACT2", 0), ("ACT3", 1)]
    second = [("ACT0", 1), ("ACT1", 1), ("ACT2", 1), ("ACT3", 0)]
    wrong = compare(labels(first, second)).wrong
    assert wrong[0] == (
        "bay03 (serial ACT3) unit 1: is a member of the vdev of bay00.0, bay01.0, bay02.0, "
        "declared for the vdev of bay00.1, bay01.1, bay02.1, bay03.1"
    )
    assert len(wrong) == 2


def test_another_parity_or_width_is_reported():
    assert "planned raidz1 of 4 members, actual raidz2 of 4" in compare(labels(), layout(parity=1)).wrong[0]
    assert "planned raidz2 of 5 members, actual raidz2 of 4" in compare(labels(), layout(5)).wrong[0]


def test_a_vdev_that_is_not_in_the_layout_is_reported():
    found = labels(*[[(f"ACT{bay}", index) for bay in range(4)] for index in (0, 1)], [("ACT4", 0), ("ACT5", 0)])
    assert compare(found).wrong == ["units bay04.0, bay05.0 form a vdev that is not in the layout"]


def test_a_whole_vdev_without_labels_is_beyond():
    found = labels([(f"ACT{bay}", 0) for bay in range(4)])
    assert compare(found).beyond == ["the vdev of bay00.1, bay01.1, bay02.1, bay03.1: missing members: 4, tolerated: 2"]


def test_a_replaced_drive_put_back_counts_as_missing():
    found = labels()
    stale = replace(found[("ACT1", 0)], guid="4711", txg=50)
    found[("ACT1", 0)] = stale
    missing = compare(found).missing(layout(), found, DRIVES)
    assert str(missing[0]) == "bay01 (serial ACT1) unit 0: was a member of this pool and has been replaced since"


def test_the_newest_label_tells_a_vdevs_members():
    found = labels()
    old = found[("ACT0", 0)]
    short = replace(old.vdev, children=old.vdev.children[:3])
    found[("ACT0", 0)] = replace(old, txg=1, vdev=short)
    assert compare(found).wrong == []


def test_a_unit_that_replaces_another_shares_its_place():
    found = labels()
    tree = found[("ACT1", 0)].vdev
    pair = LabelVdev("replacing", "1", children=(LabelVdev("disk", leaf(("ACT1", 0))), LabelVdev("disk", "9000")))
    grown = replace(tree, children=(tree.children[0], pair, *tree.children[2:]))
    found = {key: replace(label, vdev=grown) if key[1] == 0 else label for key, label in found.items()}
    found[("ACT4", 0)] = replace(found[("ACT1", 0)], guid="9000")
    comparison = compare(found)
    assert comparison.wrong == comparison.beyond == []
    assert ("ACT4", 0) in comparison.present


def test_each_member_of_a_stripe_is_a_vdev():
    planned = Layout((Vdev("stripe", 0, (member(0, 0), member(1, 0))),))
    found = labels([("ACT0", 0)], [("ACT1", 0)])
    found = {
        key: replace(label, vdev=LabelVdev("disk", label.guid), top_guid=label.guid) for key, label in found.items()
    }
    comparison = compare(found, planned)
    assert comparison.wrong == comparison.beyond == []


def strangers(found, own=frozenset(), drives=DRIVES):
    return membership.strangers(found, GUID, layout(), drives, own, PLACES)


def test_a_drive_of_another_pool_is_reported_wherever_it_sits():
    other = labels([("ACT3", 0)], [("ACT4", 1)], name="tide", guid="555", hostid=0xBAB10C)
    lines = strangers({**labels(), **other})
    assert lines == [
        "bay03 (serial ACT3) unit 0: holds another pool, tide (GUID 555), last used by host west1 (host id 00bab10c)",
        (
            "bay04 (serial ACT4) unit 1: holds another pool, tide (GUID 555), "
            "last used by host west1 (host id 00bab10c);"
            " the drive is not declared"
        ),
    ]


def test_what_is_declared_for_other_use_or_no_drive_of_the_chassis_or_destroyed_is_let_be():
    other = labels([("ACT4", 0)], name="rpool", guid="555")
    assert strangers(other, own=frozenset({"ACT4"})) == []
    assert strangers(other, drives=[*DRIVES[:4], replace(drive(4, units=1), bay=None)]) == []
    assert strangers(labels([("ACT4", 0)], guid="555", state="destroyed")) == []
    assert strangers(labels()) == []


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0, "1970-01-01 00:00:00 UTC"), (1_790_000_000, "2026-09-21 14:13:20 UTC"), (2**63, "9223372036854775808 s")],
)
def test_times_are_in_utc_and_none_is_too_odd(seconds, text):
    assert membership.when(seconds) == text
