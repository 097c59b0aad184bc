# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""A continuous-time Markov chain with one absorbing end: time to reach it, and chance by a given time.

Plain Python, for managed hosts without numeric libraries. Both computations only add, multiply
and divide numbers that are not negative, so tiny probabilities keep their digits.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, exp, log2
from typing import Dict, List, Mapping, Tuple

TERMS = 30
Matrix = List[List[float]]


@dataclass(frozen=True)
class Chain:
    """*rates*[i][j]: from state i to state j, per hour; *ends*[i]: from i to the absorbing end. Starts in state 0."""

    rates: Tuple[Mapping[int, float], ...]
    ends: Tuple[float, ...]

    def mean_hours(self) -> float:
        """Mean time from state 0 to the end; infinite where the end is out of reach.

        State reduction without subtraction (the GTH algorithm): a state is removed by
        handing its transitions, its way to the end and its time to those who lead to it.
        """
        rates: List[Dict[int, float]] = [dict(row) for row in self.rates]
        ends, hours = list(self.ends), [1.0] * len(self.ends)
        for last in range(len(rates) - 1, 0, -1):
            onward = {state: rate for state, rate in rates[last].items() if state < last}
            leaving = sum(onward.values()) + ends[last]
            for state in range(last):
                share = rates[state].get(last, 0.0)
                if not share:
                    continue
                if not leaving:
                    return float("inf")
                share /= leaving
                ends[state] += share * ends[last]
                hours[state] += share * hours[last]
                for target, rate in onward.items():
                    if target != state:
                        rates[state][target] = rates[state].get(target, 0.0) + share * rate
        return hours[0] / ends[0] if ends[0] else float("inf")

    def end_by(self, hours: float) -> float:
        """Probability that the end is reached within *hours*.

        The matrix exponential of the uniformized chain over a short step, then squared
        up to *hours*; all entries are probabilities.
        """
        size = len(self.ends) + 1
        leaving = [sum(row.values()) + end for row, end in zip(self.rates, self.ends)]
        fastest = max(leaving)
        if fastest * hours == 0:
            return 0.0
        doublings = max(0, ceil(log2(fastest * hours)))
        jump: Matrix = [[0.0] * size for _state in range(size)]
        jump[-1][-1] = 1.0
        for state, row in enumerate(self.rates):
            for target, rate in row.items():
                jump[state][target] += rate / fastest
            jump[state][-1] = self.ends[state] / fastest
            jump[state][state] += 1 - leaving[state] / fastest
        step = _poisson_mix(jump, fastest * hours / 2**doublings)
        for _doubling in range(doublings):
            step = _product(step, step)
        return step[0][-1]


def _poisson_mix(jump: Matrix, mean: float) -> Matrix:
    """The sum over k of Poisson(k; mean) jump^k, for mean <= 1."""
    size = len(jump)
    power: Matrix = [[float(row == column) for column in range(size)] for row in range(size)]
    weight = exp(-mean)
    total = [[weight * value for value in row] for row in power]
    # The first k that reaches the end counts first: with the end five jumps off, 25 more terms
    # are below 1 / 25! of it.
    for count in range(1, TERMS + 1):
        power = _product(jump, power)  # jump is sparse, and _product passes over zeros on its left
        weight *= mean / count
        for row, more in zip(total, power):
            for column, value in enumerate(more):
                row[column] += weight * value
    return total


def _product(left: Matrix, right: Matrix) -> Matrix:
    size = len(right)
    found: Matrix = []
    for row in left:
        made = [0.0] * size
        for value, other in zip(row, right):
            if value:
                for column, factor in enumerate(other):
                    made[column] += value * factor
        found.append(made)
    return found
