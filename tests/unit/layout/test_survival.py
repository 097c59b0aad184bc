# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Survival against brute enumeration, the hypergeometric distribution, and worked figures."""

import random
from fractions import Fraction
from itertools import combinations
from math import comb

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import hypergeom

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import InputError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout import counting
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.survival import (
    MemberState,
    VdevState,
    fatal_sets,
    fatal_sets_of_sizes,
    losses_survived,
    minimal_fatal_sets,
    survival,
    vdev_states,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Member, Vdev

from .pools import brute_fatal, cohort, fatal_of, is_lost, layout_vdevs, names, scattered, share_of, small_pools

BY = st.sampled_from(["drive", "enclosure", "unit"])


@pytest.fixture(name="expand_always")
def _expand_always(monkeypatch):
    """Makes the cluster expansion count what would be enumerated."""
    monkeypatch.setattr(counting, "ENUMERATE_BELOW", 0)
    counting._knot_polynomial.cache_clear()
    yield
    counting._knot_polynomial.cache_clear()


@given(small_pools(), st.integers(1, 6), BY)
@settings(max_examples=400, deadline=None)
def test_counts_equal_brute_enumeration(states, size, by):
    found = fatal_sets(states, size, by)
    assert (found.total, found.fatal) == brute_fatal(states, size, by)


@pytest.mark.usefixtures("expand_always")
def test_expansion_equals_brute_enumeration():
    rng = random.Random(11)
    compared = 0
    for _case in range(400):
        vdevs: list[list[MemberState]] = [[] for _vdev in range(rng.randint(1, 6))]
        for drive in range(rng.randint(2, 9)):
            for _index in range(rng.choice((1, 2, 2, 2, 3))):
                rng.choice(vdevs).append(MemberState("D{0}".format(drive)))
        states = tuple(VdevState(rng.randint(0, 3), tuple(members)) for members in vdevs)
        for size in (2, 4, 6):
            found = fatal_sets(states, size)
            assert (found.total, found.fatal) == brute_fatal(states, size, "drive")
            compared += 1
    assert compared == 1200


@pytest.mark.parametrize(("width", "parity"), [(5, 1), (6, 2), (4, 3), (2, 1), (7, 2)])
def test_expansion_equals_enumeration_on_scattered_pools(width, parity, monkeypatch):
    # 42 drives in a knot: too many sets for brute force in a test at size 5, so two methods meet.
    states = scattered(random.Random(width), 42, width, parity)
    ways = {}
    for below in (0, 10**9):
        monkeypatch.setattr(counting, "ENUMERATE_BELOW", below)
        counting._knot_polynomial.cache_clear()
        ways[below] = [fatal_sets(states, size).fatal for size in (2, 3, 4)]
    counting._knot_polynomial.cache_clear()
    assert ways[0] == ways[10**9]
    assert brute_fatal(states, 3, "drive")[1] == ways[0][1]


@pytest.mark.parametrize(("width", "parity"), [(3, 1), (6, 2), (8, 3), (12, 2)])
def test_one_cohort_equals_hypergeometric_tail(width, parity):
    # f drives drawn from *width* in the cohort and 20 that hold nothing.
    states = cohort(width, parity)
    for size in range(1, 7):
        found = fatal_sets(states, size, bystanders=20)
        expected = hypergeom(width + 20, width, size).sf(parity)
        assert float(share_of(found)) == pytest.approx(expected, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize(("width", "parity", "cohorts"), [(2, 1, 12), (12, 2, 2), (10, 2, 30), (6, 3, 7)])
def test_cohorts_have_a_closed_form(width, parity, cohorts):
    states = sum((cohort(width, parity, first=group * width) for group in range(cohorts)), ())
    closed = counting.cohort_polynomial(width, parity, cohorts, 6)
    for size in range(1, 7):
        found = fatal_sets(states, size)
        assert found.total - fatal_of(found) == closed[size]


@pytest.mark.parametrize(
    ("width", "parity", "cohorts", "survived"),
    [
        # Mirror pairs: C(n, f) 2^f / C(2n, f), the count of f-sets that take no pair whole.
        (2, 1, 12, {2: 0.9565, 3: 0.8696, 4: 0.7453}),
        (12, 2, 2, {3: 0.7826, 4: 0.4099}),
    ],
)
def test_shares_worked_by_hand(width, parity, cohorts, survived):
    states = sum((cohort(width, parity, first=group * width) for group in range(cohorts)), ())
    for size, share in survived.items():
        assert 1 - float(share_of(fatal_sets(states, size))) == pytest.approx(share, abs=5e-5)
    if width == 2:
        assert 1 - share_of(fatal_sets(states, 4)) == Fraction(comb(12, 4) * 2**4, comb(24, 4))


def drives_of(pattern, parity):
    return tuple(VdevState(parity, tuple(MemberState(serial) for serial in vdev)) for vdev in pattern)


def test_six_drives_split_over_two_vdevs_stand_any_two():
    states = drives_of(["abcdef", "abcdef"], 2)
    assert losses_survived(states) == 2
    assert fatal_sets(states, 2).fatal == 0
    assert fatal_sets(states, 3).fatal == comb(6, 3)


def test_six_drives_in_one_vdev_of_twelve_stand_one_never_two():
    states = drives_of(["aabbccddeeff"], 2)
    assert losses_survived(states) == 1
    assert (fatal_sets(states, 1).fatal, fatal_sets(states, 2).fatal) == (0, comb(6, 2))


def test_two_vdevs_of_three_whole_drives_stand_nine_of_fifteen_pairs():
    states = drives_of(["aabbcc", "ddeeff"], 2)
    assert 1 - share_of(fatal_sets(states, 2)) == Fraction(9, 15)


@given(small_pools(), BY)
@settings(max_examples=300, deadline=None)
def test_losses_survived_is_the_largest_size_with_no_fatal_set(states, by):
    parts = names(states, by)
    survived = losses_survived(states, by)
    if is_lost(states, set(), by):
        assert survived == -1
    else:
        assert brute_fatal(states, survived, by)[1] == 0
        assert survived == len(parts) or brute_fatal(states, survived + 1, by)[1] > 0


@given(small_pools(), BY)
@settings(max_examples=200, deadline=None)
def test_minimal_fatal_sets_are_exactly_those(states, by):
    parts = names(states, by)
    if is_lost(states, set(), by):
        assert minimal_fatal_sets(states, 4, by=by) == (((),), True)
        return
    expected = {
        gone
        for size in range(1, 5)
        for gone in combinations(parts, size)
        if is_lost(states, set(gone), by) and not any(is_lost(states, set(gone) - {one}, by) for one in gone)
    }
    found, complete = minimal_fatal_sets(states, 4, limit=10_000, by=by)
    assert complete
    assert len(found) == len(set(found))
    assert set(found) == expected


def test_minimal_fatal_sets_are_bounded():
    found, complete = minimal_fatal_sets(cohort(12, 2), 3, limit=50)
    assert (len(found), complete) == (50, False)
    found, complete = minimal_fatal_sets(cohort(12, 2), 3)
    assert (len(found), complete) == (comb(12, 3), True)


def test_enclosures_go_with_all_their_drives():
    # 12 drives in 6 enclosures, two each: raidz2 survives 1 enclosure, raidz1 none.
    assert losses_survived(cohort(12, 2, enclosures=6), "enclosure") == 1
    assert losses_survived(cohort(12, 1, enclosures=6), "enclosure") == 0
    assert fatal_sets(cohort(12, 2, enclosures=6), 2, "enclosure").fatal == comb(6, 2)


def test_many_enclosures_that_hold_a_little_of_every_vdev():
    # 50 enclosures, 100 cohorts of ten drives in ten of them: each enclosure is in some forty vdevs.
    rng = random.Random(1)
    states: list[VdevState] = []
    for group in range(100):
        places = rng.sample(range(50), 10)
        members = tuple(MemberState("D{0}.{1}".format(group, place), "e{0}".format(place)) for place in places)
        states += [VdevState(2, members)] * 2
    assert losses_survived(states, "enclosure") == 2
    hit: set[tuple[str, ...]] = set()
    for state in states:
        hit.update(combinations(sorted(member.enclosure for member in state.members), 3))
    assert fatal_sets(states, 3, "enclosure").fatal == len(hit)
    few = states[::20]
    found = fatal_sets(few, 3, "enclosure")
    assert (found.total, found.fatal) == brute_fatal(few, 3, "enclosure")


def test_units_fail_one_by_one():
    # Both vdevs of the cohort stand two units each; only three in one vdev are fatal.
    states = cohort(6, 2)
    assert losses_survived(states, "unit") == 2
    assert fatal_sets(states, 3, "unit").fatal == 2 * comb(6, 3)


def test_members_lost_before_count():
    members = tuple(MemberState("D{0}".format(n), "", n > 1) for n in range(6))
    states = (VdevState(2, members),)
    assert losses_survived(states) == 0
    assert fatal_sets(states, 1).fatal == 4
    assert losses_survived((VdevState(1, members),)) == -1
    assert fatal_sets((VdevState(1, members),), 1).share == 1


def test_spares_dilute_the_share_but_not_the_count():
    alone, among = fatal_sets(cohort(12, 2), 3), fatal_sets(cohort(12, 2), 3, bystanders=2)
    assert alone.fatal == among.fatal == comb(12, 3)
    assert (alone.total, among.total) == (comb(12, 3), comb(14, 3))


def test_a_layout_reads_enclosures_from_bays_and_splits_stripes():
    members = tuple(Member("S{0}".format(n), 0, "west-bay{0:02d}".format(n), 1) for n in range(3))
    raidz, stripe = vdev_states([Vdev("raidz", 1, members), Vdev("stripe", 0, members[:2])])[:2]
    assert raidz.parity == 1
    assert {member.enclosure for member in raidz.members} == {"west"}
    assert (stripe.parity, len(stripe.members)) == (0, 1)


def test_the_summary_of_a_plan():
    found = survival(vdev_states(layout_vdevs(6, 2, count=2)))
    assert (found.drives, found.enclosures, found.units) == (2, 0, 2)
    assert [item.fatal for item in found.drive_sets[:3]] == [0, 0, 2 * comb(6, 3)]
    assert [(item.size, item.fatal) for item in found.enclosure_sets] == [(1, 1)]


def test_a_count_that_takes_too_long_says_so():
    states = scattered(random.Random(2), 300, 10, 1)
    with pytest.raises(InputError) as caught:
        fatal_sets(states, 6, work=20000)
    assert caught.value.subject == "size"
    found = survival(states, sizes=(2, 6), work=20000)
    assert found.drive_sets[1].fatal is None
    assert found.drive_sets[1].share is None
    assert found.drive_sets[1].total == comb(300, 6)


def test_wrong_words_are_refused():
    with pytest.raises(InputError) as caught:
        fatal_sets(cohort(4, 1), 2, "shelf")
    assert caught.value.subject == "by"
    with pytest.raises(InputError):
        fatal_sets(cohort(4, 1), -1)


@given(small_pools(), st.randoms())
@settings(max_examples=100, deadline=None)
def test_order_does_not_matter(states, rng):
    mixed = [VdevState(s.parity, tuple(rng.sample(s.members, len(s.members)))) for s in states]
    rng.shuffle(mixed)
    assert survival(states) == survival(mixed)


def test_sizes_are_counted_as_far_as_the_steps_allow():
    """A pool that scatters its drives: the smaller sizes come out as with no limit, the larger ones not at all."""
    states = scattered(random.Random(3), 60, 10, 2)
    free = fatal_sets_of_sizes(states, (2, 3, 4), bystanders=2)
    assert [sets.fatal is None for sets in free] == [False] * 3
    assert free == tuple(fatal_sets(states, size, bystanders=2) for size in (2, 3, 4))
    tight = fatal_sets_of_sizes(states, (5, 2, 3, 4), bystanders=2, work=8000)
    assert [sets.size for sets in tight] == [5, 2, 3, 4]
    assert tight[0].fatal is None
    assert tight[1] == free[0]
    counted = [sets for sets in tight if sets.fatal is not None]
    assert set(counted) <= set(free)
    assert [sets.total for sets in tight[1:]] == [sets.total for sets in free]
    assert all(sets.fatal is None for sets in fatal_sets_of_sizes(states, (4, 5), work=1))
