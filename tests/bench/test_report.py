# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""A report of 1,000 hosts stays within its limits of time and memory."""

import statistics

import pytest

from tests.bench.bench_report import HOSTS, MEMORY_LIMIT, SECONDS_LIMIT, measure, told


@pytest.mark.bench
def test_a_thousand_hosts() -> None:
    costs = measure()
    print(told(costs))
    assert {(one.hosts, one.pages) for one in costs} == {(HOSTS, HOSTS + 1)}
    assert statistics.median(one.wall for one in costs) < SECONDS_LIMIT
    assert max(one.megabytes for one in costs) < MEMORY_LIMIT
