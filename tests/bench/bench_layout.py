# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""How fast the assignment is: alone, as it grows, and beside OR-Tools CP-SAT on the same instances.

Writes tests/output/bench_layout.json. Times are medians, in seconds of processor time (of all
threads), so that what else the machine does is not counted.
"""

from __future__ import annotations

import gc
import json
import platform
from collections.abc import Callable, Sequence
from functools import partial
from math import log
from pathlib import Path
from statistics import median
from time import process_time
from typing import Any

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import PromiseError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.assign import plan
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.policy import Policy, Survive
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Drive
from tests.unit.layout.recount import value
from tests.unit.layout.solver import random_task, solve
from tests.unit.layout.test_small import laid_out, units_of
from tests.unit.strategies import Spec, alike, drives_of

OUTPUT = Path(__file__).resolve().parents[1] / "output" / "bench_layout.json"
RESULT: dict[str, Any] = {"python": platform.python_version(), "machine": platform.machine()}
SOLVER_INSTANCES = 9
SOLVER_SECONDS = 300.0
SOLVER_WORK = 5.0  # deterministic time for each objective; a run that hits it counts as that fast

pytestmark = pytest.mark.bench


def timed(work: Callable[[], object], runs: int = 7) -> float:
    found: list[float] = []
    while len(found) < runs:
        began = process_time()
        work()
        found.append(process_time() - began)
    return median(found)


def record(name: str, result: object) -> None:
    RESULT[name] = result
    OUTPUT.parent.mkdir(parents=True, exist_ok=True)
    OUTPUT.write_text(json.dumps(RESULT, indent=1))
    print(f"\n{name}: {json.dumps(result)}")


def enclosures(count: int) -> list[str]:
    return [f"e{number:02d}" for number in range(count)]


def fifty_enclosures_mixed() -> Sequence[Drive]:
    """1,000 drives of three sizes, ordinary ones among them, in 50 uneven enclosures."""
    kinds = [(9, 9), (9, 9), (9, 9), (12, 12), (18,)]
    return drives_of([Spec(f"e{(n * n) % 50:02d}", kinds[n * 7 % 5]) for n in range(1000)])


@pytest.mark.parametrize(
    ("name", "drives", "policy", "limit"),
    [
        ("24 drives", alike(24), Policy("raidz", 2, 12), 0.010),
        ("24 drives, width chosen", alike(24), Policy("raidz", 2), 0.050),
        ("25 drives in a ring of three", alike(25), Policy("raidz", 2, 10), 0.010),
        (
            "1,000 drives in 50 enclosures",
            alike(1000, enclosures(50)),
            Policy("raidz", 2, 10, survive=Survive(2, 2)),
            1.0,
        ),
        (
            "1,007 drives in 50 enclosures, not even",
            alike(1007, enclosures(50)),
            Policy("raidz", 2, 10, survive=Survive(2, 1)),
            1.0,
        ),
        ("10,000 alike drives", alike(10000, enclosures(4)), Policy("raidz", 2, 10), 5.0),
    ],
)
def test_one_plan(name: str, drives: Sequence[Drive], policy: Policy, limit: float) -> None:
    seconds = timed(lambda: plan(drives, policy))
    record(name, {"seconds": seconds, "limit": limit})
    assert seconds < limit


def test_a_thousand_mixed_drives() -> None:
    drives = fifty_enclosures_mixed()
    layout = plan(drives, Policy("raidz", 2, 10, survive=Survive(2, 1)))
    seconds = timed(lambda: plan(drives, Policy("raidz", 2, 10, survive=Survive(2, 1))), runs=3)
    record("1,000 mixed drives in 50 uneven enclosures", {"seconds": seconds, "limit": 1.0, "proven": layout.proven})
    assert {"capacity", "fatal_sets"} <= set(layout.proven)
    assert seconds < 1.0


def test_growth_is_no_worse_than_n_log_n() -> None:
    """With the garbage collector off, as the timeit module does: its full passes come in steps of their own."""
    counts = [1250, 2500, 5000, 10000]
    policy = Policy("raidz", 2, 10)
    seconds = {}
    gc.disable()
    try:
        for count in counts:
            drives = alike(count, enclosures(4))
            seconds[count] = timed(partial(plan, drives, policy))
    finally:
        gc.enable()
    first, last = counts[0], counts[-1]
    growth = seconds[last] / seconds[first]
    wanted = last * log(last) / (first * log(first))
    record("growth", {"seconds": seconds, "growth": growth, "n log n": wanted})
    # A quarter more for what the machine does beside.
    assert growth < 1.25 * wanted


def test_a_hundred_times_faster_than_the_solver() -> None:
    """Same instances, same three objectives, one run; the solver with two workers, cut off after a while."""
    rows: list[dict[str, Any]] = []
    seed = 1000
    while len(rows) < SOLVER_INSTANCES:
        seed += 1
        task = random_task(seed, 16, 24)
        try:
            layout = laid_out(task)
        except PromiseError:
            continue
        if layout is None or len(layout.vdevs) < 3:
            continue
        ours = timed(partial(laid_out, task), runs=3)
        began = process_time()
        answer = solve(task, SOLVER_SECONDS, work=SOLVER_WORK)
        theirs = process_time() - began
        found = value(task, units_of(layout))
        assert found[0] == answer.values[0]
        rows.append(
            {
                "seed": seed,
                "drives": len(task.specs),
                "vdevs": len(layout.vdevs),
                "ours": ours,
                "solver": theirs,
                "solver_by_the_clock": answer.seconds,
                "solved": answer.solved,
                "values": found,
                "solver_values": answer.values,
                "ratio": theirs / ours,
            }
        )
        print(rows[-1], flush=True)
    ratio = median(row["solver"] for row in rows) / median(row["ours"] for row in rows)
    record(
        "beside the solver", {"ratio of medians": ratio, "median ratio": median(r["ratio"] for r in rows), "rows": rows}
    )
    assert ratio >= 100
