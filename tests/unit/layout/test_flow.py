# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The flows against SciPy's maximum flow and against plain enumeration."""

from __future__ import annotations

from itertools import product

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import maximum_flow

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.cohorts import water_fill
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.evenness import (
    least_squares,
    squares,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.flow import Network
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.promise import Rule
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.supply import can_fill, most_vdevs

EDGES = st.lists(st.tuples(st.integers(0, 7), st.integers(0, 7), st.integers(0, 12)), max_size=30)


@given(EDGES)
@settings(max_examples=300, deadline=None)
def test_maximum_flow_is_scipys(edges: list[tuple[int, int, int]]) -> None:
    network = Network()
    room = np.zeros((8, 8), dtype=np.int32)
    numbers = []
    for tail, head, capacity in edges:
        if tail != head:
            room[tail, head] += capacity
            numbers.append((tail, head, capacity, network.edge(tail, head, capacity)))
    total = network.maximum(0, 7)
    assert total == maximum_flow(csr_matrix(room), 0, 7).flow_value
    balance = [0] * 8
    for tail, head, capacity, number in numbers:
        assert 0 <= network.used(number) <= capacity
        balance[tail] -= network.used(number)
        balance[head] += network.used(number)
    assert balance == [-total, 0, 0, 0, 0, 0, 0, total]


@given(
    st.dictionaries(
        st.tuples(st.sampled_from("abc"), st.sampled_from([(9,), (9, 9), (12, 12), (12, 9)])),
        st.integers(1, 5),
        min_size=1,
    ),
    st.sampled_from([Rule(3, 1, 3, 0, 1), Rule(4, 2, 2, 0, 1), Rule(4, 3, 1, 1, 1), Rule(3, 2, 1, 0, 1)]),
    st.integers(0, 6),
)
@settings(max_examples=200, deadline=None)
def test_the_closed_form_agrees_with_the_flow(
    stock: dict[tuple[str, tuple[int, ...]], int], rule: Rule, many: int
) -> None:
    """One size through the general network: a second size of no vdevs keeps the closed form out."""
    assert can_fill(stock, rule, [9], [many]) == (most_vdevs(stock, rule, 9) >= many)
    # n vdevs of 12s and m of 9s, where there is nothing but 9s left to ask of the 12s: m + n of 9s.
    if most_vdevs(stock, rule, 12) >= 1 and many:
        assert not can_fill(stock, rule, [12, 9], [1, many]) or most_vdevs(stock, rule, 9) >= many + 1


@given(st.dictionaries(st.sampled_from("abcd"), st.integers(0, 6), min_size=1), st.integers(0, 24))
def test_water_fill_is_the_most_even(room: dict[str, int], total: int) -> None:
    total = min(total, sum(room.values()))
    taken = water_fill(room, total)
    assert sum(taken.values()) == total
    assert all(0 <= taken[name] <= room[name] for name in room)
    best = min(
        sum(many * many for many in ways)
        for ways in product(*(range(most + 1) for most in room.values()))
        if sum(ways) == total
    )
    assert sum(many * many for many in taken.values()) == best


@given(
    st.lists(st.tuples(st.integers(0, 4), st.integers(0, 3)), min_size=2, max_size=3),
    st.tuples(st.integers(1, 2), st.integers(1, 2)),
    st.integers(1, 3),
)
@settings(max_examples=150, deadline=None)
def test_least_squares_against_every_division(rooms: list[tuple[int, int]], vdevs: tuple[int, int], width: int) -> None:
    supply = {str(number): [first, first + more] for number, (first, more) in enumerate(rooms)}
    found = []
    for shares in product(*(range(first + more + 1) for first, more in rooms), repeat=2):
        high, low = shares[: len(rooms)], shares[len(rooms) :]
        if sum(high) != width * vdevs[0] or sum(low) != width * vdevs[1]:
            continue
        if all(h <= room[0] and h + rest <= room[1] for h, rest, room in zip(high, low, supply.values(), strict=True)):
            found.append(sum(squares(h, vdevs[0]) for h in high) + sum(squares(rest, vdevs[1]) for rest in low))
    assert least_squares(supply, vdevs, width, 100) == min(found, default=None)
