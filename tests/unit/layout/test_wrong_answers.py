# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Wrong answers that the planner gave once, each with its numbers."""

from __future__ import annotations

from collections import Counter

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import InputError, PromiseError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.assign import plan
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.policy import Policy, Survive
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Layout
from tests.unit.layout.audit import faults
from tests.unit.layout.chassis import TB, Case, Part
from tests.unit.layout.judge import judge
from tests.unit.strategies import alike


def parts(*sizes: tuple[int, ...]) -> tuple[Part, ...]:
    """Drives of units of so many TB, in bays without an enclosure's name."""
    return tuple(Part(number, "", tuple(size * TB for size in held)) for number, held in enumerate(sizes))


def smallest(layout: Layout) -> list[int]:
    """TB of the smallest member of each vdev."""
    return sorted(min(member.size for member in vdev.members) // TB for vdev in layout.vdevs)


def test_units_of_7_and_5_tb_do_not_meet_in_a_vdev() -> None:
    """zpool create refuses it without force: "raidz contains devices of different sizes" (seen on OpenZFS 2.1.11).

    Were four raidz1, two of them mixed. Three drives of 5 TB fill no vdev of 4.
    """
    held = parts(*[(7, 7)] * 5, *[(5, 5)] * 3)
    drives = [part.drive for part in held]
    apart, mixed = Policy("raidz", 1, 4), Policy("raidz", 1, 4, mixed_sizes=True)
    assert faults(drives, apart, plan(drives, apart)) == []
    assert smallest(plan(drives, apart)) == [7, 7]
    assert faults(drives, mixed, plan(drives, mixed)) == []
    assert smallest(plan(drives, mixed)) == [5, 5, 7, 7]


@pytest.mark.parametrize(
    ("drives", "spares", "survive"),
    [(2, 0, 2), (3, 0, 3), (3, 1, 2)],
)
def test_a_mirror_too_narrow_for_its_promise_is_refused(drives: int, spares: int, survive: int) -> None:
    """Was planned as a mirror of 2, with survives_drives 1, and all of it called proven."""
    policy = Policy("mirror", spares=spares, survive=Survive(survive))
    with pytest.raises(PromiseError):
        plan(alike(drives), policy)
    assert judge(Case(0, parts(*[(9, 9)] * drives), policy)) == []


def test_a_mirror_wide_enough_for_its_promise_is_planned() -> None:
    for survive, width in ((1, 2), (2, 3), (3, 4)):
        layout = plan(alike(width), Policy("mirror", survive=Survive(survive)))
        assert [len(vdev.members) for vdev in layout.vdevs] == [width, width]
        assert layout.survives_drives == survive


@pytest.mark.parametrize(("drives", "spares", "policy"), [(6, 4, Policy("raidz", 1, 2)), (24, 13, Policy())])
def test_more_spares_than_half_of_the_drives(drives: int, spares: int, policy: Policy) -> None:
    """Was refused: "4 spares are asked for, and only 3 drives have 2 units" of 6 alike ones."""
    policy = Policy(policy.kind, policy.parity, policy.width, spares)
    layout = plan(alike(drives), policy)
    assert faults(alike(drives), policy, layout) == []
    assert len(layout.spares) == spares
    assert sum(len(vdev.members) for vdev in layout.vdevs) == 2 * (drives - spares)


@pytest.mark.parametrize("units", [1, 2])
def test_a_spare_that_leaves_a_vdev_is_chosen(units: int) -> None:
    """Two drives of 6 TB and four of 12, raidz1 of 4, one spare: was refused, and both remedies failed."""
    policy = Policy("raidz", 1, 4, spares=1, mixed_sizes=True)
    held = parts(*[(6,) * units] * 2, *[(12,) * units] * 4)
    drives = [part.drive for part in held]
    layout = plan(drives, policy)
    assert faults(drives, policy, layout) == []
    assert smallest(layout) == [6] * units
    assert {member.size // TB for member in layout.spares[0].members} == {12}
    assert judge(Case(0, held, policy)) == []


@pytest.mark.parametrize("units", [1, 2])
def test_a_spare_that_can_replace_nothing_is_none(units: int) -> None:
    """The same with sizes apart: only the four of 12 TB fill a vdev, and one of 6 TB cannot stand in for them."""
    case = Case(0, parts(*[(6,) * units] * 2, *[(12,) * units] * 4), Policy("raidz", 1, 4, spares=1))
    with pytest.raises(PromiseError, match="mixed_sizes: allow"):
        plan(case.drives, case.policy)
    assert judge(case) == []  # each remedy does


def test_a_vdev_takes_a_slightly_smaller_unit_so_that_the_spare_does() -> None:
    """Units that differ by less than OpenZFS minds count as one size; the spare was smaller than every member."""
    large, small = (9 * TB,), (9 * TB - (15 << 20),) * 2
    held = tuple(Part(number, "", sizes) for number, sizes in enumerate((large, large, large, small, large, small)))
    policy = Policy("mirror", spares=1, survive=Survive(3), prefer="throughput", siblings=True)
    layout = plan([part.drive for part in held], policy)
    assert [min(member.size for member in vdev.members) for vdev in layout.vdevs] == [small[0]]
    assert [len(spare.members) for spare in layout.spares] == [2]
    assert judge(Case(0, held, policy)) == []


def test_siblings_as_far_as_two_drives_may_fail() -> None:
    """Three drives of two units, raidz3 of 4: one drive gives both units, so that any two take 3 members at most."""
    policy = Policy("raidz", 3, 4, survive=Survive(2), siblings=True)
    layout = plan(alike(3), policy)
    assert faults(alike(3), policy, layout) == []
    assert [sorted(Counter(m.serial for m in vdev.members).values()) for vdev in layout.vdevs] == [[1, 1, 2]]
    assert layout.survives_drives == 2


@pytest.mark.parametrize(
    ("held", "policy", "capacity"),
    [
        # One vdev of 200 MB units; without a drive given twice it would be one of 120.
        (
            ((2,), (2, 2), (1, 1), (2, 2)),
            Policy("mirror", width=4, survive=Survive(2), siblings=True, mixed_sizes=True),
            2,
        ),
        (((9, 9),) * 4, Policy("raidz", 3, 4, survive=Survive(2), siblings=True), 18),
        (((9, 9),) * 5, Policy("raidz", 3, 5, survive=Survive(2), siblings=True), 18),
    ],
)
def test_siblings_store_the_most_that_the_promise_allows(
    held: tuple[tuple[int, ...], ...], policy: Policy, capacity: int
) -> None:
    case = Case(0, parts(*held), policy)
    assert judge(case) == []
    assert sum(smallest(plan(case.drives, policy))) == capacity


def test_a_draid_pool_grows_by_vdevs_like_its_own() -> None:
    """Was extended by 8d:0s; zpool add refuses nothing there, and the new vdev would have had no spare of its own."""
    made = Policy("draid", 1, 8, draid_data=4, draid_spares=1)
    placed = plan(alike(8), made)
    drives = alike(16)
    grown = plan(drives, Policy("draid", 1), placed)
    assert {vdev.keyword for vdev in grown.vdevs} == {"draid1:4d:8c:1s"}
    assert faults(drives, Policy("draid", 1), grown, placed) == []


@pytest.mark.parametrize("contradiction", [{"draid_data": 2}, {"draid_spares": 2}])
def test_a_contradicting_draid_policy_is_refused(contradiction: dict[str, int]) -> None:
    placed = plan(alike(8), Policy("draid", 1, 8, draid_data=4, draid_spares=1))
    with pytest.raises(InputError):
        plan(alike(16), Policy("draid", 1, **contradiction), placed)  # type: ignore[arg-type]
