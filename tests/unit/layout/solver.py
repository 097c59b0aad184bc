# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The assignment as a constraint model for OR-Tools CP-SAT, written from the wording of the promises.

One variable for each vdev and unit. The three objectives are solved one after another, each
with the ones before it fixed at their best value.
"""

from __future__ import annotations

import random
import time
from dataclasses import dataclass
from itertools import combinations, pairwise
from math import comb

from ortools.sat.python import cp_model

from tests.unit.layout.recount import Task
from tests.unit.strategies import Spec

NAMES = ("east", "north", "south", "west")
KINDS = ((9, 9), (12, 12), (10, 10), (9,), (18,), (12, 9))


@dataclass(frozen=True)
class Answer:
    """For each objective the solver's value and its bound (equal when proven), and the seconds it took."""

    values: tuple[int, ...]
    bounds: tuple[int, ...]
    seconds: float

    @property
    def solved(self) -> int:
        """How many objectives, in order, are proven."""
        pairs = zip(self.values, self.bounds, strict=True)
        return next((n for n, (value, bound) in enumerate(pairs) if value != bound), len(self.values))


def random_task(seed: int, least: int = 8, most: int = 14) -> Task:
    """A mid-size instance: mixed sizes, uneven enclosures, ordinary and one-live-unit drives."""
    pick = random.Random(seed)
    homes = NAMES[: pick.randint(2, 4)]
    kinds = pick.sample(KINDS, pick.randint(2, 4))
    weights = [pick.randint(1, 4) for dummy in homes]
    many = pick.randint(least, most)
    specs = tuple(Spec(pick.choices(homes, weights)[0], pick.choice(kinds)) for dummy in range(many))
    tolerance = pick.randint(1, 3)
    width = pick.randint(tolerance + 1, min(8, many - 1))
    return Task(specs, width, tolerance, pick.choice([0, *(m for m in (1, 2) if _may_do(specs, width, tolerance, m))]))


def _may_do(specs: tuple[Spec, ...], width: int, tolerance: int, enclosures: int) -> bool:
    # A rough sieve, so that most instances can keep their promise: a fair share from each enclosure.
    homes = [sum(spec.enclosure == name for spec in specs) for name in NAMES]
    return sum(min(many, tolerance // enclosures) for many in homes) >= width


class Model:
    """The variables and constraints of a task."""

    def __init__(self, task: Task) -> None:
        self.task = task
        self.model = cp_model.CpModel()
        self.sizes = sorted({size for spec in task.specs for size in spec.sizes}, reverse=True)
        units = [(drive, index) for drive, spec in enumerate(task.specs) for index in range(len(spec.sizes))]
        self.vdevs = range(len(units) // task.width)
        bit = self.model.new_bool_var
        self.member = {(v, d, i): bit(f"x{v},{d},{i}") for v in self.vdevs for d, i in units}
        self.level = {(v, size): bit(f"z{v},{size}") for v in self.vdevs for size in self.sizes}
        self.holds = {
            (v, d): sum(self.member[v, d, i] for i in range(len(spec.sizes)))
            for v in self.vdevs
            for d, spec in enumerate(task.specs)
        }
        self.used = {v: sum(self.level[v, size] for size in self.sizes) for v in self.vdevs}
        for d, i in units:
            self.model.add(sum(self.member[v, d, i] for v in self.vdevs) <= 1)
        for v in self.vdevs:
            self._vdev(v)
        # Vdevs are alike: largest first.
        value = [self._value(v) for v in self.vdevs]
        for before, after in pairwise(value):
            self.model.add(before >= after)

    def _value(self, v: int) -> cp_model.LinearExprT:
        return sum(size * self.level[v, size] for size in self.sizes)

    def _vdev(self, v: int) -> None:
        task = self.task
        self.model.add(self.used[v] <= 1)
        self.model.add(sum(self.holds[v, d] for d in range(len(task.specs))) == task.width * self.used[v])
        for d, spec in enumerate(task.specs):
            self.model.add(self.holds[v, d] <= 1)
            for i, have in enumerate(spec.sizes):
                self.model.add(self.member[v, d, i] <= sum(self.level[v, size] for size in self.sizes if size <= have))
        names = sorted({spec.enclosure for spec in task.specs})
        for gone in combinations(names, min(task.enclosures, len(names))):
            if gone:
                lost = [self.holds[v, d] for d, spec in enumerate(task.specs) if spec.enclosure in gone]
                self.model.add(sum(lost) <= task.tolerance)

    def capacity(self) -> cp_model.LinearExprT:
        """Negative, so that smaller is better."""
        return -sum(self._value(v) for v in self.vdevs)

    def fatal(self) -> cp_model.LinearExprT:
        """Sets of tolerance + 1 drives in some vdev; a drive is in at most two."""
        task, size = self.task, self.task.tolerance + 1
        table = [comb(x, size) for x in range(task.width + 1)]
        shared = []
        for v, w in combinations(self.vdevs, 2):
            both = []
            for d, spec in enumerate(task.specs):
                if len(spec.sizes) > 1:
                    bit = self.model.new_bool_var("")
                    self.model.add(bit <= self.holds[v, d])
                    self.model.add(bit <= self.holds[w, d])
                    self.model.add(bit >= self.holds[v, d] + self.holds[w, d] - 1)
                    both.append(bit)
            many = self.model.new_int_var(0, task.width, "")
            self.model.add(many == sum(both))
            value = self.model.new_int_var(0, table[-1], "")
            self.model.add_element(many, table, value)
            shared.append(value)
        return comb(task.width, size) * sum(self.used.values()) - sum(shared)

    def spread(self) -> cp_model.LinearExprT:
        """Sum of squares of the members of each vdev in each enclosure."""
        table = [x * x for x in range(self.task.width + 1)]
        squares = []
        for v in self.vdevs:
            for name in {spec.enclosure for spec in self.task.specs}:
                held = [self.holds[v, d] for d, spec in enumerate(self.task.specs) if spec.enclosure == name]
                many = self.model.new_int_var(0, self.task.width, "")
                self.model.add(many == sum(held))
                value = self.model.new_int_var(0, table[-1], "")
                self.model.add_element(many, table, value)
                squares.append(value)
        return sum(squares)


def solve(task: Task, seconds: float, objectives: int = 3, workers: int = 2, work: float = 1e9) -> Answer:
    """The solver's answer; each objective gets at most *seconds*, or *work* of the solver's own deterministic time."""
    began = time.perf_counter()
    made = Model(task)
    values: list[int] = []
    bounds: list[int] = []
    for objective in (made.capacity, made.fatal, made.spread)[:objectives]:
        wish = objective()
        made.model.minimize(wish)
        solver = cp_model.CpSolver()
        solver.parameters.max_time_in_seconds = seconds
        solver.parameters.max_deterministic_time = work
        solver.parameters.num_workers = workers
        status = solver.solve(made.model)
        if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            break
        values.append(round(solver.objective_value))
        bounds.append(round(solver.best_objective_bound))
        if status != cp_model.OPTIMAL:
            break
        made.model.clear_hints()
        for variable in (*made.member.values(), *made.level.values()):
            made.model.add_hint(variable, solver.value(variable))
        made.model.add(wish == values[-1])
    return Answer(tuple(values), tuple(bounds), time.perf_counter() - began)
