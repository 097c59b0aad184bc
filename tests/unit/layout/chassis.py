# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Random chassis with a policy and, in a part of them, a layout that exists: the same seed, the same case.

Small ones have so few units that a brute force can tell what is possible (`brute`); of the
larger ones the layout is recounted (`audit`).
"""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import dataclass, replace

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import InputError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.policy import Policy, Survive
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Bay, Drive
from tests.unit.strategies import Spec, drive

TB = 10**12
MIB = 1 << 20
SMALL_UNITS = 10
NAMES = ("east", "north", "south", "west", "upper", "lower")

# Bytes. Sizes of one set meet in one chassis: alike; near each other, at 16 MiB and about it; a chain of near ones;
# far from each other.
SIZES = (
    (9 * TB,),
    (9 * TB, 12 * TB),
    (5 * TB, 7 * TB),
    (6 * TB, 9 * TB, 18 * TB),
    (9 * TB, 9 * TB - 15 * MIB),
    (9 * TB, 9 * TB - 16 * MIB),
    (9 * TB, 9 * TB - 16 * MIB - 512),
    (9 * TB, 9 * TB - 10 * MIB, 9 * TB - 20 * MIB),
    (9 * TB, 9 * TB - 10 * MIB, 12 * TB),
    (1 * TB, 2 * TB, 4 * TB, 8 * TB),
    (100 * MIB, 120 * MIB, 200 * MIB),
)


@dataclass(frozen=True)
class Part:
    """One drive: its number (serial and slot), enclosure ("" when not named) and units in bytes.

    *bay*: whether it is known where the drive sits.
    """

    number: int
    enclosure: str
    sizes: tuple[int, ...]
    bay: bool = True

    @property
    def drive(self) -> Drive:
        """What the library takes."""
        made = drive(self.number, Spec(self.enclosure, self.sizes))
        units = tuple(replace(unit, size=size) for unit, size in zip(made.units, self.sizes, strict=True))
        return replace(made, units=units, bay=Bay(self.enclosure, self.number) if self.bay else None)


@dataclass(frozen=True)
class Case:
    """An instance. With *first*, a layout exists: that of the drives of those numbers under *before*.

    *parts* are the drives of now, *gone* those of the first ones that are not there any more.
    """

    seed: int
    parts: tuple[Part, ...]
    policy: Policy
    gone: tuple[Part, ...] = ()
    first: frozenset[int] = frozenset()
    before: Policy | None = None

    @property
    def units(self) -> int:
        """How many units there are now."""
        return sum(len(part.sizes) for part in self.parts)

    @property
    def small(self) -> bool:
        """Whether a brute force is quick."""
        return self.units <= SMALL_UNITS

    @property
    def drives(self) -> list[Drive]:
        """The drives of now."""
        return [part.drive for part in self.parts]

    @property
    def first_drives(self) -> list[Drive]:
        """The drives that the existing layout was made of."""
        return [part.drive for part in (*self.parts, *self.gone) if part.number in self.first]

    def without(self, number: int) -> Case:
        """The same with one drive less."""
        return replace(
            self,
            parts=tuple(part for part in self.parts if part.number != number),
            gone=tuple(part for part in self.gone if part.number != number),
            first=self.first - {number},
        )

    def __str__(self) -> str:
        lines = [f"seed {self.seed}", f"policy {told(self.policy)}"]
        lines += [f"  {describe(part)}" for part in self.parts]
        if self.before is not None:
            lines.append(f"placed: drives {sorted(self.first)} under {told(self.before)}")
            lines += [f"  gone: {describe(part)}" for part in self.gone]
        return "\n".join(lines)


def told(policy: Policy) -> str:
    """The policy without what is as by default."""
    plain, default = policy.to_plain(), replace(Policy(), kind=policy.kind).to_plain()
    return str({key: value for key, value in plain.items() if key in ("kind", "parity") or value != default[key]})


def describe(part: Part) -> str:
    """One line for a drive."""
    sizes = ", ".join(amount(size) for size in part.sizes)
    return f"drive {part.number} {part.enclosure or '-' if part.bay else 'no bay'}: {sizes}"


def amount(size: int) -> str:
    """Bytes as TB less MiB, as they are made above."""
    whole = -(-size // TB)
    short = whole * TB - size
    return f"{whole} TB" if not short else f"{whole} TB - {short / MIB:g} MiB" if short < TB // 2 else f"{size} B"


def any_case(seed: int) -> Case:
    """The case of a seed: two of three are small."""
    return small_case(seed) if seed % 3 else large_case(seed)


def small_case(seed: int) -> Case:
    """A case that a brute force can tell."""
    pick = random.Random(seed)
    if pick.random() < 0.1:
        return _shared(pick, seed)
    parts: list[Part] = []
    shapes = _Shapes(pick, most_units=pick.choice((1, 2, 2, 2, 3, 4)))
    wanted = pick.randint(2, 7)
    while len(parts) < wanted:
        part = shapes.part(len(parts))
        if sum(len(other.sizes) for other in (*parts, part)) > SMALL_UNITS:
            break
        parts.append(part)
    return _case(pick, seed, parts, widest=min(6, len(parts) + 1), most_spares=max(1, len(parts) // 2))


def _shared(pick: random.Random, seed: int) -> Case:
    """Units of one drive may share a vdev that survives more than 1 failure."""
    shapes = _Shapes(pick, most_units=pick.choice((2, 2, 3, 4)))
    parts: list[Part] = []
    while sum(len(part.sizes) for part in parts) < SMALL_UNITS - 1:
        parts.append(shapes.part(len(parts)))
    while sum(len(part.sizes) for part in parts) > SMALL_UNITS:
        parts.pop()
    kind = pick.choice(("raidz", "raidz", "draid", "mirror"))
    policy = Policy(
        kind=kind,
        parity=2 if kind == "mirror" else pick.choice((2, 3, 3, 3)),
        width=pick.choice((0, 4)) if kind == "mirror" else pick.choice((0, 4, 5, 6)),
        survive=Survive(pick.choice((1, 2, 2, 2, 3)), pick.choice((0, 0, 0, 1, 2))),
        siblings=True,
        mixed_sizes=pick.random() < 0.5,
    )
    return Case(seed, tuple(parts), policy)


def large_case(seed: int) -> Case:
    """A case of up to 40 drives."""
    pick = random.Random(seed)
    shapes = _Shapes(pick, most_units=pick.choice((1, 2, 2, 2, 2, 3, 4)))
    many = pick.choice((pick.randint(4, 16), pick.randint(8, 24), pick.randint(12, 40)))
    return _case(pick, seed, [shapes.part(number) for number in range(many)], widest=16, most_spares=5)


class _Shapes:
    """What drives one chassis has."""

    def __init__(self, pick: random.Random, most_units: int) -> None:
        self._pick = pick
        homes = pick.choice((1, 1, 1, 2, 3, 4, 6))
        self._homes = list(NAMES[:homes]) if homes > 1 or pick.random() < 0.3 else [""]
        if homes > 1 and pick.random() < 0.1:
            self._homes[0] = ""
        self._even = pick.random() < 0.5
        self._bays = pick.random() > 0.05
        sizes = pick.choice(SIZES)
        kinds = pick.choice((1, 1, 2, 3))
        self._kinds = []
        for _kind in range(kinds):
            units = most_units if pick.random() < 0.7 else pick.randint(1, most_units)
            within = pick.random() < 0.25
            self._kinds.append(tuple(pick.choices(sizes, k=units)) if within else (pick.choice(sizes),) * units)

    def part(self, number: int) -> Part:
        """The next drive."""
        home = self._homes[number % len(self._homes)] if self._even else self._pick.choice(self._homes)
        return Part(number, home, self._pick.choice(self._kinds), self._bays)


def _case(pick: random.Random, seed: int, parts: list[Part], widest: int, most_spares: int) -> Case:
    homes = len({part.enclosure for part in parts})
    policy = _policy(pick, widest, most_spares, homes, len(parts))
    case = Case(seed, tuple(parts), policy)
    return _placed(pick, case) if pick.random() < 0.3 and len(parts) > 2 else case


def _policy(pick: random.Random, widest: int, most_spares: int, homes: int, drives: int) -> Policy:
    while True:
        kind = pick.choice(("raidz", "raidz", "raidz", "mirror", "mirror", "draid"))
        plain: dict[str, object] = {
            "kind": kind,
            "width": pick.choice((0, 0, pick.randint(2, max(2, widest)))),
            "spares": pick.choice((0, 0, 0, 1, pick.randint(0, most_spares), min(5, pick.randint(0, drives)))),
            "survive": {"drives": pick.choice((0, 1, 1, 1, 2, 3)), "enclosures": _enclosures(pick, homes)},
            "prefer": pick.choice(("capacity", "capacity", "safety", "throughput")),
            "siblings": pick.random() < 0.35,
            "mixed_sizes": pick.choice(("separate", "separate", "allow")),
        }
        if kind != "mirror":
            plain["parity"] = pick.choice((1, 1, 2, 2, 3))
        if kind == "draid":
            plain["draid"] = {"data": pick.choice((0, 0, 1, 2, 4)), "spares": pick.choice((0, 0, 1, 2))}
        try:
            policy = Policy.from_plain(plain)
        except InputError:
            continue
        # What is refused at sight comes seldom.
        if pick.random() < 0.1 or (_may_do(policy) and policy.spares < drives):
            return policy


def _may_do(policy: Policy) -> bool:
    parity = (policy.width or 4) - 1 if policy.kind == "mirror" else policy.parity
    return max(policy.survive.drives, policy.survive.enclosures) <= parity


def _enclosures(pick: random.Random, homes: int) -> int:
    return pick.choice((0, 0, 0, 1, 1, 2, 3)) if homes > 1 else int(pick.random() < 0.03)


def _placed(pick: random.Random, case: Case) -> Case:
    """A part of the drives was there first, some of these are gone, and the policy says no more than it has to."""
    numbers = [part.number for part in case.parts]
    first = frozenset(pick.sample(numbers, pick.randint(len(numbers) // 2 + 1, len(numbers))))
    gone = frozenset(pick.sample(sorted(first), min(len(first) - 1, pick.choice((0, 0, 1, 1, 2)))))
    now = case.policy
    if pick.random() < 0.5:
        now = replace(now, width=0)
    if pick.random() < 0.5:
        now = replace(now, draid_data=0, draid_spares=Policy().draid_spares)
    if pick.random() < 0.3:
        now = replace(now, spares=pick.randint(0, 3))
    if pick.random() < 0.2:
        now = replace(now, survive=Survive(pick.randint(0, 3), pick.randint(0, 2)))
    return Case(
        case.seed,
        _of(case.parts, frozenset(numbers) - gone),
        now,
        _of(case.parts, gone),
        first,
        case.policy,
    )


def _of(parts: Iterable[Part], numbers: frozenset[int]) -> tuple[Part, ...]:
    return tuple(part for part in parts if part.number in numbers)
