# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Pools for the tests of this folder, and the slow, plain way to judge one."""

from collections import Counter
from itertools import combinations

from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.survival import (
    MemberState,
    VdevState,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Member, Vdev


def cohort(width, parity, first=0, units=2, enclosures=1):
    """One vdev for each unit index over the same *width* drives."""
    return tuple(
        VdevState(
            parity,
            tuple(
                MemberState("D{0:03d}".format(first + n), "e{0}".format((first + n) % enclosures)) for n in range(width)
            ),
        )
        for _index in range(units)
    )


def scattered(random, drives, width, parity):
    """Both units of *drives* drives dealt out at random over vdevs of *width*, siblings wherever they fall."""
    slots = [MemberState("D{0:03d}".format(drive)) for drive in range(drives) for _index in range(2)]
    random.shuffle(slots)
    return tuple(VdevState(parity, tuple(slots[at : at + width])) for at in range(0, len(slots), width))


def layout_vdevs(width, parity, count=1, units=2, kind="raidz", size=9 * 10**12):
    """Cohorts as planned vdevs with bays."""
    return tuple(
        Vdev(
            kind,
            parity,
            tuple(
                Member("D{0:03d}".format(group * width + n), index, "bay{0:02d}".format(group * width + n), size)
                for n in range(width)
            ),
        )
        for group in range(count)
        for index in range(units)
    )


@st.composite
def small_pools(draw, most_drives=7):
    """Any small pool: one to three units a drive, anywhere, some of them dead, mixed parity and enclosures."""
    drives = ["D{0}".format(number) for number in range(draw(st.integers(1, most_drives)))]
    vdevs = draw(st.integers(1, 4))
    places: list[list[MemberState]] = [[] for _vdev in range(vdevs)]
    for drive in drives:
        enclosure = draw(st.sampled_from(["", "east", "west"]))
        for _index in range(draw(st.integers(1, 3))):
            alive = draw(st.integers(0, 7)) > 0
            places[draw(st.integers(0, vdevs - 1))].append(MemberState(drive, enclosure, alive))
    filled = [members for members in places if members]
    return tuple(VdevState(min(draw(st.integers(0, 3)), len(members) - 1), tuple(members)) for members in filled)


def names(states, by):
    """All working parts, as the library names them."""
    found = set()
    for vdev, state in enumerate(states):
        for place, member in enumerate(state.members):
            if member.alive:
                unit = "{0}#{1}.{2}".format(member.serial, vdev, place)
                found.add({"drive": member.serial, "enclosure": member.enclosure, "unit": unit}[by])
    return sorted(found)


def is_lost(states, gone, by):
    """Whether the pool is lost when the parts *gone* go too: member by member, nothing clever."""
    for vdev, state in enumerate(states):
        dead = 0
        for place, member in enumerate(state.members):
            unit = "{0}#{1}.{2}".format(member.serial, vdev, place)
            name = {"drive": member.serial, "enclosure": member.enclosure, "unit": unit}[by]
            dead += not member.alive or name in gone
        if dead > state.parity:
            return True
    return False


def fatal_of(found):
    """The count of fatal sets, which must have been made."""
    assert found.fatal is not None
    return found.fatal


def share_of(found):
    """The share of fatal sets, which must have been counted."""
    assert found.share is not None
    return found.share


def brute_fatal(states, size, by):
    """(all sets, fatal sets), one by one."""
    outcome = Counter(is_lost(states, set(gone), by) for gone in combinations(names(states, by), size))
    return sum(outcome.values()), outcome[True]
