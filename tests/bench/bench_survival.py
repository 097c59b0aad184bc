# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""How long exact survival takes: `python -m tests.bench.bench_survival`, from the repository root.

Pools of 300 two-unit drives (600 units). "Scattered" deals the units out at random, as a pool
built without regard to siblings can end up: the hard case. The promise is sets of 3 in
under a second. Each pool is counted once, with nothing remembered from before.
"""

import random
import sys
import time
from pathlib import Path

import tests.checkout  # noqa: F401  pylint: disable=unused-import
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout import counting
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.margin import margins
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.survival import fatal_sets
from tests.unit.layout.pools import cohort, scattered

LIMIT = 1.0
DRIVES = 300


def pools():
    """Name and vdevs of each pool."""
    for width, parity in (
        (2, 1),
        (4, 1),
        (10, 1),
        (30, 1),
        (50, 1),
        (6, 2),
        (10, 2),
        (12, 2),
        (12, 3),
        (30, 3),
        (60, 3),
        (300, 3),
    ):
        name = "scattered, {0} wide, parity {1}".format(width, parity)
        yield name, scattered(random.Random(width * 10 + parity), DRIVES, width, parity)
    cohorts = (cohort(10, 2, first=first) for first in range(0, DRIVES, 10))
    yield "30 cohorts, 10 wide, parity 2", sum(cohorts, ())


def forget():
    """Empties what the counting remembers, so that every run starts cold."""
    for cached in (counting._knot_polynomial, counting._loads, counting._order, counting._phi):
        cached.cache_clear()


def seconds(call):
    """Processor time of one call: a busy machine does not change it much."""
    start = time.process_time()
    call()
    return time.process_time() - start


def main():
    """Prints one line for each pool; 1 when a set of 3 took longer than promised."""
    worst = 0.0
    print("{0:32} {1:>9} {2:>9} {3:>9}   seconds".format("600 units", "f = 2", "f = 3", "margins"))
    for name, states in pools():
        spent = []
        for size in (2, 3):
            forget()
            spent.append(seconds(lambda states=states, size=size: fatal_sets(states, size)))
        spent.append(seconds(lambda states=states: margins(states)))
        worst = max(worst, spent[1])
        print("{0:32} {1:9.4f} {2:9.4f} {3:9.4f}".format(name, *spent))
    print("worst f = 3: {0:.3f} s; promised: {1} s".format(worst, LIMIT))
    return int(worst > LIMIT)


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    sys.exit(main())
