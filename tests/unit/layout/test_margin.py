# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Margins against pulling every set of drives, one by one."""

from itertools import combinations

from hypothesis import given, settings
from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.margin import can_lose, margins
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.survival import (
    MemberState,
    VdevState,
)

from .pools import cohort, is_lost, names, small_pools


def fail(states, serials):
    """The same pool with all units of these drives dead."""
    return tuple(
        VdevState(
            s.parity, tuple(MemberState(m.serial, m.enclosure, m.alive and m.serial not in serials) for m in s.members)
        )
        for s in states
    )


def plain_margin(states, first=()):
    """How many losses, *first* among them, are stood whichever drives the others are; by pulling all."""
    if is_lost(states, set(), "drive"):
        return -1
    drives = names(states, "drive")
    for count in range(len(first), len(drives) + 1):
        others = combinations([drive for drive in drives if drive not in first], count - len(first))
        if any(is_lost(states, set(first) | set(more), "drive") for more in others):
            return count - 1
    return len(drives)


@given(small_pools())
@settings(max_examples=300, deadline=None)
def test_margins_equal_pulling_every_set(states):
    found = margins(states)
    drives = names(states, "drive")
    assert found.pool == plain_margin(states)
    for state, margin in zip(states, found.vdevs, strict=True):
        assert margin == plain_margin((state,))
    for serial in found.drives:
        own = [state for state in states if any(m.serial == serial for m in state.members)]
        if serial in drives:
            seen = []
            for state in own:
                there = (serial,) if serial in names((state,), "drive") else ()
                seen.append(plain_margin((state,), there))
            assert found.drives[serial] == min(seen)
        else:
            assert found.drives[serial] == min(plain_margin((state,)) for state in own)


@given(small_pools())
@settings(max_examples=200, deadline=None)
def test_zero_means_that_the_next_loss_there_loses_data(states):
    found = margins(states)
    for serial in names(states, "drive"):
        own = tuple(state for state in states if any(m.serial == serial for m in state.members))
        if not is_lost(own, set(), "drive"):
            # A drive at 0 is fatal itself, or holds nothing more in a vdev that the next loss finishes.
            held_in = [state for state in own if serial in names((state,), "drive")]
            fatal = is_lost(own, {serial}, "drive")
            finished = any(plain_margin((state,)) == 0 for state in own if state not in held_in)
            assert (found.drives[serial] == 0) == (fatal or finished)


@given(small_pools(), st.data())
@settings(max_examples=200, deadline=None)
def test_can_lose_agrees_with_pulling(states, data):
    gone = data.draw(st.sets(st.sampled_from(names(states, "drive") or ["none"]), max_size=3))
    assert can_lose(states, sorted(gone)) == (not is_lost(states, gone, "drive"))


@given(small_pools())
@settings(max_examples=200, deadline=None)
def test_enclosures(states):
    found = margins(states)
    for enclosure, stood in found.enclosure_losses.items():
        assert stood == (not is_lost(states, {enclosure}, "enclosure"))
    for enclosure, margin in found.enclosures.items():
        serials = {m.serial for s in states for m in s.members if m.enclosure == enclosure}
        assert margin == min(found.drives[serial] for serial in serials)


def test_a_whole_drive_and_a_single_unit_take_one_each_from_their_vdevs():
    states = cohort(12, 2)
    assert margins(states).pool == 2
    one_gone = fail(states, {"D003"})
    found = margins(one_gone)
    assert (found.pool, found.vdevs) == (1, (1, 1))
    assert set(found.drives.values()) == {1}
    first, second = one_gone
    unit_gone = VdevState(
        2, tuple(MemberState(m.serial, m.enclosure, m.alive and m.serial != "D005") for m in second.members)
    )
    found = margins((first, unit_gone))
    assert found.vdevs == (1, 0)
    # D005 has failed in the second vdev already, so pulling it costs only the first one a member.
    assert (found.drives["D005"], found.drives["D006"]) == (0, 0)
    assert can_lose((first, unit_gone), ["D005"])
    assert not can_lose((first, unit_gone), ["D006"])


def test_siblings_in_one_vdev_go_together():
    members = tuple(MemberState(serial) for serial in "aabbccde")
    found = margins((VdevState(2, members),))
    assert found.pool == 1
    assert (found.drives["a"], found.drives["d"]) == (1, 1)
    hurt = margins((VdevState(2, (MemberState("d", "", False), *members[:7])),))
    assert hurt.pool == 0
    # One more member may go: d has only one left to take, a has two.
    assert (hurt.drives["a"], hurt.drives["d"]) == (0, 1)


def test_a_lost_vdev_is_below_zero():
    members = tuple(MemberState(serial, "", serial not in "ab") for serial in "abcd")
    found = margins((VdevState(1, members),))
    assert (found.pool, found.vdevs, found.drives["c"]) == (-1, (-1,), -1)
    assert found.enclosure_losses == {"": False}
