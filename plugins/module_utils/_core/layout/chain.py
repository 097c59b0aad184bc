# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""A continuous-time Markov chain with one absorbing end: time to reach it, and chance by a given time.

Plain Python, for managed hosts without numeric libraries. Both computations only add, multiply
and divide numbers that are not negative, so tiny probabilities keep their digits.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, expm1, inf, lgamma, log, log1p, sqrt
from operator import itemgetter, mul
from typing import Callable, Dict, List, Mapping, Optional, Sequence, Set, Tuple

MOST_WORK = 4_000_000  # multiplications; a chain that takes more is not computed
OVERHEAD = 8  # what a state costs beside its multiplications, in multiplications
SETTLED = 1e-13  # relative change of a step's shares from state to state
FASTER = 1.02  # jumps above the fastest state's rate: no state is left at every jump, so nothing swings to and fro
STEPS_BETWEEN = 8  # jumps between two looks whether the shares have settled

Gather = Callable[[Sequence[float]], float]


@dataclass(frozen=True)
class Chain:
    """*rates*[i][j]: from state i to state j, per hour; *ends*[i]: from i to the absorbing end. Starts in state 0.

    *cut*: above 0, states that take more failures at once than that were left out.
    """

    rates: Tuple[Mapping[int, float], ...]
    ends: Tuple[float, ...]
    cut: int = 0

    def mean_hours(self) -> float:
        """Mean time from state 0 to the end; infinite where the end is out of reach.

        State reduction without subtraction (the GTH algorithm): a state is removed by
        handing its transitions, its way to the end and its time to those who lead to it.
        """
        rates: List[Dict[int, float]] = [dict(row) for row in self.rates]
        leads: List[Set[int]] = [set() for _state in rates]
        for state, row in enumerate(rates):
            for target in row:
                leads[target].add(state)
        ends, hours = list(self.ends), [1.0] * len(self.ends)
        for last in range(len(rates) - 1, 0, -1):
            onward = {state: rate for state, rate in rates[last].items() if state < last}
            leaving = sum(onward.values()) + ends[last]
            for state in sorted(leads[last]):
                share = rates[state].get(last, 0.0)
                if state >= last or not share:
                    continue
                if not leaving:
                    return inf
                share /= leaving
                ends[state] += share * ends[last]
                hours[state] += share * hours[last]
                for target, rate in onward.items():
                    if target != state:
                        rates[state][target] = rates[state].get(target, 0.0) + share * rate
                        leads[target].add(state)
        return hours[0] / ends[0] if ends[0] else inf

    def end_by(self, hours: float) -> Optional[float]:
        """Probability that the end is reached within *hours*; None when that takes more than MOST_WORK.

        Uniformization: the chain jumps at one rate in every state, some jumps staying where they
        are, so the number of jumps is Poisson. Once every state's share changes by the same factor from jump to
        jump, it does so for ever, and all further jumps are one closed form.
        """
        leaving = [sum(row.values()) + end for row, end in zip(self.rates, self.ends)]
        pace = FASTER * max(leaving)
        mean = pace * hours
        if not mean:
            return 0.0
        gathers = _gathers(self.rates, leaving, pace)
        ends = [end / pace for end in self.ends]
        jumps = MOST_WORK // (sum(len(row) + OVERHEAD for row in self.rates) + OVERHEAD)
        # The Poisson numbers below *first* have no weight, and those above *last* none either.
        first, last = _bounds(mean)
        shares = [1.0] + [0.0] * (len(ends) - 1)
        ended, total, weights = 0.0, 0.0, 0.0
        for jump in range(min(last, jumps) + 1):
            if jump >= first:
                weight = _weight(jump, mean)
                weights += weight
                total += weight * ended
            going = sum(map(mul, shares, ends))
            after = [gather(shares) for gather in gathers]
            if jump < first and jump % STEPS_BETWEEN == 0:
                left = sum(shares)
                if left < 1e-17 * ended:
                    return ended
                if _settled(shares, after):
                    # Of what is left, the same share ends with every jump.
                    rate = going / left
                    rest = mean * rate + jump * log1p(-rate) if rate < 1 else inf
                    return ended - left * expm1(-rest)
            ended += going
            shares = after
        return total / weights if last <= jumps else None


def _gathers(rates: Sequence[Mapping[int, float]], leaving: Sequence[float], pace: float) -> List[Gather]:
    """For each state, how its share after a jump is added up from the shares before."""
    sources: List[Dict[int, float]] = [{state: 1 - out / pace} for state, out in enumerate(leaving)]
    for state, row in enumerate(rates):
        for target, rate in row.items():
            if target != state:
                sources[target][state] = sources[target].get(state, 0.0) + rate / pace
    return [_gather(tuple(found), tuple(found.values())) for found in sources]


def _gather(states: Tuple[int, ...], chances: Tuple[float, ...]) -> Gather:
    if len(states) == 1:
        (state,), (chance,) = states, chances
        return lambda shares: shares[state] * chance
    pick = itemgetter(*states)
    return lambda shares: sum(map(mul, pick(shares), chances))


def _settled(before: Sequence[float], after: Sequence[float]) -> bool:
    least, most = inf, 0.0
    for was, now in zip(before, after):
        if not was:
            if now:
                return False
            continue
        factor = now / was
        least, most = min(least, factor), max(most, factor)
        if most - least > SETTLED * most:
            return False
    return True


def _bounds(mean: float) -> Tuple[int, int]:
    # Twelve standard deviations and a little: what is left out weighs less than 1e-20.
    spread = 12 * sqrt(mean) + 40
    return max(0, int(mean - spread)), int(mean + spread)


def _weight(count: int, mean: float) -> float:
    """The Poisson probability of *count*."""
    return exp(count * log(mean) - mean - lgamma(count + 1))
