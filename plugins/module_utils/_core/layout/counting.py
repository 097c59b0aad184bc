# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""How many k-sets of parts can fail without any vdev losing more members than its limit: an exact count.

A *part* (drive, enclosure or unit) is a mapping from vdev number to how many members it
holds there; *limits* gives for each vdev how many members it can lose. The answer is a
polynomial: coefficient k is the number of k-sets of parts that are survived.

Parts alike are counted together, vdevs with the same members become one, and parts that
share no vdev, directly or through others, are multiplied as polynomials: for a cohort layout
that is the closed form already (`cohort_polynomial`). A tangled rest is either enumerated,
or expanded over connected sets of vdevs. Let z(S) be the survivor polynomial when only the
vdevs in S have limits, divided by (1+t)^parts. For S without shared parts log z is a sum over
the pieces, so log z(V) is the sum of phi(S) over connected S, where phi(S) is log z(S) less the
phi of its proper connected subsets (Moebius inversion; the linked-cluster expansion of
statistical physics). phi(S) starts with the power t^order(S), order(S) being the fewest losses
that overload all of S piece by piece, and grows with S: sets beyond the degree asked for,
and all their supersets, add nothing. All arithmetic is in integers and fractions.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from fractions import Fraction
from functools import lru_cache
from itertools import combinations
from math import comb, prod
from typing import Dict, FrozenSet, Iterator, List, Mapping, Sequence, Set, Tuple

from ..errors import InputError

Signature = Tuple[Tuple[int, int], ...]  # (vdev, members held there), by vdev
Kinds = Tuple[Tuple[Signature, int], ...]  # parts alike, and how many
Knot = Tuple[Tuple[int, ...], Kinds]  # limits, and the parts that share them
Poly = Tuple[int, ...]

ENUMERATE_BELOW = 3000  # ways to choose; above, the expansion is quicker
SPREAD = 6  # vdevs that one part is in
WORK = 5_000_000


def cohort_polynomial(width: int, parity: int, cohorts: int, degree: int) -> List[int]:
    """Survived k-sets of drives, k = 0..degree, for *cohorts* cohorts of *width* drives: the closed form.

    The coefficients of (sum over j <= parity of C(width, j) x^j) ^ cohorts.
    """
    one = [comb(width, lost) if lost <= parity else 0 for lost in range(degree + 1)]
    total = [1] + [0] * degree
    for _number in range(cohorts):
        total = _times(total, one, degree)
    return total


def survivor_polynomial(
    parts: Sequence[Mapping[int, int]], limits: Sequence[int], degree: int, work: int = WORK
) -> List[int]:
    """Survived k-sets of *parts* for k = 0..degree; see the module for the shape.

    A negative limit is a vdev lost already: nothing survives. Raises InputError when a
    tangled pool would take more than *work* steps.
    """
    if any(limit < 0 for limit in limits):
        return [0] * (degree + 1)
    kept = [part for part in parts if all(count <= limits[vdev] for vdev, count in part.items())]
    needed = _binding(kept, limits, degree)
    kinds = Counter(tuple(sorted((v, count) for v, count in part.items() if v in needed and count)) for part in kept)
    harmless = kinds.pop((), 0)
    total = [comb(harmless, size) for size in range(degree + 1)]
    for knot in _knots(kinds, limits):
        total = _times(total, _knot_polynomial(knot, degree, work), degree)
    return total


def _binding(parts: Sequence[Mapping[int, int]], limits: Sequence[int], degree: int) -> Set[int]:
    # The vdevs that *degree* losses can overload, one for each set of vdevs with the same members.
    columns: Dict[int, List[Tuple[int, int]]] = defaultdict(list)
    for number, part in enumerate(parts):
        for vdev, count in part.items():
            if count:
                columns[vdev].append((number, count))
    tightest: Dict[Tuple[Tuple[int, int], ...], int] = {}
    for vdev in sorted(columns, key=lambda v: (limits[v], v)):
        heaviest = sorted((count for _number, count in columns[vdev]), reverse=True)[:degree]
        if sum(heaviest) > limits[vdev]:
            tightest.setdefault(tuple(columns[vdev]), vdev)
    return set(tightest.values())


