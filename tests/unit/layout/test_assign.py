# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Properties that every layout has, and what the assignment says when it cannot be done."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from itertools import combinations

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import InputError, PromiseError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.assign import plan
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.guarantee import sentences
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.policy import Policy, Survive
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import (
    Bay,
    Drive,
    Layout,
    Member,
    SpareDrive,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import from_plain, to_plain
from tests.unit.strategies import TB, Spec, alike, chassis, drive, drives_of, policies


def laid_out(specs: tuple[Spec, ...], policy: Policy) -> Layout:
    """The layout, or no example when the promise cannot be kept."""
    try:
        return plan(drives_of(specs), policy)
    except PromiseError:
        assume(False)
        raise


def members(layout: Layout) -> list[Member]:
    return [member for vdev in layout.vdevs for member in vdev.members]


def worst(holders: Iterable[str], lost: int) -> int:
    return sum(count for _name, count in Counter(holders).most_common(lost))


@given(chassis(), policies())
@settings(max_examples=80, deadline=None)
def test_every_unit_is_placed_once(specs: tuple[Spec, ...], policy: Policy) -> None:
    layout = laid_out(specs, policy)
    placed = members(layout) + [m for spare in layout.spares for m in spare.members] + [u.member for u in layout.unused]
    units = {(d.serial, unit.index): unit.size for d in drives_of(specs) for unit in d.units}
    assert Counter((m.serial, m.index) for m in placed) == Counter(units.keys())
    assert all(m.size == units[m.serial, m.index] for m in placed)
    assert all(unused.reason for unused in layout.unused)
    assert len({len(vdev.members) for vdev in layout.vdevs}) == 1


@given(chassis(), policies())
@settings(max_examples=80, deadline=None)
def test_promises_are_kept(specs: tuple[Spec, ...], policy: Policy) -> None:
    layout = laid_out(specs, policy)
    for vdev in layout.vdevs:
        homes = [Bay.parse(member.bay).enclosure for member in vdev.members]
        assert len({member.serial for member in vdev.members}) == len(vdev.members)
        assert worst((member.serial for member in vdev.members), policy.survive.drives) <= vdev.parity
        assert worst(homes, policy.survive.enclosures) <= vdev.parity
        assert worst((member.serial for member in vdev.members), layout.survives_drives) <= vdev.parity
        assert worst(homes, layout.survives_enclosures) <= vdev.parity
    assert any(worst((m.serial for m in v.members), layout.survives_drives + 1) > v.parity for v in layout.vdevs)
    assert len(layout.spares) == policy.spares


@given(chassis(most=10), policies())
@settings(max_examples=40, deadline=None)
def test_survivals_hold_for_every_set(specs: tuple[Spec, ...], policy: Policy) -> None:
    """The stated number of drives against all sets of drives, one by one."""
    layout = laid_out(specs, policy)
    serials = [d.serial for d in drives_of(specs)]

    def all_survive(many: int) -> bool:
        return all(
            sum(member.serial in gone for member in vdev.members) <= vdev.parity
            for gone in map(set, combinations(serials, many))
            for vdev in layout.vdevs
        )

    assert all_survive(layout.survives_drives)
    assert not all_survive(layout.survives_drives + 1)


@given(chassis(least=6), policies().filter(lambda policy: policy.spares > 0))
@settings(max_examples=80, deadline=None)
def test_spares_can_replace_any_drive(specs: tuple[Spec, ...], policy: Policy) -> None:
    layout = laid_out(specs, policy)
    assert len(layout.spares) == policy.spares
    by_serial = {d.serial: d for d in drives_of(specs)}
    largest = max(min(member.size for member in vdev.members) for vdev in layout.vdevs)
    most = max(len(d.units) for d in by_serial.values())
    for spare in layout.spares:
        assert [(m.index, m.size) for m in spare.members] == [(u.index, u.size) for u in by_serial[spare.serial].units]
        assert len(spare.members) == most
    smallest = min(m.size for spare in layout.spares for m in spare.members)
    said = next(sentence for sentence in sentences(layout) if "spare" in sentence)
    assert ("can replace any member" in said) == (smallest >= largest)


@given(chassis(), policies(), st.randoms(use_true_random=False))
@settings(max_examples=80, deadline=None)
def test_the_order_of_the_input_does_not_matter(specs: tuple[Spec, ...], policy: Policy, shuffler: object) -> None:
    layout = laid_out(specs, policy)
    drives = [replace(d, units=tuple(reversed(d.units))) for d in drives_of(specs)]
    shuffler.shuffle(drives)  # type: ignore[attr-defined]
    assert plan(drives, policy) == layout


@given(chassis(), policies(), st.integers(1, 5), st.data())
@settings(max_examples=80, deadline=None)
def test_more_drives_move_nothing(specs: tuple[Spec, ...], policy: Policy, more: int, data: st.DataObject) -> None:
    layout = laid_out(specs, policy)
    added = [drive(500 + n, data.draw(st.sampled_from(specs)), 500 + n) for n in range(more)]
    grown = plan([*added, *drives_of(specs)], policy, layout)
    assert grown.vdevs[: len(layout.vdevs)] == layout.vdevs
    assert grown.spares[: len(layout.spares)] == layout.spares
    units = [(m.serial, m.index) for m in members(grown)]
    assert len(units) == len(set(units))
    for vdev in grown.vdevs:
        assert worst((m.serial for m in vdev.members), policy.survive.drives) <= vdev.parity
        assert worst((Bay.parse(m.bay).enclosure for m in vdev.members), policy.survive.enclosures) <= vdev.parity


@given(chassis(), policies())
@settings(max_examples=60, deadline=None)
def test_the_same_drives_again_change_nothing(specs: tuple[Spec, ...], policy: Policy) -> None:
    layout = laid_out(specs, policy)
    again = plan(drives_of(specs), policy, from_plain(Layout, to_plain(layout)))
    assert again.vdevs == layout.vdevs
    assert again.spares == layout.spares


def test_larger_drives_that_no_spare_can_replace_stay_out_when_planned_again() -> None:
    """Two vdevs of 9 TB and a spare of 9 TB: a second plan added a vdev of the two drives of 18 TB."""
    east = [Spec("east", sizes) for sizes in ((9, 9), (9, 9), (18,), (9, 9), (18,))]
    policy = Policy("raidz", 1, 2, spares=1, survive=Survive(0, 0))
    layout = plan(drives_of(east), policy)
    assert [spare.serial for spare in layout.spares] == ["ACS00003"]
    assert len(layout.vdevs) == 2
    again = plan(drives_of(east), policy, from_plain(Layout, to_plain(layout)))
    assert (again.vdevs, again.spares) == (layout.vdevs, layout.spares)
    why = "2 units of 2 drives left over: the spares cannot stand in for these drives; "
    advice = "more such drives may be needed, one of them as a spare (raise policy.spares by one)"
    assert {unused.reason for unused in layout.unused} == {f"{why}once the pool is built, {advice}"}
    assert {unused.reason for unused in again.unused} == {f"{why}{advice}"}
    third = [*drives_of(east), drive(9, Spec("east", (18,)))]
    grown = plan(third, replace(policy, spares=2), layout)
    assert [len(spare.members) for spare in grown.spares] == [2, 1]
    assert [[member.size for member in vdev.members] for vdev in grown.vdevs[2:]] == [[18 * TB] * 2]
    assert plan(third, replace(policy, spares=2), grown).vdevs == grown.vdevs


def grown_by_larger(
    before: tuple[tuple[int, ...], ...], more: tuple[tuple[int, ...], ...], policy: Policy, spares: int
) -> tuple[Layout, Layout]:
    """The layout of the drives of *before*, and what it grows to with *more* drives and that many spares."""
    held = drives_of([Spec("", sizes) for sizes in before])
    added = [drive(500 + number, Spec("", sizes)) for number, sizes in enumerate(more)]
    layout = plan(held, policy)
    grown = plan([*held, *added], replace(policy, spares=spares), layout)
    assert grown.vdevs[: len(layout.vdevs)] == layout.vdevs
    assert grown.spares[: len(layout.spares)] == layout.spares
    again = plan([*held, *added], replace(policy, spares=spares), grown)
    assert (again.vdevs, again.spares) == (grown.vdevs, grown.spares)
    return layout, grown


@pytest.mark.parametrize("mixed", [False, True])
def test_larger_drives_wait_until_one_of_them_can_be_a_spare(mixed: bool) -> None:
    policy = Policy("raidz", 2, 6, spares=1, mixed_sizes=mixed)
    before, more = ((9, 9),) * 13, ((18, 18),) * 7
    layout, grown = grown_by_larger(before, more, policy, spares=1)
    assert len(layout.vdevs) == len(grown.vdevs) == 4
    assert grown.spares == layout.spares
    why = "14 units of 7 drives left over: the spares cannot stand in for these drives; "
    advice = "raise policy.spares by one to keep one of these drives as a spare"
    assert {unused.reason for unused in grown.unused} == {why + advice}
    _layout, grown = grown_by_larger(before, more, policy, spares=2)
    assert [{member.size for member in spare.members} for spare in grown.spares] == [{9 * TB}, {18 * TB}]
    assert [{member.size for member in vdev.members} for vdev in grown.vdevs[4:]] == [{18 * TB}] * 2
    assert not grown.unused
    told = next(sentence for sentence in sentences(grown) if "spare" in sentence)
    assert "for every drive, at least one of them can replace it, unit by unit." in told


def test_growth_adds_what_a_kept_spare_can_replace() -> None:
    policy = Policy("raidz", 2, 6, spares=2)
    _layout, grown = grown_by_larger((*((9, 9),) * 13, (18, 18)), ((18, 18),) * 6, policy, spares=2)
    assert [{member.size for member in vdev.members} for vdev in grown.vdevs[4:]] == [{18 * TB}] * 2


def test_growth_uses_the_units_that_a_spare_can_replace() -> None:
    """Drives of three units beside spares of two, and drives with one unit too large."""
    policy = Policy("raidz", 2, 6, spares=1)
    for sizes in ((9, 9, 9), (18, 9, 9)):
        _layout, grown = grown_by_larger(((9, 9),) * 7, (sizes,) * 6, policy, spares=1)
        assert [{member.size for member in vdev.members} for vdev in grown.vdevs[2:]] == [{9 * TB}] * 2
        assert len(grown.unused) == 6
        assert all("the spares cannot stand in for these drives" in unused.reason for unused in grown.unused)


def test_mixed_growth_puts_a_small_member_into_each_vdev() -> None:
    policy = Policy("raidz", 2, 6, spares=1, mixed_sizes=True)
    _layout, grown = grown_by_larger(((9, 9),) * 7, (*((18, 18),) * 6, *((9, 9),) * 6), policy, spares=1)
    assert [min(member.size for member in vdev.members) for vdev in grown.vdevs] == [9 * TB] * 6


@pytest.mark.parametrize(
    "policy",
    [Policy("draid", 2, 12, draid_data=4, draid_spares=1, spares=1), Policy("mirror", width=2, spares=1)],
)
def test_every_kind_of_vdev_waits_for_its_spare(policy: Policy) -> None:
    before, more = ((9, 9),) * 13, ((18, 18),) * 13
    layout, grown = grown_by_larger(before, more, policy, spares=1)
    assert grown.vdevs == layout.vdevs
    _layout, grown = grown_by_larger(before, more, policy, spares=2)
    assert len(grown.vdevs) == 2 * len(layout.vdevs)


def test_growth_where_the_spares_are_too_small_already_goes_on() -> None:
    policy = Policy("raidz", 2, 6)
    held, spare = alike(6, sizes=(18, 18)), drive(90, Spec())
    layout = plan([*held, spare], policy)
    bay = Bay("", 90).label
    kept = tuple(Member(spare.serial, index, bay, 9 * TB) for index in range(2))
    layout = replace(layout, spares=(SpareDrive(spare.serial, bay, kept),), unused=())
    added = [drive(500 + number, Spec("", (18, 18))) for number in range(6)]
    assert len(plan([*held, spare, *added], replace(policy, spares=1), layout).vdevs) == 4


def test_growth_with_fewer_spares_than_wanted_chooses_them_first() -> None:
    policy = Policy("raidz", 2, 6, spares=2)
    held = alike(14)
    layout = plan(held, policy)
    gone = layout.spares[0].serial
    left = [one for one in held if one.serial != gone]
    added = [drive(500 + number, Spec("", (18, 18))) for number in range(7)]
    grown = plan([*left, *added], policy, layout)
    assert [{member.size for member in spare.members} for spare in grown.spares] == [{9 * TB}, {18 * TB}]
    assert len(grown.vdevs) == 6
    alone = plan([one for one in [*left, *added] if one.serial != layout.spares[1].serial], policy, layout)
    assert len(alone.spares) == 2  # the promise is broken: the two are chosen as ever


def test_a_replacement_does_not_open_the_pool_to_drives_without_a_spare() -> None:
    policy = Policy("raidz", 2, 6, spares=1)
    held = alike(7)
    layout = plan(held, policy)
    old = layout.vdevs[0].members[0].serial
    left = [one for one in held if one.serial != old]
    added = [drive(500 + number, Spec("", (18, 18))) for number in range(7)]
    repaired = plan([*left, *added], policy, layout)
    assert len(repaired.vdevs) == 2
    assert repaired.spares == layout.spares


def test_spares_of_two_kinds_change_nothing_when_planned_again() -> None:
    """One spare of (9, 9), one of 18 TB: the first plan asks each of them to do, so the drives of 18 TB stay out."""
    chassis_of = [(9, 9), *((9,),) * 4, *((18,),) * 3]
    policy = Policy("raidz", 1, 2, spares=2)
    layout = plan(drives_of([Spec("", sizes) for sizes in chassis_of]), policy)
    again = plan(drives_of([Spec("", sizes) for sizes in chassis_of]), policy, layout)
    assert (again.vdevs, again.spares) == (layout.vdevs, layout.spares)


@given(chassis(), policies(), st.data())
@settings(max_examples=80, deadline=None)
def test_a_replaced_drive_takes_exactly_the_places_of_the_old(
    specs: tuple[Spec, ...], policy: Policy, data: st.DataObject
) -> None:
    layout = laid_out(specs, policy)
    old = data.draw(st.sampled_from(sorted({member.serial for member in members(layout)})))
    drives = {d.serial: d for d in drives_of(specs)}
    gone = drives.pop(old)
    new = replace(gone, key="naa.new", serial="NEW00001")
    # Those that were left out before stay out, so that only the new one is free.
    left = {unused.member.serial for unused in layout.unused} - {member.serial for member in members(layout)}
    kept = [d for serial, d in drives.items() if serial not in left]
    repaired = plan([*kept, new], policy, layout)
    for before, after in zip(layout.vdevs, repaired.vdevs, strict=False):
        moved = [(b, a) for b, a in zip(before.members, after.members, strict=True) if b != a]
        assert all(b.serial == old and a == replace(b, serial=new.serial) for b, a in moved)


def test_two_lost_drives_find_their_places() -> None:
    policy = Policy("raidz", 2, 6, survive=Survive(2, 1))
    drives = alike(12, ("east", "north", "west"))
    layout = plan(drives, policy)
    new = [replace(drives[0], serial="NEW0"), replace(drives[4], serial="NEW4", bay=Bay("north", 40))]
    repaired = plan([*drives[1:4], *drives[5:], *new], policy, layout)
    changes = {
        (before.serial, after.serial)
        for old, now in zip(layout.vdevs, repaired.vdevs, strict=True)
        for before, after in zip(old.members, now.members, strict=True)
        if before != after
    }
    assert changes == {("ACS00000", "NEW0"), ("ACS00004", "NEW4")}
    assert repaired.survives_enclosures == 1


def test_a_drive_with_one_dead_unit_keeps_the_other_place() -> None:
    drives = alike(6)
    layout = plan(drives, Policy("raidz", 2, 6))
    half = replace(drives[2], units=drives[2].units[:1])
    with pytest.raises(PromiseError, match=r"no free drives can take the places of bay02 \(serial ACS00002\): 1 unit"):
        plan([*drives[:2], half, *drives[3:]], Policy("raidz", 2, 6), layout)
    repaired = plan([*drives[:2], half, *drives[3:], drive(7, Spec())], Policy("raidz", 2, 6), layout)
    assert repaired.vdevs[0] == layout.vdevs[0]
    assert [m.serial for m in repaired.vdevs[1].members] == [f"ACS{n:05d}" for n in (0, 1, 7, 3, 4, 5)]


def test_a_smaller_drive_does_not_take_a_place() -> None:
    drives = alike(6)
    layout = plan(drives, Policy("raidz", 2, 6))
    with pytest.raises(PromiseError, match="2 units of at least 9000000000000 bytes; free: bay07"):
        plan([*drives[1:], drive(7, Spec("", (8, 8)))], Policy("raidz", 2, 6), layout)


@pytest.mark.parametrize(
    ("drives", "policy", "message"),
    [
        (
            alike(12, ("east", "west")),
            Policy("raidz", 2, 8, survive=Survive(1, 1)),
            """
            policy: width 8 over 2 enclosures (east 6, west 6): to survive the failure of 1 enclosure with parity 2,
            a vdev may hold 2 members from each, which is 4 in all. It works with 4 enclosures with at least 2 drives
            each, or width 4, or survive.enclosures 0.
            """,
        ),
        (
            alike(6, ("east", "west")),
            Policy("raidz", 2, 6, survive=Survive(1, 1)),
            """
            policy: width 6 over 2 enclosures (east 3, west 3): to survive the failure of 1 enclosure with parity 2,
            a vdev may hold 2 members from each, which is 4 in all. It works with 3 enclosures with at least 2 drives
            each, or width 4, or parity 3, or survive.enclosures 0.
            """,
        ),
        (
            alike(12, ("east", "north", "south", "west")),
            Policy("raidz", 3, 6, survive=Survive(1, 2)),
            """
            policy: width 6 over 4 enclosures (east 3, north 3, south 3, west 3): to survive the failure of 2
            enclosures with parity 3, a vdev may hold 1 member from each and one more from one of them, which
            is 5 in all. It works with 5 enclosures with at least 1 drive each, or width 5, or survive.enclosures 1.
            """,
        ),
        (
            alike(5),
            Policy("raidz", 2, 6, spares=1),
            """
            policy: a vdev of width 6 needs 6 different drives, and there are 4 drives besides 1 spare. It works
            with 2 more drives, or width 4.
            """,
        ),
        (
            alike(6),
            Policy("raidz", 1, 4, survive=Survive(2, 0)),
            """
            policy.survive.drives: raidz1 survives 1 member failure in a vdev, and each of 2 failed drives takes
            at least one. It works with parity 2, or survive.drives 1.
            """,
        ),
        (
            alike(6),
            Policy("mirror", 2, 2, survive=Survive(2, 0)),
            """
            policy.survive.drives: mirror of width 2 survives 1 member failure in a vdev, and each of 2 failed
            drives takes at least one. It works with width 3, or survive.drives 1.
            """,
        ),
        (
            alike(3),
            Policy("raidz", 1, 2, spares=3),
            "policy.spares: 3 spares of 3 drives leave no drive for data. Add drives, or ask for fewer spares.",
        ),
    ],
)
def test_broken_promises_name_the_smallest_change(drives: tuple[Drive, ...], policy: Policy, message: str) -> None:
    with pytest.raises(PromiseError) as caught:
        plan(drives, policy)
    assert str(caught.value) == " ".join(message.split())


@given(chassis(), policies())
@settings(max_examples=60, deadline=None)
def test_every_named_remedy_works(specs: tuple[Spec, ...], policy: Policy) -> None:
    """Remedies that change the policy alone are put to the test: what was in the way is not in the way any more."""
    error = refusal(specs, policy)
    assume(error is not None and error.remedy)
    words = error.remedy.rstrip(".").removeprefix("It works with ").split(", or ") if error else []
    names = {"width", "parity", "survive.enclosures", "survive.drives", "spares"}
    for name, value in (word.split(":")[0].split(" ", 1) for word in words if word.split(" ")[0] in names):
        after = refusal(specs, changed_policy(policy, name, int(value)))
        # A second, other obstacle may come to light.
        assert after is None or after.subject != f"policy.{name}"
        if after is not None and error is not None:
            assert after.message != error.message


def refusal(specs: tuple[Spec, ...], policy: Policy) -> PromiseError | None:
    try:
        plan(drives_of(specs), policy)
    except PromiseError as error:
        return error
    return None


def changed_policy(policy: Policy, name: str, value: int) -> Policy:
    plain = policy.to_plain()
    *outer, last = name.split(".")
    (plain[outer[0]] if outer else plain)[last] = value
    return Policy.from_plain(plain)


@pytest.mark.parametrize(
    ("drives", "field", "message"),
    [
        ((), "drives", "there are no drives"),
        ((replace(drive(1, Spec()), serial=""),), "drives: bay01 (serial none)", "no serial number"),
        ((replace(drive(1, Spec()), units=()),), "drives: bay01 (serial ACS00001)", "shows no unit"),
        ((drive(1, Spec()), drive(1, Spec(), 2)), "drives", "serial ACS00001 is given twice: bay01 and bay02"),
        ((drive(1, Spec()), drive(2, Spec(), 1)), "drives", "bay01 is given to serials ACS00001 and ACS00002"),
    ],
)
def test_drives_that_cannot_be(drives: tuple[Drive, ...], field: str, message: str) -> None:
    with pytest.raises(InputError) as caught:
        plan(drives, Policy())
    assert caught.value.subject == field
    assert message in caught.value.message


def test_a_tiny_unit_is_refused() -> None:
    small = replace(drive(1, Spec()).units[0], size=1000)
    with pytest.raises(InputError, match="unit 0 has 1000 bytes"):
        plan([replace(drive(1, Spec()), units=(small,))], Policy())


def test_enclosures_cannot_be_promised_without_bays() -> None:
    with pytest.raises(InputError, match=r"the enclosure of bay unknown .serial ACS00000., .* is not known"):
        plan([replace(d, bay=None) for d in alike(4)], Policy(survive=Survive(1, 1)))


def test_siblings_share_a_vdev_only_where_it_gains_and_the_promise_allows() -> None:
    wide = plan(alike(6), Policy("raidz", 2, 12, siblings=True))
    assert len(wide.vdevs) == 1
    assert wide.survives_drives == 1
    assert plan(alike(12), Policy("raidz", 2, 12, siblings=True)) == plan(alike(12), Policy("raidz", 2, 12))
    with pytest.raises(PromiseError):
        plan(alike(6), Policy("raidz", 2, 12, siblings=True, survive=Survive(2)))


def test_draid_in_two_vdevs_and_in_one() -> None:
    two = plan(alike(12), Policy("draid", 2, draid_data=8, draid_spares=1))
    assert [vdev.keyword for vdev in two.vdevs] == ["draid2:8d:12c:1s"] * 2
    assert two.survives_drives == 2
    assert [{m.index for m in vdev.members} for vdev in two.vdevs] == [{0}, {1}]
    one = plan(alike(12), Policy("draid", 2, width=24, draid_data=8, draid_spares=1, siblings=True))
    assert [vdev.keyword for vdev in one.vdevs] == ["draid2:8d:24c:1s"]
    assert one.survives_drives == 1


def test_mirrors_are_paired() -> None:
    layout = plan(alike(4), Policy("mirror", width=2))
    assert [[m.name for m in vdev.members] for vdev in layout.vdevs] == [
        ["bay00.0", "bay01.0"],
        ["bay00.1", "bay01.1"],
        ["bay02.0", "bay03.0"],
        ["bay02.1", "bay03.1"],
    ]


@pytest.mark.parametrize(("prefer", "width"), [("capacity", 12), ("safety", 6), ("throughput", 4)])
def test_the_width_follows_the_preference(prefer: str, width: int) -> None:
    assert plan(alike(12), Policy("raidz", 2, prefer=prefer)).vdevs[0].width == width


def test_sizes_that_differ_meet_in_vdevs_of_their_own() -> None:
    layout = plan(drives_of([Spec("", (9, 9))] * 4 + [Spec("", (12, 12))] * 4), Policy("raidz", 1, 4))
    assert [min(m.size for m in vdev.members) // TB for vdev in layout.vdevs] == [9, 9, 12, 12]
    assert layout.proven == ("capacity", "fatal_sets", "spread")
