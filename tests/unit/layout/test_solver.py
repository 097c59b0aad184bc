# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Mid-size instances against OR-Tools CP-SAT: mixed sizes, uneven enclosures, ordinary drives beside.

The long test writes tests/output/layout_solver.json; docs/planner-evidence.md shows the outcome.
"""

from __future__ import annotations

import json
import time
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest

from tests.unit.layout.recount import allowed, value
from tests.unit.layout.solver import random_task, solve
from tests.unit.layout.test_small import laid_out, units_of

OBJECTIVES = ("capacity", "fatal_sets", "spread")
OUTPUT = Path(__file__).resolve().parents[2] / "output" / "layout_solver.json"
INSTANCES = 500
SECONDS = 8.0  # for each objective


def compare(seed: int, seconds: float) -> dict[str, Any]:
    """Ours and the solver's values for one instance; fails on any difference that is not owned up to."""
    task = random_task(seed)
    began = time.perf_counter()
    layout = laid_out(task)
    took = time.perf_counter() - began
    vdevs = units_of(layout)
    assert all(allowed(task, [drive for drive, _index in vdev]) for vdev in vdevs)
    ours = value(task, vdevs)
    proven = layout.proven if layout else OBJECTIVES
    answer = solve(task, seconds)
    for number, name in enumerate(OBJECTIVES[: answer.solved]):
        if ours[number] != answer.values[number]:
            assert name != "capacity", (seed, ours, answer)
            assert name not in proven, (seed, ours, answer)
            break
    for number, bound in enumerate(answer.bounds):
        # Even where the solver did not finish, nothing may beat its bound.
        if ours[:number] == answer.values[:number]:
            assert ours[number] >= bound, (seed, ours, answer)
    return {
        "seed": seed,
        "drives": len(task.specs),
        "width": task.width,
        "parity": task.tolerance,
        "enclosures": task.enclosures,
        "vdevs": len(vdevs),
        "ours": ours,
        "proven": proven,
        "solver": answer.values,
        "bounds": answer.bounds,
        "solved": answer.solved,
        "equal": next((n for n in range(answer.solved) if ours[n] != answer.values[n]), answer.solved),
        "seconds_ours": took,
        "seconds_solver": answer.seconds,
    }


@pytest.mark.parametrize("seed", [2, 5, 7, 8, 10, 14, 16, 17, 18, 22, 23, 24])
def test_same_values_as_the_solver(seed: int) -> None:
    found = compare(seed, 30)
    assert found["equal"] == found["solved"] == 3


@pytest.mark.long
def test_five_hundred_instances() -> None:
    found: list[dict[str, Any]] = []
    seed = 0
    while sum(row["solved"] >= 1 for row in found) < INSTANCES and seed < 2 * INSTANCES:
        found.append(compare(seed, SECONDS))
        seed += 1
        if seed % 25 == 0:
            print(seed, "instances", flush=True)
    summary = summarise(found)
    OUTPUT.parent.mkdir(parents=True, exist_ok=True)
    OUTPUT.write_text(json.dumps({"summary": summary, "instances": found}, indent=1))
    print(json.dumps(summary, indent=1))
    assert summary["capacity"]["solved"] >= INSTANCES
    assert summary["capacity"]["different"] == []


def summarise(found: list[dict[str, Any]]) -> dict[str, Any]:
    """For each objective: how many the solver finished, where ours is equal, and every one where it is not."""
    told: dict[str, Any] = {
        "solver": f"OR-Tools {version('ortools')} CP-SAT",
        "instances": len(found),
        "without_any_vdev": sum(not row["vdevs"] for row in found),
        "seconds_limit_each_objective": SECONDS,
    }
    for number, name in enumerate(OBJECTIVES):
        rows = [row for row in found if row["solved"] > number and row["equal"] >= number]
        told[name] = {
            "solved": len(rows),
            "equal": sum(row["equal"] > number for row in rows),
            "different": [row["seed"] for row in rows if row["equal"] == number],
            "proven_by_us": sum(name in row["proven"] for row in found),
            "solver_ran_out_of_time": [row["seed"] for row in found if row["solved"] == number],
        }
    return told