def _knots(kinds: Mapping[Signature, int], limits: Sequence[int]) -> Iterator[Knot]:
    # Vdevs and kinds that hang together, renumbered from 0 so that alike knots compare equal.
    parent: Dict[int, int] = {}

    def root(vdev: int) -> int:
        parent.setdefault(vdev, vdev)
        while parent[vdev] != vdev:
            parent[vdev] = parent[parent[vdev]]
            vdev = parent[vdev]
        return vdev

    for signature in kinds:
        for vdev, _count in signature:
            parent[root(vdev)] = root(signature[0][0])
    groups: Dict[int, List[Signature]] = defaultdict(list)
    for signature in kinds:
        groups[root(signature[0][0])].append(signature)
    for signatures in groups.values():
        vdevs = sorted({vdev for signature in signatures for vdev, _count in signature})
        yield _restrict(tuple(limits), tuple((signature, kinds[signature]) for signature in signatures), vdevs)


def _restrict(limits: Tuple[int, ...], kinds: Kinds, vdevs: Sequence[int]) -> Knot:
    local = {vdev: number for number, vdev in enumerate(vdevs)}
    merged: Dict[Signature, int] = defaultdict(int)
    for signature, many in kinds:
        inside = tuple(sorted([(local[vdev], count) for vdev, count in signature if vdev in local]))
        if inside:
            merged[inside] += many
    return tuple([limits[vdev] for vdev in vdevs]), tuple(sorted(merged.items()))


@lru_cache(maxsize=4096)
def _knot_polynomial(knot: Knot, degree: int, work: int) -> Poly:
    _limits, kinds = knot
    ways = comb(len(kinds) + degree, degree)
    # Enclosures hold members of most vdevs: then nearly every set of vdevs is connected, and only
    # enumeration is of use; there are few of them.
    spread = max(len(signature) for signature, _many in kinds) > SPREAD
    if ways > ENUMERATE_BELOW and not spread:
        try:
            return _expanded(knot, degree, work)
        except _TooMuchError:
            pass
    if ways > work:
        raise InputError(
            "the vdevs of this pool share drives in too many ways to count its fatal sets of {0}".format(degree),
            subject="size",
            remedy="Ask for smaller sets.",
        )
    return _enumerated(knot, degree)


def _enumerated(knot: Knot, degree: int) -> Poly:
    limits, kinds = knot
    total = [0] * (degree + 1)

    def walk(number: int, loads: Tuple[int, ...], size: int, ways: int) -> None:
        total[size] += ways
        for index in range(number, len(kinds)):
            signature, many = kinds[index]
            after = list(loads)
            for taken in range(1, min(many, degree - size) + 1):
                for vdev, count in signature:
                    after[vdev] += count
                if any(after[vdev] > limits[vdev] for vdev, _count in signature):
                    break
                walk(index + 1, tuple(after), size + taken, ways * comb(many, taken))

    walk(0, (0,) * len(limits), 0, 1)
    return tuple(total)


class _TooMuchError(Exception):
    """The expansion visits more sets of vdevs than allowed."""


def _expanded(knot: Knot, degree: int, work: int) -> Poly:
    # Sets of vdevs that look alike share one phi: count the looks first.
    looks = Counter(_Search(knot, degree, work).looks())
    exponent = [Fraction(0)] * (degree + 1)
    for look, many in looks.items():
        for power, value in enumerate(_phi(look, degree)):
            exponent[power] += many * value
    free = [comb(sum(many for _signature, many in knot[1]), size) for size in range(degree + 1)]
    survived = _times(free, _exp(exponent), degree)
    return tuple(int(value) for value in survived)


