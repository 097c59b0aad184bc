# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Layouts of every kind that the planner returns, on the drives of one chassis (pure but for the planner's own work).

`kinds` asks the planner for every combination of policy and set of drives, and keeps one layout of each shape: kind
and parity of its vdevs, how many units of a drive one holds, whether one holds two sizes or ranges, whether there are
spare drives, and whether vdevs share their drives as cohorts, in a chain or in a ring. Width and number do not count.
"""

from __future__ import annotations

import itertools
import random
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import CoreError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.report import report

MIB = 1 << 20
# OpenZFS takes devices of one vdev for alike within this (ZPOOL_FUZZ in its cmd/zpool/zpool_vdev.c).
ALIKE = 16 * MIB
# Which bays each set of drives takes, in the chassis that test_every_layout.py makes.
SETS: Mapping[str, tuple[int, ...]] = {
    "six of two units": (0, 1, 2, 3, 4, 5),
    "three of two units": (0, 1, 2),
    "five of two units": (0, 1, 2, 3, 4),
    "two units, two sizes": (0, 1, 2, 3, 6, 7, 8),
    "one large of two units": (0, 1, 2, 6),
    "six of one unit": (9, 10, 11, 12, 13, 14),
    "one unit, two sizes": (9, 10, 11, 12, 15, 16),
    "four of three units": (17, 18, 19, 20),
    "one, two and three units": (0, 1, 9, 10, 17, 18),
    "one, two and three units, two sizes": (0, 1, 6, 9, 15, 17, 18, 19),
    "ranges": (30, 31, 32, 33),
    "ranges and logical units": (0, 1, 30, 31),
    "small ranges and logical units": (0, 1, 34, 35),
}


@dataclass(frozen=True)
class Case:
    """A layout to make: what was asked of which drives, and what the planner says of it."""

    drives: str
    policy: Mapping[str, Any]
    layout: dict[str, Any]
    capacity: dict[str, Any]
    shape: str

    @property
    def name(self) -> str:
        asked = ", ".join(f"{key} {value}" for key, value in self.policy.items() if key != "survive")
        return f"{self.drives}: {asked}"


def policies() -> Iterator[dict[str, Any]]:
    """Every combination of what a policy says, short of numbers that only make a vdev longer."""
    common = itertools.product((0, 1), (False, True), ("separate", "allow"), (0, 1))
    for spares, siblings, mixed, survive in common:
        both = {"spares": spares, "siblings": siblings, "mixed_sizes": mixed, "survive": {"drives": survive}}
        for parity, wider in itertools.product((1, 2, 3), (0, 1, 2)):
            width = {"width": parity + 1 + wider} if wider else {}
            yield {"kind": "raidz", "parity": parity, **width, **both}
        for copies in (2, 3, 4):
            yield {"kind": "mirror", "width": copies, **both}
        for parity, (data, distributed) in itertools.product((1, 2, 3), ((1, 0), (2, 1), (4, 0))):
            yield {"kind": "draid", "parity": parity, "draid": {"data": data, "spares": distributed}, **both}


def kinds(found: Sequence[dict[str, Any]]) -> list[Case]:
    """One layout of each shape, in a fixed order. *found* are the chassis's drives as drive_info returns them."""
    by_bay = {one["bay"]["slot"]: one for one in found if one["bay"]}
    cases: dict[str, Case] = {}
    for name, bays in SETS.items():
        drives = [by_bay[bay] for bay in bays if bay in by_bay]
        if len(drives) < len(bays):
            continue
        for policy in policies():
            try:
                made = report({"drives": drives, "policy": policy, "compare": False})
            except CoreError:  # no such layout of these drives
                continue
            shape = describe(made["layout"])
            cases.setdefault(shape, Case(name, policy, made["layout"], made["capacity"], shape))
    return list(cases.values())


def describe(layout: dict[str, Any]) -> str:
    """What makes a layout one of its kind."""
    vdevs = layout["vdevs"]
    told = sorted({_vdev(vdev) for vdev in vdevs})
    told += ["spare drives"] if layout["spares"] else []
    return "; ".join([*told, _sharing(vdevs)])


def unlike(vdev: dict[str, Any]) -> bool:
    """Whether a vdev's members differ by more than OpenZFS takes for alike."""
    sizes = [one["size"] for one in vdev["members"]]
    return max(sizes) - min(sizes) > ALIKE


def _vdev(vdev: dict[str, Any]) -> str:
    members = vdev["members"]
    most = max(Counter(one["serial"] for one in members).values())
    shape = f"{vdev['kind']}{vdev['parity']}"
    if vdev["kind"] == "draid":
        shape += f":{vdev['data']}d:{vdev['spares']}s"
    units = {one["unit_kind"] for one in members}
    return " ".join(filter(None, (
        shape,
        f"{most} units of a drive" if most > 1 else "",
        "two sizes" if unlike(vdev) else "",
        "of ranges" if units == {"range"} else "ranges among others" if "range" in units else "",
    )))  # fmt: skip


def _sharing(vdevs: Sequence[dict[str, Any]]) -> str:
    """How vdevs share drives: as cohorts (the same drives throughout), or in a chain or ring of unlike sets."""
    sets = [frozenset(one["serial"] for one in vdev["members"]) for vdev in vdevs]
    links = sum(1 for one, other in itertools.combinations(sets, 2) if one != other and one & other)
    if not links:
        return "cohorts" if len(set(sets)) < len(sets) else "apart"
    return "ring or richer" if links >= len(set(sets)) else "chain"


def some(cases: Sequence[Case], count: int, seed: int) -> list[Case]:
    """A seeded choice in which every kind of vdev comes before any comes twice."""
    order = random.Random(seed)
    groups: dict[tuple[Any, ...], list[Case]] = {}
    for case in cases:
        vdev = case.layout["vdevs"][0]
        mixed = any(unlike(one) for one in case.layout["vdevs"])
        groups.setdefault((vdev["kind"], vdev["parity"], mixed), []).append(case)
    for group in groups.values():
        order.shuffle(group)
    turns = [case for row in itertools.zip_longest(*groups.values()) for case in row if case is not None]
    return turns[:count]
