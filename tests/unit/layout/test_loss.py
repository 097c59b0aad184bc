# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The Markov chain against SciPy, exact fractions, closed forms and the RAID paper of 1988."""

import random
from fractions import Fraction
from math import exp, factorial, prod

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.linalg import expm
from scipy.sparse import lil_matrix
from scipy.sparse.linalg import expm_multiply, spsolve

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import InputError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout import failures
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.chain import Chain
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.loss import (
    DriveClass,
    Hazards,
    Rates,
    group_chain,
    pool_loss,
    unreadable_chance,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.rebuild import Pace
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Member, Vdev

from .pools import layout_vdevs

TB = 10**12


def plain(width, parity, mttf, mttr, parallel=False):
    """One vdev of ordinary drives, drive failures only."""
    hazards = Hazards(1 / mttf, 0.0, 1 / mttr, 1 / mttr, (0.0,), parallel)
    return group_chain([DriveClass(width, (0,), split=False)], [parity], hazards)


def generator(chain):
    """The chain as an infinitesimal generator with the end as last state."""
    size = len(chain.ends) + 1
    matrix = np.zeros((size, size))
    for state, row in enumerate(chain.rates):
        for target, rate in row.items():
            matrix[state, target] += rate
        matrix[state, -1] += chain.ends[state]
        matrix[state, state] -= matrix[state].sum()
    return matrix


def exact_mean(chain):
    """Mean time to the end by Gaussian elimination in fractions."""
    size = len(chain.ends)
    rows = []
    for state, row in enumerate(chain.rates):
        line = [Fraction(0)] * size + [Fraction(1)]
        for target, rate in row.items():
            line[target] -= Fraction(rate)
            line[state] += Fraction(rate)
        line[state] += Fraction(chain.ends[state])
        rows.append(line)
    for at in range(size):
        pivot = next(row for row in range(at, size) if rows[row][at])
        rows[at], rows[pivot] = rows[pivot], rows[at]
        rows[at] = [value / rows[at][at] for value in rows[at]]
        for other in range(size):
            if other != at and rows[other][at]:
                factor = rows[other][at]
                rows[other] = [mine - factor * its for mine, its in zip(rows[other], rows[at], strict=True)]
    return rows[0][-1]


@pytest.mark.parametrize(
    ("width", "parity", "parallel", "hours"),
    [
        # Exact chains for MTTF 10^6 h and MTTR 24 h, computed independently with fractions.
        (10, 1, False, 4.632e8),
        (10, 2, False, 2.412e12),
        (10, 2, True, 4.824e12),
        (12, 3, False, 6.092e15),
        (12, 3, True, 3.655e16),
    ],
)
def test_mttdl_as_the_usual_closed_form(width, parity, parallel, hours):
    # MTTF^(p+1) / (N (N-1) ... (N-p) MTTR^p), times p! with parallel repair; off by about N MTTR / MTTF.
    found = plain(width, parity, 1e6, 24, parallel).mean_hours()
    assert found == pytest.approx(hours, rel=2e-4)
    closed = 1e6 ** (parity + 1) / prod(width - n for n in range(parity + 1)) / 24**parity
    assert found == pytest.approx(closed * (factorial(parity) if parallel else 1), rel=2e-3)


@pytest.mark.parametrize(
    ("groups", "width", "hours"),
    [
        # ACM SIGMOD 1988, "A Case for Redundant Arrays of Inexpensive Disks": 100 data disks, MTTF 30,000 h, MTTR 1 h;
        # MTTF^2 / ((D + C n_G) (G + C - 1) MTTR). The paper rounds the second to 820,000 h.
        (100, 2, 4_500_000),
        (10, 11, 818_182),
        (4, 26, 346_154),
        (10, 14, 494_505),
    ],
)
def test_worked_examples_of_the_1988_paper(groups, width, hours):
    assert plain(width, 1, 30_000, 1).mean_hours() / groups == pytest.approx(hours, rel=2e-3)


def test_unprotected_disks_of_the_1988_paper():
    assert plain(100, 0, 30_000, 1).mean_hours() == pytest.approx(300)


def test_textbook_example():
    # MTTF^2 / (N (G-1) MTTR): 100 disks in groups of 10, 10^6 h, 10 h give 1.11 * 10^8 h.
    assert plain(10, 1, 1e6, 10).mean_hours() / 10 == pytest.approx(1.11e8, rel=2e-3)


@pytest.mark.parametrize(("terabytes", "rate", "chance"), [(10, 1e-15, 0.0769), (10, 1e-14, 0.551), (20, 1e-15, 0.148)])
def test_unreadable_chances(terabytes, rate, chance):
    assert unreadable_chance(terabytes * TB, rate) == pytest.approx(chance, abs=5e-4)


def random_chain(rng, states):
    rates = tuple(
        {target: 10 ** rng.uniform(-4, 0) for target in range(states) if target != state and rng.random() < 0.6}
        for state in range(states)
    )
    return Chain(rates, tuple(10 ** rng.uniform(-4, -1) if rng.random() < 0.7 else 0.0 for _state in range(states)))


@pytest.mark.parametrize("seed", range(20))
def test_transient_equals_matrix_exponential(seed):
    rng = random.Random(seed)
    chain = random_chain(rng, rng.randint(1, 9))
    for hours in (0.1, 3.0, 50.0, 2000.0):
        expected = expm(generator(chain) * hours)[0, -1]
        assert chain.end_by(hours) == pytest.approx(expected, rel=1e-8, abs=1e-13)


@pytest.mark.parametrize(
    ("parity", "hazards"),
    [
        (1, Hazards(1e-3, 5e-4, 1 / 30, 1 / 20, (0.1, 0.05))),
        (2, Hazards(1e-3, 5e-4, 1 / 30, 1 / 20, (0.1, 0.05))),
        (3, Hazards(2e-3, 1e-3, 1 / 30, 1 / 20, (0.1, 0.1), parallel=False)),
    ],
)
def test_a_cohort_of_two_unit_drives_equals_matrix_exponential(parity, hazards):
    chain = group_chain([DriveClass(8, (0, 1))], [parity, parity], hazards)
    for hours in (10.0, 500.0, 8760.0):
        assert chain.end_by(hours) == pytest.approx(expm(generator(chain) * hours)[0, -1], rel=1e-8)


@pytest.mark.parametrize("seed", range(12))
def test_mean_equals_exact_fractions(seed):
    rng = random.Random(seed)
    chain = random_chain(rng, rng.randint(2, 7))
    chain = Chain(chain.rates, tuple(end or 1e-3 for end in chain.ends))
    assert chain.mean_hours() == pytest.approx(float(exact_mean(chain)), rel=1e-12)


def test_mean_keeps_its_digits_where_the_end_is_far():
    # Plain floating-point elimination loses these; fractions do not.
    for chain in (
        plain(12, 3, 1e6, 24),
        group_chain([DriveClass(12, (0, 1))], [3, 3], Hazards(1e-7, 1e-8, 0.2, 0.2, (0, 0))),
    ):
        assert chain.mean_hours() == pytest.approx(float(exact_mean(chain)), rel=1e-12)


def test_small_chances_equal_time_over_mean():
    # For rare ends the waiting time is exponential: 1 - exp(-t / mean), but for the first few hours.
    chain = plain(12, 3, 1e6, 24)
    assert chain.end_by(8760) == pytest.approx(-np.expm1(-8760 / chain.mean_hours()), rel=0.02)


def test_a_single_drive_fails_exponentially():
    chain = plain(1, 0, 1e6, 24)
    assert chain.end_by(8760) == pytest.approx(1 - exp(-0.00876), rel=1e-12)
    assert chain.end_by(8760) == pytest.approx(0.00872, abs=5e-6)
    assert chain.mean_hours() == pytest.approx(1e6)


def test_an_end_out_of_reach():
    assert Chain(({1: 1.0}, {0: 1.0}), (0.0, 0.0)).mean_hours() == float("inf")
    assert Chain(({1: 1.0}, {}), (0.0, 0.0)).mean_hours() == float("inf")
    assert Chain(({},), (0.0,)).end_by(10) == 0.0


def test_states_of_a_cohort():
    # (a, b, c): drives lost whole, first units alone, second units alone; a + b <= 2 and a + c <= 2.
    # Where one vdev meets unreadable sectors more easily they are told apart; else b and c can change places.
    chain = group_chain([DriveClass(12, (0, 1))], [2, 2], Hazards(1e-6, 1e-6, 0.1, 0.1, (0.0, 0.1)))
    assert len(chain.ends) == sum((3 - a) ** 2 for a in range(3))
    chain = group_chain([DriveClass(12, (0, 1))], [2, 2], Hazards(1e-6, 1e-6, 0.1, 0.1, (0.0, 0.0)))
    assert len(chain.ends) == sum((3 - a) * (4 - a) // 2 for a in range(3))


def drive_by_drive(drives, parities, hazards):  # noqa: C901 - one loop over what can happen
    """The generator of a group, a state for every set of failed units, none lumped; shares no code with the library.

    *drives*: for each drive the vdevs of its units. The last state is the loss.
    """
    units = [(drive, vdev) for drive, homes in enumerate(drives) for vdev in homes]
    places = {unit: 1 << number for number, unit in enumerate(units)}
    masks = [sum(places[drive, vdev] for vdev in homes) for drive, homes in enumerate(drives)]
    columns = [sum(bit for (_drive, at), bit in places.items() if at == vdev) for vdev in range(len(parities))]

    def loads(state):
        return [bin(state & column).count("1") for column in columns]

    states = [s for s in range(1 << len(units)) if all(a <= b for a, b in zip(loads(s), parities, strict=True))]
    number = {state: at for at, state in enumerate(states)}
    end = len(states)
    matrix = lil_matrix((end + 1, end + 1))

    def add(state, target, rate):
        matrix[number[state], target] += rate
        matrix[number[state], number[state]] -= rate

    def fail(state, after, rate):
        if after not in number:
            add(state, end, rate)
            return
        safe = 1.0
        for was, now, parity, chance in zip(loads(state), loads(after), parities, hazards.unreadable, strict=True):
            safe *= 1 - chance if was < now == parity else 1
        add(state, number[after], rate * safe)
        add(state, end, rate * (1 - safe))

    for state in states:
        broken = sum(1 for mask in masks if state & mask)
        for mask in masks:
            if state & mask != mask:
                fail(state, state | mask, hazards.drive)
            if state & mask:
                rate = hazards.repair_drive if state & mask == mask else hazards.repair_unit
                add(state, number[state & ~mask], rate if hazards.parallel else rate / broken)
        for bit in places.values():
            if not state & bit and hazards.unit:
                fail(state, state | bit, hazards.unit)
    return matrix.tocsc()


THREE, FOUR = (0, 1, 2), (0, 1, 2, 3)


@pytest.mark.parametrize(
    ("drives", "parities", "hazards"),
    [
        ([THREE] * 4, (1, 1, 1), Hazards(1e-3, 5e-4, 1 / 30, 1 / 20, (0.1, 0.1, 0.1))),
        ([THREE] * 4, (2, 2, 2), Hazards(1e-5, 1e-6, 1 / 48, 1 / 46, (1e-4, 1e-4, 1e-4))),
        ([THREE] * 4, (2, 2, 2), Hazards(1e-3, 5e-4, 1 / 30, 1 / 20, (0.1, 0.1, 0.2), parallel=False)),
        ([THREE] * 4, (2, 1, 2), Hazards(1e-3, 5e-4, 1 / 30, 1 / 20, (0.1, 0.1, 0.1))),
        ([FOUR] * 3, (1, 1, 1, 1), Hazards(1e-3, 5e-4, 1 / 30, 1 / 20, (0.1, 0.1, 0.1, 0.1))),
        ([FOUR] * 3, (2, 2, 2, 2), Hazards(1e-5, 1e-6, 1 / 48, 1 / 46, (0.0, 0.0, 0.0, 0.0))),
        ([FOUR] * 3, (2, 2, 2, 2), Hazards(1e-3, 2e-3, 1 / 30, 1 / 20, (0.1, 0.1, 0.3, 0.3), parallel=False)),
    ],
)
def test_three_and_four_units_equal_the_full_chain_of_every_unit(drives, parities, hazards):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(failures, "MOST_STATES", 2000)
        chain = group_chain([DriveClass(len(drives), drives[0])], parities, hazards)
    failures.group_moves.cache_clear()
    assert chain.cut == 0
    full = drive_by_drive(drives, parities, hazards)
    start = np.zeros(full.shape[0])
    start[0] = 1.0
    for hours in (24.0, 8760.0):
        expected = expm_multiply(full.T.tocsc() * hours, start)[-1]
        assert chain.end_by(hours) == pytest.approx(expected, rel=1e-7)
    inner = full[:-1, :-1]
    assert chain.mean_hours() == pytest.approx(-spsolve(inner, np.ones(inner.shape[0]))[0], rel=1e-6)


@pytest.mark.parametrize("units", [3, 4])
def test_the_lumped_chain_equals_the_one_that_tells_vdevs_apart(units):
    """Chances of an unreadable sector a hair apart keep the vdevs apart: 100 and 1,039 states, in SciPy's hands."""
    near = tuple(1e-3 * (1 + 1e-12 * n) for n in range(units))
    shape = [DriveClass(12, tuple(range(units)))], [2] * units
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(failures, "MOST_STATES", 2000)
        apart = group_chain(*shape, Hazards(1.6e-6, 2.3e-7, 1 / 46, 1 / 44, near))
    lumped = group_chain(*shape, Hazards(1.6e-6, 2.3e-7, 1 / 46, 1 / 44, (1e-3,) * units))
    failures.group_moves.cache_clear()
    assert (len(apart.ends), lumped.cut) == ({3: 100, 4: 1039}[units], 0)
    assert len(lumped.ends) < 130
    matrix = generator(apart)[:-1, :-1]
    # 1 - the chance would lose the digits, so the way to the end is integrated: ends . integral of exp(Qt).
    mean = -np.linalg.solve(matrix, np.ones(len(apart.ends)))[0]
    assert lumped.mean_hours() == pytest.approx(mean, rel=1e-6)
    size = len(apart.ends)
    whole = np.zeros((size + 1, size + 1))
    whole[:size, :size], whole[:size, size] = matrix * 8760, np.array(apart.ends) * 8760
    assert lumped.end_by(8760) == pytest.approx(expm(whole)[0, -1], rel=1e-6)


@pytest.mark.parametrize("units", [4, 6, 12])
def test_a_chain_that_was_cut_says_so_and_is_hardly_lower(units):
    shape = [DriveClass(30, tuple(range(units)))], [3] * units
    rates = Hazards(1.6e-6, 2.3e-7, 1 / 46, 1 / 44, (1e-3,) * units)
    chain = group_chain(*shape, rates)
    assert 4 <= chain.cut < 8
    assert len(chain.ends) <= failures.MOST_STATES
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(failures, "MOST_STATES", 2 * failures.MOST_STATES)
        failures.group_moves.cache_clear()
        longer = group_chain(*shape, rates)
    failures.group_moves.cache_clear()
    assert len(longer.ends) > len(chain.ends)
    found, more = chain.end_by(8760), longer.end_by(8760)
    assert found is not None
    assert more is not None
    assert 0 <= 1 - found / more < 1e-6


def test_a_pool_whose_chain_was_cut_gives_an_estimate():
    found = pool_loss(layout_vdevs(12, 3, units=4))
    assert (found.yearly.how, found.mean_hours.how) == ("estimate", "estimate")
    assert "more than 5 failures at once" in found.yearly.note
    assert pool_loss(layout_vdevs(12, 2, units=4)).yearly.how == "model"


def test_rates_too_far_apart_give_no_number_and_not_a_wrong_one():
    # A billion jumps an hour between two states, and a third that is hardly ever reached: it never settles in time.
    chain = Chain(({1: 1e9, 2: 1e-3}, {0: 1e9}, {0: 1e-9}), (0.0, 0.0, 1e-6))
    assert chain.end_by(8760) is None


def test_whole_drives_only_make_a_cohort_as_safe_as_one_vdev():
    hazards = Hazards(1e-5, 0.0, 0.05, 0.05, (0.0, 0.0))
    both = group_chain([DriveClass(10, (0, 1))], [2, 2], hazards)
    one = group_chain([DriveClass(10, (0,))], [2], Hazards(1e-5, 0.0, 0.05, 0.05, (0.0,)))
    assert both.mean_hours() == pytest.approx(one.mean_hours(), rel=1e-12)


def test_whole_drive_loss_of_siblings_in_one_vdev_counts_twice():
    hazards = Hazards(1e-5, 0.0, 0.05, 0.05, (0.0,))
    siblings = group_chain([DriveClass(6, (0, 0))], [2], hazards)
    # As a vdev of six drives that survives 1 failure.
    assert siblings.mean_hours() == pytest.approx(plain(6, 1, 1e5, 20, True).mean_hours(), rel=1e-12)


def simulate(rng, drives, parity, drive_rate, unit_rate, repair, runs):
    """Mean time to loss of a cohort, drive by drive and event by event: no chain, no counting."""
    total = 0.0
    for _run in range(runs):
        down: dict[int, set[int]] = {}
        while True:
            events = []
            for drive in range(drives):
                lost = down.get(drive, set())
                if len(lost) < 2:
                    events.append((drive_rate, drive, {0, 1}))
                    events += [(unit_rate, drive, lost | {unit}) for unit in (0, 1) if unit not in lost]
                if lost:
                    events.append((repair, drive, set()))
            total += rng.expovariate(sum(rate for rate, _drive, _lost in events))
            _rate, drive, lost = rng.choices(events, [rate for rate, _drive, _lost in events])[0]
            down[drive] = lost
            if any(sum(unit in lost for lost in down.values()) > parity for unit in (0, 1)):
                break
    return total / runs


def test_a_cohort_equals_a_simulation_of_its_drives():
    # 4000 runs: the mean is known to 1.6 % (one standard error), and the test allows three.
    hazards = Hazards(0.01, 0.02, 0.3, 0.3, (0.0, 0.0))
    chain = group_chain([DriveClass(5, (0, 1))], [1, 1], hazards)
    measured = simulate(random.Random(7), 5, 1, 0.01, 0.02, 0.3, 4000)
    assert chain.mean_hours() == pytest.approx(measured, rel=0.05)


def test_unreadable_sectors_end_a_rebuild_without_parity():
    # raidz1, no second failure in time: each first failure is fatal with chance h, so the mean is MTTF / (N h).
    hazards = Hazards(1e-7, 0.0, 1e3, 1e3, (0.25,))
    chain = group_chain([DriveClass(6, (0,))], [1], hazards)
    assert chain.mean_hours() == pytest.approx(1 / (6 * 1e-7 * 0.25), rel=1e-6)


def test_a_pool_of_alike_cohorts_loses_as_many_times_as_often():
    one, four = pool_loss(layout_vdevs(8, 2)), pool_loss(layout_vdevs(8, 2, count=4))
    assert four.mean_hours.value == pytest.approx(one.mean_hours.value / 4)
    assert 1 - four.yearly.value == pytest.approx((1 - one.yearly.value) ** 4, abs=1e-12)
    assert four.yearly.how == "model"
    assert "0.014 whole-drive failures" in four.yearly.note


def test_wrong_layouts_are_worse():
    right = pool_loss(layout_vdevs(12, 2)).yearly.value
    members = tuple(member for vdev in layout_vdevs(12, 2) for member in vdev.members)
    both_in_one = pool_loss((Vdev("raidz", 2, members),)).yearly.value
    halves = layout_vdevs(6, 2, count=2)
    shuffled = tuple(Vdev("raidz", 2, tuple(m for v in halves[at : at + 2] for m in v.members)) for at in (0, 2))
    assert right < pool_loss(shuffled).yearly.value < both_in_one


@given(st.integers(3, 12), st.integers(1, 3))
@settings(max_examples=25, deadline=None)
def test_more_failures_slower_rebuilds_and_less_parity_are_never_safer(width, parity):
    vdevs = layout_vdevs(max(width, parity + 1), parity)
    base = pool_loss(vdevs).yearly.value
    assert pool_loss(vdevs, Rates(drive_afr=0.03)).yearly.value > base
    assert pool_loss(vdevs, Rates(unit_afr=0.01)).yearly.value > base
    assert pool_loss(vdevs, Rates(delay_hours=100)).yearly.value > base
    assert pool_loss(vdevs, Rates(pace=Pace(rate=50e6))).yearly.value > base
    assert pool_loss(vdevs, Rates(read_errors=1e-14)).yearly.value > base
    assert pool_loss(vdevs, Rates(parallel=False)).yearly.value >= base * (1 - 1e-9)
    assert pool_loss(vdevs, Rates(in_one_pass=False)).yearly.value > base


def test_an_ordinary_drive_has_no_actuator_to_lose():
    ordinary = (Vdev("raidz", 1, tuple(Member("S{0}".format(n), 0, "", TB) for n in range(5))),)
    assert (
        pool_loss(ordinary, Rates(unit_afr=0.0)).yearly.value == pool_loss(ordinary, Rates(unit_afr=0.1)).yearly.value
    )


def test_drives_that_span_cohorts_are_joined_as_if_independent():
    vdevs = layout_vdevs(6, 1)
    shifted = Vdev(
        "raidz",
        1,
        tuple(Member("X" + m.serial if n < 3 else m.serial, 1, "", m.size) for n, m in enumerate(vdevs[0].members)),
    )
    assert 0 < pool_loss((vdevs[0], shifted)).yearly.value < 1


@pytest.mark.parametrize(
    ("bad", "field"),
    [
        (lambda: pool_loss([]), "vdevs"),
        (lambda: Rates(drive_afr=-1), "drive_afr"),
        (lambda: Rates(delay_hours=-1), "delay_hours"),
    ],
)
def test_wrong_input_names_the_field(bad, field):
    with pytest.raises(InputError) as caught:
        bad()
    assert caught.value.subject == field


@pytest.mark.parametrize("units", [2, 4])
@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("drive_afr", 0), ("drive_afr", 1e3), ("unit_afr", 0), ("unit_afr", 1e3), ("read_errors", 0),
        ("read_errors", 1.0), ("delay_hours", 0), ("delay_hours", 1e5),
        ("rate", 1), ("rate", 1e12), ("link", 1), ("link", 1e12), ("fill", 1e-6), ("fill", 1),
    ],
)  # fmt: skip
def test_the_ends_of_what_is_allowed_give_numbers(name, value, units):
    rates = Rates(pace=Pace(**{name: value})) if name in ("rate", "link", "fill") else Rates(**{name: value})
    found = pool_loss(layout_vdevs(6, 2, units=units), rates)
    assert 0 <= found.yearly.value <= 1
    assert found.mean_hours.value > 0


def test_all_ends_at_once_give_numbers_or_none():
    for afr in (0, 1e3):
        for delay in (0, 1e5):
            for pace in (Pace(1, 1, 1e-6), Pace(1e12, 0, 1e-6), Pace(1, 0, 1)):
                for vdevs in (layout_vdevs(6, 2, size=1 << 26), layout_vdevs(6, 3, units=3, size=2**63 - 1)):
                    found = pool_loss(vdevs, Rates(afr, 1e3 - afr, 1.0, delay, False, False, pace)).yearly
                    assert (found.value is None) == ("not computed" in found.note)
                    assert found.value is None or 0 <= found.value <= 1