class _Search:
    """Finds every connected set of vdevs of order <= degree, each once.

    A set grows only by vdevs above its first one that its last step brought into reach
    (the ESU enumeration of connected subgraphs).
    """

    def __init__(self, knot: Knot, degree: int, work: int) -> None:
        self.limits, kinds = knot
        self.degree = degree
        self.work = work
        self.known: Set[Knot] = set()
        self.touching: Dict[int, List[Tuple[Signature, int]]] = defaultdict(list)
        self.near: Dict[int, Set[int]] = defaultdict(set)
        # For each two vdevs, how many losses parts in both can save at most; with itself, siblings in one.
        self.saved: Dict[Tuple[int, int], int] = defaultdict(int)
        self.heaviest = max(sum(count for _vdev, count in signature) for signature, _many in kinds)
        for signature, many in kinds:
            vdevs = [vdev for vdev, _count in signature]
            for vdev, count in signature:
                self.touching[vdev].append((signature, many))
                self.near[vdev].update(vdevs)
                self.saved[vdev, vdev] += many * comb(count, 2)
                for other, held in signature:
                    if other != vdev:
                        self.saved[vdev, other] += many * count * held

    def looks(self) -> Iterator[Knot]:
        """The look of each set found."""
        for vdev in range(len(self.limits)):
            reach = {other for other in self.near[vdev] if other > vdev}
            yield from self._grow((), 0, 0, vdev, reach, frozenset(self.near[vdev] | {vdev}))

    def _grow(
        self, before: Tuple[int, ...], need: int, saved: int, vdev: int, reach: Set[int], seen: FrozenSet[int]
    ) -> Iterator[Knot]:
        need += self.limits[vdev] + 1
        saved += self.saved[vdev, vdev] + sum(self.saved[vdev, other] for other in before)
        # Two bounds below the order, at no cost: what each loss overloads at most, and what sharing can save.
        if need > self.degree * self.heaviest or need - saved > self.degree:
            return
        chosen = (*before, vdev)
        look = self._look(chosen)
        if _order(look, self.degree) > self.degree:
            return
        yield look
        waiting = set(reach)
        while waiting:
            step = waiting.pop()
            fresh = {other for other in self.near[step] if other > chosen[0] and other not in seen}
            yield from self._grow(chosen, need, saved, step, waiting | fresh, seen | self.near[step])

    def _look(self, chosen: Tuple[int, ...]) -> Knot:
        kinds = {signature: many for vdev in chosen for signature, many in self.touching[vdev]}
        look = _alike(_restrict(self.limits, tuple(kinds.items()), chosen))
        self.work -= 1 if look in self.known else self.degree * prod(limit + 2 for limit in look[0])
        self.known.add(look)
        if self.work < 0:
            raise _TooMuchError
        return look


@lru_cache(maxsize=65536)
def _loads(look: Knot, degree: int) -> Tuple[Poly, int]:
    """Survived subsets by size, and the fewest parts that overload every vdev (degree + 1 when more)."""
    limits, kinds = look
    full = tuple(limit + 1 for limit in limits)
    # A polynomial in the number of parts is one whole number: its coefficients side by side, each below 2^bits.
    bits = degree * (1 + sum(many for _signature, many in kinds)).bit_length() + 1
    mask = (1 << bits * (degree + 1)) - 1
    counts: Dict[Tuple[int, ...], int] = {(0,) * len(limits): 1}
    for signature, many in kinds:
        ways = [comb(many, taken) << bits * taken for taken in range(min(many, degree) + 1)]
        after: Dict[Tuple[int, ...], int] = defaultdict(int)
        for loads, before in counts.items():
            for filled, more in _filled(loads, signature, full, ways):
                after[filled] += before * more
        counts = {loads: poly & mask for loads, poly in after.items()}
    survived = sum(poly for loads, poly in counts.items() if all(load <= limit for load, limit in zip(loads, limits)))
    limb = (1 << bits) - 1
    overloads = counts.get(full, 0)
    fewest = ((overloads & -overloads).bit_length() - 1) // bits if overloads else degree + 1
    return tuple(survived >> bits * size & limb for size in range(degree + 1)), fewest


