# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Rebuild time and load, mirrors paired and chained, and figures of the copyset paper."""

import random
from math import comb

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import InputError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.mirrors import (
    chained_mirrors,
    copysets,
    loss_when_failing,
    paired_mirrors,
    random_copysets,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.rebuild import (
    Pace,
    rebuild_drive,
    rebuild_figures,
    rebuild_in_turn,
    rebuild_unit,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.survival import (
    fatal_sets,
    losses_survived,
    minimal_fatal_sets,
    vdev_states,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Member, Vdev

from .pools import layout_vdevs

TB = 10**12
PACE = Pace(rate=100e6, link=0.0, fill=0.8)
# 9 TB, 80 % full, at 100 MB/s.
HOURS = 9e12 * 0.8 / 100e6 / 3600


def drives(count, size=9 * TB):
    return [
        [Member("D{0:03d}".format(n), index, "bay{0:02d}".format(n), size) for index in (0, 1)] for n in range(count)
    ]


def one_wide_vdev(count, parity=2):
    """The tempting wrong one: both units of every drive in one raidz."""
    return (Vdev("raidz", parity, tuple(unit for units in drives(count) for unit in units)),)


def test_two_units_of_a_cohort_rebuild_in_the_time_of_one():
    vdevs = layout_vdevs(12, 2)
    whole, single = rebuild_drive(vdevs, "D003", PACE), rebuild_unit(vdevs, "D003", 0, PACE)
    assert HOURS == 20
    assert whole.hours == single.hours == pytest.approx(HOURS)
    # Twice the bytes: both actuators of all other drives read at once.
    assert whole.written == 2 * single.written == pytest.approx(2 * 0.8 * 9e12)
    assert set(whole.busy_units.values()) == {2}
    assert set(single.busy_units.values()) == {1}
    assert set(whole.read) == {"D{0:03d}".format(n) for n in range(12) if n != 3}
    assert whole.most_read == 2 * single.most_read


def test_one_after_the_other_takes_the_sum():
    assert rebuild_in_turn(layout_vdevs(12, 2), "D003", PACE) == pytest.approx(2 * HOURS)


def test_a_link_that_carries_one_stream_makes_both_take_twice_as_long():
    tight = Pace(rate=100e6, link=100e6, fill=0.8)
    vdevs = layout_vdevs(12, 2)
    assert rebuild_unit(vdevs, "D003", 0, tight).hours == pytest.approx(HOURS)
    assert rebuild_drive(vdevs, "D003", tight).hours == pytest.approx(2 * HOURS)


def test_siblings_in_one_vdev_are_read_for_once():
    whole = rebuild_drive(one_wide_vdev(6), "D003", PACE)
    assert whole.hours == pytest.approx(HOURS)
    assert whole.written == pytest.approx(2 * 0.8 * 9e12)


def test_other_cohorts_do_not_take_part():
    assert len(rebuild_drive(layout_vdevs(6, 2, count=3), "D000", PACE).read) == 5


def test_a_mirror_of_three_shares_the_reading():
    vdevs = layout_vdevs(3, 2, kind="mirror")
    whole = rebuild_drive(vdevs, "D000", PACE)
    assert whole.most_read == pytest.approx(2 * 0.8 * 9e12 / 2)
    assert whole.hours == pytest.approx(HOURS)


def test_draid_spreads_reading_and_writing():
    members = tuple(unit for units in drives(12) for unit in units[:1])
    spread = Vdev("draid", 2, members, data=4, spares=1)
    whole = rebuild_drive((spread,), "D000", PACE)
    # Each lost row reads 4 members and writes 1, shared by the 11 children that are left.
    assert whole.hours == pytest.approx(HOURS * (4 + 1) / 11)


def test_figures_take_the_worst_drive_and_say_how_they_are_made():
    small, large = layout_vdevs(4, 1, size=2 * TB), layout_vdevs(4, 1, size=9 * TB)
    moved = tuple(
        Vdev(v.kind, v.parity, tuple(Member("E" + m.serial, m.index, m.bay, m.size) for m in v.members)) for v in large
    )
    found = rebuild_figures(small + moved, PACE)
    assert found["unit"].value == found["drive"].value == pytest.approx(HOURS)
    assert found["in_turn"].value == pytest.approx(2 * HOURS)
    assert {figure.how for figure in found.values()} == {"estimate"}
    assert "100 MB/s" in found["drive"].note


@pytest.mark.parametrize("count", [4, 6, 12, 24])
def test_pairing_has_half_the_fatal_pairs_of_chaining(count):
    paired, chained = paired_mirrors(drives(count)), chained_mirrors(drives(count))
    assert len(paired) == len(chained) == count
    assert losses_survived(vdev_states(paired)) == losses_survived(vdev_states(chained)) == 1
    assert fatal_sets(vdev_states(paired), 2).fatal == count // 2
    assert fatal_sets(vdev_states(chained), 2).fatal == count
    # These are the copysets: the paper's count for scatter width 1 and 2 with two replicas.
    assert len(minimal_fatal_sets(vdev_states(paired), 2)[0]) == copysets(count, 2, 1) == count // 2
    assert len(minimal_fatal_sets(vdev_states(chained), 2)[0]) == copysets(count, 2, 2) == count


def test_chaining_halves_what_one_drive_reads():
    paired, chained = paired_mirrors(drives(12)), chained_mirrors(drives(12))
    alone, shared = rebuild_drive(paired, "D003", PACE), rebuild_drive(chained, "D003", PACE)
    assert alone.read == {"D002": pytest.approx(2 * 0.8 * 9e12)}
    assert shared.read == {"D002": pytest.approx(0.8 * 9e12), "D004": pytest.approx(0.8 * 9e12)}
    assert (alone.busy_units, shared.busy_units) == ({"D002": 2}, {"D002": 1, "D004": 1})
    # The actuators are as busy in both; only a tight link makes pairing slower.
    assert alone.hours == shared.hours == pytest.approx(HOURS)
    tight = Pace(rate=100e6, link=120e6, fill=0.8)
    assert rebuild_drive(chained, "D003", tight).hours == rebuild_drive(paired, "D003", tight).hours


def test_no_vdev_of_either_holds_siblings():
    for vdev in paired_mirrors(drives(8)) + chained_mirrors(drives(8)):
        assert len({member.serial for member in vdev.members}) == 2


def test_copyset_paper_abstract_and_its_worked_case():
    # USENIX ATC 2013: 5000 nodes of which 1 % fail together, three replicas. The abstract gives 0.15 % (scatter
    # width 2) and 0.78 % against 22.8 %; widths 10 and 11 are the ones that reproduce it.
    assert loss_when_failing(5000, 3, copysets(5000, 3, 2), 50) == pytest.approx(0.00157, abs=5e-6)
    assert loss_when_failing(5000, 3, copysets(5000, 3, 10), 50) == pytest.approx(0.0078, abs=5e-5)
    assert loss_when_failing(5000, 3, random_copysets(5000, 3, 11), 50) == pytest.approx(0.228, abs=5e-4)
    # 9 nodes, three replicas, scatter width 4: 6 copysets, against 54 of the 84 sets of three.
    assert (copysets(9, 3, 4), random_copysets(9, 3, 4), comb(9, 3)) == (6, 54, 84)
    assert loss_when_failing(3, 3, 1, 3) == 1.0


@pytest.mark.parametrize(
    ("bad", "field"),
    [
        (lambda: Pace(rate=0), "rate"),
        (lambda: Pace(link=-1), "link"),
        (lambda: Pace(fill=1.5), "fill"),
        (lambda: rebuild_drive(layout_vdevs(4, 1), "nobody"), "serial"),
        (lambda: rebuild_figures([]), "vdevs"),
        (lambda: paired_mirrors(drives(5)), "drives"),
        (lambda: chained_mirrors(drives(2)), "drives"),
        (lambda: paired_mirrors([units[:1] for units in drives(4)]), "drives"),
    ],
)
def test_wrong_input_names_the_field(bad, field):
    with pytest.raises(InputError) as caught:
        bad()
    assert caught.value.subject == field


@pytest.mark.parametrize("link", [0.0, 150e6])
@pytest.mark.parametrize("seed", range(4))
def test_the_worst_of_all_drives_is_that_of_the_drives_one_by_one(seed, link):
    """The figures look at one drive of each kind; here at each, in pools that scatter drives of many sizes."""
    rng = random.Random(seed)
    kind, parity = rng.choice([("raidz", 2), ("mirror", 1), ("draid", 1)])
    units = [Member("D{0}".format(n), index, "", rng.choice([7, 9, 12]) * TB) for n in range(24) for index in (0, 1)]
    rng.shuffle(units)
    width = 2 if kind == "mirror" else 6
    vdevs = [
        Vdev(kind, parity, tuple(units[at : at + width]), data=4 * (kind == "draid"), spares=int(kind == "draid"))
        for at in range(0, len(units), width)
    ]
    pace = Pace(link=link)
    found = rebuild_figures(vdevs, pace)
    serials = {member.serial for member in units}
    assert found["drive"].value == max(rebuild_drive(vdevs, serial, pace).hours for serial in serials)
    assert found["unit"].value == max(rebuild_unit(vdevs, m.serial, m.index, pace).hours for m in units)
    assert found["in_turn"].value == pytest.approx(max(rebuild_in_turn(vdevs, serial, pace) for serial in serials))
