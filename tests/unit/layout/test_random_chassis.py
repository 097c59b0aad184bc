# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Random chassis and policies, judged by code that shares nothing with the planner: see `judge`."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from dataclasses import replace

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import PromiseError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.assign import plan
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.policy import Policy, Survive
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Drive, Layout, Member, Unused
from tests.unit.layout.audit import FUZZ, faults
from tests.unit.layout.brute import Brute, one_vdev
from tests.unit.layout.chassis import NAMES, TB, Case, Part, any_case, small_case
from tests.unit.layout.judge import compared, judge, kinds, measured, refused, shrunk, stands_in
from tests.unit.layout.recount import Task, exhaustive
from tests.unit.strategies import Spec, alike, drives_of

FEW = 200
MANY = 20_000
CHUNK = 50
SHOWN = 2


def check(seeds: Iterable[int]) -> None:
    """No fault in the cases of these seeds; the first of each kind are shown with as few drives as show it."""
    seeds_of: dict[str, list[int]] = {}
    shown = []
    for seed in seeds:
        case = any_case(seed)
        for kind in sorted(kinds(judge(case))):
            seeds_of.setdefault(kind, []).append(seed)
            if len(seeds_of[kind]) <= SHOWN:
                least = shrunk(case, kind)
                shown.append("\n".join([str(least), *(fault for fault in judge(least) if fault.startswith(kind))]))
    assert not seeds_of, "\n\n".join(["", *shown, *(f"{kind}: seeds {found}" for kind, found in seeds_of.items())])


@pytest.mark.parametrize("start", range(0, FEW, CHUNK))
def test_random_chassis(start: int) -> None:
    check(range(start, start + CHUNK))


@pytest.mark.long
@pytest.mark.parametrize("start", range(FEW, FEW + MANY, 4 * CHUNK))
def test_many_random_chassis(start: int) -> None:
    check(range(start, start + 4 * CHUNK))


# The generator


def test_a_seed_is_always_the_same_case() -> None:
    assert [any_case(seed) for seed in range(40)] == [any_case(seed) for seed in range(40)]


def test_the_cases_are_of_every_kind() -> None:
    cases = [any_case(seed) for seed in range(FEW)]
    policies = [case.policy for case in cases]
    assert {policy.kind for policy in policies} == {"raidz", "mirror", "draid"}
    assert {policy.parity for policy in policies} == {1, 2, 3}
    assert {policy.prefer for policy in policies} == {"capacity", "safety", "throughput"}
    assert {policy.survive.drives for policy in policies} == {0, 1, 2, 3}
    assert {policy.survive.enclosures for policy in policies} == {0, 1, 2, 3}
    for name in ("siblings", "mixed_sizes", "width", "spares", "draid_data", "draid_spares"):
        assert len({bool(getattr(policy, name)) for policy in policies}) == 2, name
    assert {len(part.sizes) for case in cases for part in case.parts} == {1, 2, 3, 4}
    assert {len({part.enclosure for part in case.parts}) for case in cases} >= {1, 2, 3, 4, 6}
    assert any(len(set(part.sizes)) > 1 for case in cases for part in case.parts)
    assert any(not part.bay for case in cases for part in case.parts)
    assert any(case.before and case.gone for case in cases)
    assert any(2 * case.policy.spares > len(case.parts) for case in cases)
    assert 0.4 * FEW < sum(case.small for case in cases) < 0.9 * FEW


# The audit finds what is wrong

CHASSIS = alike(7, ("east", "west", "north"), (9, 9))
POLICY = Policy("raidz", 2, 4, spares=1, survive=Survive(2, 1))


def sound() -> Layout:
    return plan(CHASSIS, POLICY)


def with_member(layout: Layout, at: int, member: Member) -> Layout:
    vdev = layout.vdevs[0]
    members = (*vdev.members[:at], member, *vdev.members[at + 1 :])
    return replace(layout, vdevs=(replace(vdev, members=members), *layout.vdevs[1:]))


def spoilt_twice(layout: Layout) -> Layout:
    return with_member(layout, 0, layout.vdevs[0].members[1])


def spoilt_size(layout: Layout) -> Layout:
    return with_member(layout, 0, replace(layout.vdevs[0].members[0], size=8 * TB))


def spoilt_ghost(layout: Layout) -> Layout:
    return with_member(layout, 0, replace(layout.vdevs[0].members[0], serial="GHOST"))