def _filled(
    loads: Tuple[int, ...], signature: Signature, full: Tuple[int, ...], ways: Sequence[int]
) -> Iterator[Tuple[Tuple[int, ...], int]]:
    # The loads after 0, 1, 2 ... parts of *signature*, and in how many ways; all that fill its vdevs are one.
    yield loads, ways[0]
    filled = list(loads)
    for taken in range(1, len(ways)):
        for vdev, count in signature:
            filled[vdev] = min(full[vdev], filled[vdev] + count)
        if all(filled[vdev] == full[vdev] for vdev, _count in signature):
            yield tuple(filled), sum(ways[taken:])
            return
        yield tuple(filled), ways[taken]


@lru_cache(maxsize=65536)
def _order(look: Knot, degree: int) -> int:
    """Fewest losses, counted piece by piece, that overload all vdevs of *look*; a lower bound when above degree."""
    limits, kinds = look
    inside = sum(many * (sum(count for _v, count in signature) - 1) for signature, many in kinds)
    vdevs = range(len(limits))
    # Each part overloads by what it holds: at least that many parts, in one piece.
    whole = sum(limits) + len(limits) - inside
    best = _loads(look, degree)[1] if whole <= degree else degree + 1
    for size in range(1, len(limits)):
        for rest in combinations(vdevs[1:], size):
            piece = [vdev for vdev in vdevs if vdev not in rest]
            alone = _loads(_restrict(limits, kinds, piece), degree)[1]
            if alone < best:
                best = min(best, alone + _order(_restrict(limits, kinds, rest), degree))
    return best


@lru_cache(maxsize=65536)
def _phi(look: Knot, degree: int) -> Tuple[Fraction, ...]:
    limits, kinds = look
    parts = sum(many for _signature, many in kinds)
    value = _log(_loads(look, degree)[0])
    for power in range(1, degree + 1):  # divided by (1+t)^parts
        value[power] += Fraction((-1) ** power * parts, power)
    for size in range(1, len(limits)):
        for vdevs in combinations(range(len(limits)), size):
            inner = _restrict(limits, kinds, vdevs)
            if _hangs_together(inner):
                for power, part in enumerate(_phi(inner, degree)):
                    value[power] -= part
    return tuple(value)


def _alike(look: Knot) -> Knot:
    # Renumbers the vdevs by what surrounds them, so that most looks of one form compare equal.
    limits, kinds = look
    rank = list(limits)
    for _round in range(2):
        around: List[List[Tuple[int, int, Signature]]] = [[] for _limit in limits]
        for signature, many in kinds:
            ranked = tuple(sorted([(rank[vdev], count) for vdev, count in signature]))
            for vdev, count in signature:
                around[vdev].append((many, count, ranked))
        views = [(rank[vdev], tuple(sorted(seen))) for vdev, seen in enumerate(around)]
        places = {view: place for place, view in enumerate(sorted(set(views)))}
        rank = [places[view] for view in views]
    return _restrict(limits, kinds, sorted(range(len(limits)), key=rank.__getitem__))


def _hangs_together(look: Knot) -> bool:
    limits, kinds = look
    reached, waiting = {0}, [0]
    while waiting:
        vdev = waiting.pop()
        for signature, _many in kinds:
            vdevs = {other for other, _count in signature}
            if vdev in vdevs:
                waiting.extend(vdevs - reached)
                reached |= vdevs
    return len(reached) == len(limits)


def _times(first: Sequence, second: Sequence, degree: int) -> List:  # type: ignore[type-arg]
    product = [0 * first[0]] * (degree + 1)
    for left, value in enumerate(first):
        if value:
            for right in range(degree + 1 - left):
                product[left + right] += value * second[right]
    return product


def _log(poly: Sequence[int]) -> List[Fraction]:
    # Power series with poly[0] = 1, from z' = z (log z)'.
    found = [Fraction(0)] * len(poly)
    for power in range(1, len(poly)):
        rest = sum((k * found[k] * poly[power - k] for k in range(1, power)), Fraction(0))
        found[power] = poly[power] - rest / power
    return found


def _exp(series: Sequence[Fraction]) -> List[Fraction]:
    found = [Fraction(1)] + [Fraction(0)] * (len(series) - 1)
    for power in range(1, len(series)):
        found[power] = sum((k * series[k] * found[power - k] for k in range(1, power + 1)), Fraction(0)) / power
    return found
