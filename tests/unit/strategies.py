# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Hypothesis strategies for drives, chassis and policies, for all tests.

A chassis is described by a list of `Spec`; `drives_of` turns it into the drives that the
library takes. Sizes are in terabytes of 10^12 bytes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.policy import Policy, Survive
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Bay, Drive, Unit

TB = 10**12


@dataclass(frozen=True)
class Spec:
    """One drive: its enclosure, and the sizes of its units in TB by index."""

    enclosure: str = ""
    sizes: tuple[int, ...] = (9, 9)


def drive(number: int, spec: Spec, slot: int | None = None, adapter: str = "") -> Drive:
    """The drive in bay *slot* (*number* when None) with serial ACS<number>."""
    return Drive(
        key=f"naa.{number:016x}",
        serial=f"ACS{number:05d}",
        units=tuple(
            Unit(index, wwn=f"naa.{number:012x}{index:04x}", size=size * TB) for index, size in enumerate(spec.sizes)
        ),
        vendor="ACTWO",
        model="ACTW-D9",
        bay=Bay(spec.enclosure, number if slot is None else slot),
        bay_source="declared",
        adapter=adapter,
        expected_units=len(spec.sizes),
    )


def drives_of(specs: Sequence[Spec]) -> tuple[Drive, ...]:
    """A drive for each spec, in bays counted from 0 within each enclosure."""
    slots: dict[str, int] = {}
    found = []
    for number, spec in enumerate(specs):
        slot = slots.get(spec.enclosure, 0)
        slots[spec.enclosure] = slot + 1
        found.append(drive(number, spec, slot))
    return tuple(found)


def alike(count: int, enclosures: Sequence[str] = ("",), sizes: tuple[int, ...] = (9, 9)) -> tuple[Drive, ...]:
    """*count* alike drives, dealt over *enclosures*."""
    return drives_of([Spec(enclosures[number % len(enclosures)], sizes) for number in range(count)])


def specs(enclosures: int = 3) -> st.SearchStrategy[Spec]:
    """Two-unit drives mostly; ordinary ones, drives with one live unit and unequal units beside them."""
    names = st.sampled_from([""] if enclosures == 1 else ["east", "north", "south", "west"][:enclosures])
    sizes = st.sampled_from([(9, 9), (9, 9), (9, 9), (12, 12), (12, 12), (18,), (9,), (12, 9)])
    return st.builds(Spec, names, sizes)


def chassis(least: int = 3, most: int = 14) -> st.SearchStrategy[tuple[Spec, ...]]:
    """The drives of one server, mixed as people have them."""
    mixed = st.integers(1, 4).flatmap(lambda n: st.lists(specs(n), min_size=least, max_size=most))
    same = st.builds(
        lambda many, names: [Spec(names[number % len(names)]) for number in range(many)],
        st.integers(least, most),
        st.sampled_from([("",), ("east", "west"), ("east", "north", "west")]),
    )
    return st.one_of(same, mixed).map(tuple)


def policies() -> st.SearchStrategy[Policy]:
    """Policies of all kinds; not every one can be kept by every chassis."""

    def make(kind: str, parity: int, width: int, spares: int, drives: int, enclosures: int, prefer: str) -> Policy:
        least = 2 if kind == "mirror" else parity + 1
        most = 4 if kind == "mirror" else least + 6
        return Policy(
            kind=kind,
            parity=parity,
            width=0 if not width else min(most, max(least, width)),
            spares=spares,
            survive=Survive(drives, enclosures),
            prefer=prefer,
        )

    return st.builds(
        make,
        st.sampled_from(["raidz", "raidz", "mirror", "draid"]),
        st.integers(1, 3),
        st.sampled_from([0, 0, 2, 3, 4, 5, 6, 7, 8]),
        st.sampled_from([0, 0, 0, 1, 2]),
        st.integers(0, 1),
        st.sampled_from([0, 0, 0, 1, 2]),
        st.sampled_from(["capacity", "safety", "throughput"]),
    )