def spoilt_sibling(layout: Layout) -> Layout:
    # The other unit of a drive that is in the vdev already, which gives its own place away.
    first, second = layout.vdevs[0].members[:2]
    twin = replace(first, index=1 - first.index)
    vdevs = [[second if m == twin else m for m in vdev.members] for vdev in layout.vdevs]
    vdevs[0][1] = twin
    made = tuple(replace(v, members=tuple(ms)) for v, ms in zip(layout.vdevs, vdevs, strict=True))
    return replace(layout, vdevs=made)


def spoilt_width(layout: Layout) -> Layout:
    vdev = layout.vdevs[0]
    short = replace(vdev, members=vdev.members[1:])
    unused = (*layout.unused, Unused(vdev.members[0], "left over"))
    return replace(layout, vdevs=(short, *layout.vdevs[1:]), unused=unused)


def spoilt_parity(layout: Layout) -> Layout:
    return replace(layout, vdevs=(replace(layout.vdevs[0], parity=1), *layout.vdevs[1:]))


def spoilt_stated(layout: Layout) -> Layout:
    return replace(layout, survives_drives=layout.survives_drives + 1)


def spoilt_enclosures(layout: Layout) -> Layout:
    return replace(layout, survives_enclosures=0)


def spoilt_spare(layout: Layout) -> Layout:
    spare = layout.spares[0]
    half = replace(spare, members=spare.members[:1])
    return replace(layout, spares=(half,), unused=(*layout.unused, Unused(spare.members[1], "left over")))


def spoilt_no_spare(layout: Layout) -> Layout:
    unused = tuple(Unused(member, "left over") for member in layout.spares[0].members)
    return replace(layout, spares=(), unused=(*layout.unused, *unused))


def spoilt_forgotten(layout: Layout) -> Layout:
    return replace(layout, vdevs=layout.vdevs[1:])


@pytest.mark.parametrize(
    ("spoil", "kind"),
    [
        (spoilt_twice, "unit"),
        (spoilt_size, "unit"),
        (spoilt_ghost, "unit"),
        (spoilt_forgotten, "unit"),
        (spoilt_sibling, "siblings"),
        (spoilt_width, "shape"),
        (spoilt_parity, "shape"),
        (spoilt_stated, "stated"),
        (spoilt_enclosures, "stated"),
        (spoilt_spare, "spares"),
        (spoilt_no_spare, "spares"),
    ],
)
def test_the_audit_finds_what_is_wrong(spoil: Callable[[Layout], Layout], kind: str) -> None:
    assert faults(CHASSIS, POLICY, sound()) == []
    assert kind in kinds(faults(CHASSIS, POLICY, spoil(sound())))


@pytest.mark.parametrize(
    ("policy", "kind"),
    [
        (replace(POLICY, survive=Survive(3, 1)), "promise"),
        (replace(POLICY, survive=Survive(2, 2)), "promise"),
        (replace(POLICY, kind="mirror"), "shape"),
        (replace(POLICY, width=5), "shape"),
        (replace(POLICY, parity=1), "shape"),
        (replace(POLICY, spares=2), "spares"),
    ],
)
def test_the_audit_holds_a_layout_against_its_policy(policy: Policy, kind: str) -> None:
    assert kind in kinds(faults(CHASSIS, policy, sound()))


@pytest.mark.parametrize(("less", "refused_by_zpool"), [(0, False), (FUZZ, False), (FUZZ + 512, True)])
def test_the_audit_measures_sizes_as_zpool_does(less: int, refused_by_zpool: bool) -> None:
    """Members may differ by 16 MiB and no more."""
    drives = [Part(n, "", (9 * TB - (less if n == 2 else 0),)).drive for n in range(3)]
    layout = plan(drives, Policy("raidz", 1, 3, mixed_sizes=True))
    assert ("sizes" in kinds(faults(drives, Policy("raidz", 1, 3), layout))) == refused_by_zpool
    assert faults(drives, Policy("raidz", 1, 3, mixed_sizes=True), layout) == []


def test_the_audit_sees_what_was_placed_move() -> None:
    policy = Policy("raidz", 1, 3)
    drives = alike(6)
    placed = plan(drives[:3], policy)
    grown = plan(drives, policy, placed)
    assert faults(drives, policy, grown, placed) == []
    moved = replace(grown, vdevs=grown.vdevs[::-1])
    assert "kept" in kinds(faults(drives, policy, moved, placed))


# The brute force agrees with the other one


