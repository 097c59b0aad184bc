# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Every small instance against an exhaustive search: same capacity, fatal sets and spread."""

from __future__ import annotations

import random
from collections.abc import Iterator
from itertools import combinations_with_replacement

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import PromiseError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.assign import plan
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.policy import Policy, Survive
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Layout
from tests.unit.layout.recount import Task, Unit, allowed, exhaustive, value
from tests.unit.strategies import Spec, drives_of

NAMES = ("a", "b", "c", "d", "e", "f", "g")


def laid_out(task: Task) -> Layout | None:
    """The library's layout; None when it says that no vdev can be filled."""
    policy = Policy("raidz", task.tolerance, task.width, survive=Survive(0, task.enclosures), mixed_sizes=True)
    try:
        return plan(drives_of(task.specs), policy)
    except PromiseError:
        return None


def units_of(layout: Layout | None) -> list[list[Unit]]:
    vdevs = layout.vdevs if layout else ()
    return [[(int(member.serial[3:]), member.index) for member in vdev.members] for vdev in vdevs]


def check(task: Task) -> None:
    layout = laid_out(task)
    vdevs = units_of(layout)
    units = [unit for vdev in vdevs for unit in vdev]
    assert len(units) == len(set(units))
    assert all(len(vdev) == task.width and allowed(task, [drive for drive, _index in vdev]) for vdev in vdevs)
    assert value(task, vdevs) == exhaustive(task), (task, layout)


def shapes(drives: int) -> Iterator[tuple[int, int]]:
    """All widths and parities."""
    for width in range(2, drives + 1):
        for parity in range(1, min(3, width - 1) + 1):
            yield width, parity


def partitions(total: int, most: int | None = None) -> Iterator[tuple[int, ...]]:
    if not total:
        yield ()
    for part in range(min(total, most or total), 0, -1):
        for rest in partitions(total - part, part):
            yield (part, *rest)


@pytest.mark.parametrize("drives", [2, 3, 4, 5, 6, pytest.param(7, marks=pytest.mark.long)])
def test_alike_drives_in_every_division_over_enclosures(drives: int) -> None:
    for parts in partitions(drives):
        check_alike(parts)


@pytest.mark.parametrize("parts", [(7,), (4, 3), (3, 2, 2)])
def test_seven_alike_drives(parts: tuple[int, ...]) -> None:
    check_alike(parts)


def check_alike(parts: tuple[int, ...]) -> None:
    specs = tuple(Spec(NAMES[home]) for home, many in enumerate(parts) for dummy in range(many))
    for width, parity in shapes(sum(parts)):
        for enclosures in range(min(parity, len(parts) - 1) + 1):
            check(Task(specs, width, parity, enclosures))


KINDS = ((9, 9), (12, 12), (9,), (18,))


@pytest.mark.parametrize("drives", range(2, 6))
def test_mixed_drives_in_one_enclosure(drives: int) -> None:
    for kinds in combinations_with_replacement(KINDS, drives):
        for width, parity in shapes(drives):
            check(Task(tuple(Spec("", sizes) for sizes in kinds), width, parity))


def test_mixed_drives_in_several_enclosures_sampled() -> None:
    pick = random.Random(3)
    for dummy in range(300):
        drives = pick.randint(4, 7)
        homes = NAMES[: pick.randint(2, 4)]
        specs = tuple(Spec(pick.choice(homes), pick.choice(KINDS[: pick.randint(1, 4)])) for dummy in range(drives))
        width, parity = pick.choice(list(shapes(drives)))
        enclosures = pick.randint(0, min(parity, len({spec.enclosure for spec in specs}) - 1))
        check(Task(specs, width, parity, enclosures))