def test_the_brute_force_agrees_with_the_exhaustive_search() -> None:
    """Capacity, fatal sets and spread, against `recount.exhaustive`."""
    pick = random.Random(11)
    compared_ones = 0
    while compared_ones < 60:
        homes = NAMES[: pick.randint(1, 3)]
        kinds_here = pick.sample([(9, 9), (12, 12), (9,), (18,), (12, 9)], pick.randint(1, 3))
        specs = tuple(Spec(pick.choice(homes), pick.choice(kinds_here)) for dummy in range(pick.randint(3, 5)))
        parity = pick.randint(1, 2)
        width = pick.randint(parity + 1, max(parity + 1, len(specs)))
        enclosures = pick.randint(0, 1) if len({spec.enclosure for spec in specs}) > 1 else 0
        if sum(len(spec.sizes) for spec in specs) > 9:
            continue
        compared_ones += 1
        policy = Policy("raidz", parity, width, survive=Survive(0, enclosures), mixed_sizes=True)
        best = Brute(drives_of(specs), policy).best(width, 0, finer=True)
        capacity, fatal, spread = exhaustive(Task(specs, width, parity, enclosures))
        assert (best.capacity, best.fatal or 0, best.spread or 0) == (-capacity * TB, fatal, spread)


def test_one_vdev_agrees_with_the_brute_force() -> None:
    """Where spares are as large as one vdev asks; spares may also do because they are as large as every drive."""
    told = {True: 0, False: 0}
    for seed in range(400):
        case = small_case(seed)
        if not case.policy.siblings and case.policy.spares < len(case.parts):
            possible = Brute(case.drives, case.policy).possible(case.policy.spares) > 0
            found = one_vdev(case.drives, case.policy) > 0
            assert found <= possible, str(case)
            assert found == possible or case.policy.spares, str(case)
            told[found] += 1
    assert min(told.values()) > 20


# The judge finds what is wrong


def parts_of(*sizes: tuple[int, ...]) -> tuple[Part, ...]:
    return tuple(Part(n, "", tuple(size * TB for size in held)) for n, held in enumerate(sizes))


def test_the_judge_sees_a_false_refusal_and_a_false_remedy() -> None:
    case = Case(0, parts_of((9,), (9,), (9,)), Policy("raidz", 1, 3))
    assert kinds(refused(case.drives, case, None, PromiseError("no"))) == {"impossible"}
    wide = replace(case, policy=Policy("raidz", 1, 5))
    assert refused(wide.drives, wide, None, PromiseError("no", remedy="It works with 2 more drives, or width 3.")) == []
    for remedy in ("1 more drive", "width 4", "parity 2", "spares 0", "a miracle"):
        error = PromiseError("no", remedy=f"It works with 2 more drives, or {remedy}.")
        assert kinds(refused(wide.drives, wide, None, error)) == {"remedy"}, remedy


def test_the_judge_sees_a_false_proof() -> None:
    case = Case(0, parts_of((9, 9), (9, 9), (9, 9), (9, 9)), Policy("raidz", 1, 3))
    layout = plan(case.drives, case.policy)
    assert compared(case.drives, case.policy, layout, None) == []
    fewer = replace(layout, vdevs=layout.vdevs[:1])
    assert kinds(compared(case.drives, case.policy, fewer, None)) == {"proven"}
    assert compared(case.drives, case.policy, replace(fewer, proven=()), None) == []


def test_the_judge_counts_fatal_sets() -> None:
    """Two vdevs over the same three of four drives against two that share two: 3 pairs and 5."""
    drives = alike(4)

    def vdev(index: int, *numbers: int) -> tuple[Member, ...]:
        return tuple(Member(drives[n].serial, index, "", 9 * TB) for n in numbers)

    assert measured(drives, 2, [vdev(0, 0, 1, 2), vdev(1, 0, 1, 2)]) == (3, 18)
    assert measured(drives, 2, [vdev(0, 0, 1, 2), vdev(1, 1, 2, 3)]) == (5, 18)


def test_a_spare_stands_in_unit_by_unit() -> None:
    drives: list[Drive] = [Part(n, "", (18 * TB, 6 * TB)).drive for n in range(3)]
    layout = plan(drives, Policy("raidz", 1, 3))
    assert stands_in([18 * TB, 6 * TB], layout.vdevs)
    assert not stands_in([12 * TB, 12 * TB], layout.vdevs)
    assert not stands_in([18 * TB], layout.vdevs)


def test_a_case_shrinks_to_the_drives_that_matter() -> None:
    """Of many drives those are left without which the fault is not there."""
    case = Case(0, parts_of(*[(9, 9)] * 6), Policy("raidz", 1, 3))
    assert len(shrunk(case, "nothing").parts) == 6
