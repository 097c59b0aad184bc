# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""How many vdevs a set of drives can fill, exactly; and so the most usable capacity.

A vdev of *width* members stores (width - parity) times its smallest member, so what
counts is how many vdevs there are whose members all have at least a given size. Let the
distinct unit sizes be S1 > S2 > ...; n_k is the number of vdevs made from units of at least
S_k. Drives that are alike (same enclosure, same unit sizes) form one kind.

Whether n_1, n_2, ... vdevs can be filled at once is a maximum flow (`can_fill`):

    source -> class k            width * n_k
    class k -> (k, enclosure)    base * n_k, and a further extra * n_k over all enclosures
    (k, enclosure) -> kind       drives * per_drive * n_k
    kind -> sink, by unit size   drives * units of that size

It is exact. Needed: the vdevs of a class can share any such flow equally, which gives a
fractional flow in the network that has a node for every vdev and drive; that network has
integer capacities, so it has an integer flow too, and that is a layout.

The most capacity is sought over the prefix counts P_k = n_1 + ... + n_k, whose
value is the sum of P_k (S_k - S_{k+1}). P_k cannot exceed W_k, the most vdevs that units
of size S_k and above can fill alone. `best_counts` walks the lattice below (W_1, W_2, ...) in
falling order of value and stops at the first point that can be filled: no better one exists.
"""

from __future__ import annotations

import heapq
from collections import Counter, defaultdict
from dataclasses import dataclass
from itertools import combinations_with_replacement, islice, product
from math import comb
from typing import Callable, Dict, Iterable, List, Mapping, Optional, Sequence, Set, Tuple

from .flow import Network
from .promise import Rule
from .stock import Item

Kind = Tuple[str, Tuple[int, ...]]  # enclosure, unit sizes largest first
Stock = Mapping[Kind, int]
Wanted = Tuple[int, int]  # least size, vdevs
Group = Tuple[int, int, str]  # least size, vdevs, the enclosure whose drives may give one more ("*": any)
MOST_STATES = 5000
MOST_HOMES = 400
ANYWHERE = "*"


@dataclass(frozen=True)
class Counts:
    """*vdevs* for each size in *sizes* (largest first); *proven* when no layout stores more."""

    sizes: Tuple[int, ...]
    vdevs: Tuple[int, ...]
    proven: bool

    @property
    def value(self) -> int:
        """Sum of the smallest members of all vdevs, in bytes."""
        return sum(size * many for size, many in zip(self.sizes, self.vdevs))

    @property
    def total(self) -> int:
        """The number of vdevs."""
        return sum(self.vdevs)


def kinds_of(items: Iterable[Item]) -> Dict[Kind, int]:
    """How many drives there are of each kind."""
    return dict(Counter((item.enclosure, item.sizes) for item in items))


def most_vdevs(stock: Stock, rule: Rule, least: int = 0) -> int:
    """The most vdevs from units of at least *least* bytes: closed form and bisection.

    V vdevs can be filled exactly when the drives can give V * width units, no drive more
    than min(its units, per_drive * V) but for *more* of a vdev, no enclosure more than base * V plus what
    the extras allow. Without *least*, vdevs of every size.
    """
    if rule.alike and not least:
        return sum(most_vdevs(stock, rule, size) for size in {size for kind in stock for size in kind[1]})
    units: Dict[str, Dict[int, int]] = defaultdict(lambda: defaultdict(int))
    for (enclosure, sizes), many in stock.items():
        units[enclosure][sum(1 for size in sizes if rule.serves(size, least))] += many
    high = sum(n * many for found in units.values() for n, many in found.items()) // rule.width
    most = _bisect(high, lambda vdevs: _enough(units, rule, vdevs))
    if rule.tangled:
        return _bisect(most, lambda vdevs: can_fill(stock, rule, (least,), (vdevs,)))
    return most


def _bisect(high: int, can: Callable[[int], bool]) -> int:
    low = 0
    while low < high:
        middle = (low + high + 1) // 2
        if can(middle):
            low = middle
        else:
            high = middle - 1
    return low


def _enough(units: Mapping[str, Mapping[int, int]], rule: Rule, vdevs: int) -> bool:
    """Exact; where the rule is tangled, it may be true for too many vdevs."""
    within = over = second = 0
    for found in units.values():
        most = sum(many * min(n, rule.per_drive * vdevs) for n, many in found.items())
        if rule.more:
            again = sum(many * min(n, (rule.per_drive + 1) * vdevs) for n, many in found.items()) - most
            most, second = (most + again, 0) if rule.tangled else (most, second + again)
        within += min(most, rule.base * vdevs)
        over += max(0, most - rule.base * vdevs)
    return within + min(over, rule.extra * vdevs) + min(second, rule.more * vdevs) >= rule.width * vdevs


def can_fill(stock: Stock, rule: Rule, sizes: Sequence[int], vdevs: Sequence[int]) -> bool:
    """Whether the drives fill vdevs[k] vdevs of units of at least sizes[k], all at once."""
    wanted = [(size, many) for size, many in zip(sizes, vdevs) if many]
    if rule.tangled:
        return second_homes(stock, rule, wanted) is not None
    if rule.alike or len(wanted) == 1:
        # Vdevs of different sizes do not compete.
        return all(most_vdevs(stock, rule, size) >= many for size, many in wanted)
    return _filled(stock, rule, [(size, many, ANYWHERE) for size, many in wanted])


def second_homes(stock: Stock, rule: Rule, wanted: Sequence[Wanted]) -> Optional[Dict[int, Tuple[str, ...]]]:
    """For a tangled rule: the enclosure of which each vdev may hold a second unit of a drive, by least size.

    None when the vdevs cannot be filled. All divisions over the enclosures are tried, up to MOST_HOMES.
    """
    names = sorted({kind[0] for kind in stock})
    ways = product(*(combinations_with_replacement(names, many) for _size, many in wanted))
    for way in islice(ways, MOST_HOMES):
        groups = [
            (size, homes.count(name), name) for (size, _many), homes in zip(wanted, way) for name in sorted(set(homes))
        ]
        if _filled(stock, rule, groups):
            return {size: homes for (size, _many), homes in zip(wanted, way)}
    return None


def _all_homes_tried(stock: Stock, vdevs: Sequence[int]) -> bool:
    # This is the number of divisions with one more vdev of a size, which is what rules it out.
    names = len({kind[0] for kind in stock})
    return all(comb(many + names, names - 1) <= MOST_HOMES for many in vdevs)


def _filled(stock: Stock, rule: Rule, groups: Sequence[Group]) -> bool:
    network = Network()
    for group in groups:
        _add_group(network, stock, rule, group)
    for kind, many in stock.items():
        for size, n in Counter(kind[1]).items():
            network.edge((kind, size), "sink", many * n)
    return network.maximum("source", "sink") == rule.width * sum(many for _size, many, _home in groups)


def _add_group(network: Network, stock: Stock, rule: Rule, group: Group) -> None:
    size, vdevs, home = group
    network.edge("source", group, rule.width * vdevs)
    if rule.extra:
        network.edge(group, (group, "extra"), rule.extra * vdevs)
    for enclosure in sorted({kind[0] for kind in stock}):
        network.edge(group, (group, "in", enclosure), rule.base * vdevs)
        if rule.extra:
            network.edge((group, "extra"), (group, "in", enclosure), rule.extra * vdevs)
    if rule.more:
        network.edge(group if home == ANYWHERE else (group, "in", home), (group, "more"), rule.more * vdevs)
    for kind, many in stock.items():
        fitting = sorted({unit for unit in kind[1] if rule.serves(unit, size)})
        if fitting:
            network.edge((group, "in", kind[0]), (group, kind), many * rule.per_drive * vdevs)
            if rule.more and home in (ANYWHERE, kind[0]):
                network.edge((group, "more"), (group, kind), many * vdevs)
            for unit in fitting:
                network.edge((group, kind), (kind, unit), many * len(kind[1]))


def best_counts(stock: Stock, rule: Rule, most_size: int = 0) -> Tuple[Counts, ...]:
    """All vdev counts of the highest value, fewest vdevs first; see the module.

    *most_size* bars vdevs whose smallest member would be larger (what spares could not
    replace); 0 bars none. After MOST_STATES points without success the last resort is the
    best count with a single size, and *proven* is false.
    """
    sizes = tuple(sorted({size for kind in stock for size in kind[1]}, reverse=True))
    if most_size:
        sizes = tuple(size for size in sizes if size <= most_size)
    tops = [most_vdevs(stock, rule, size) for size in sizes]
    sure = not rule.tangled or _all_homes_tried(stock, tops)
    kept = [k for k in range(len(sizes)) if tops[k]]
    sizes, top = tuple(sizes[k] for k in kept), tuple(tops[k] for k in kept)
    if not sizes:
        return ()
    if rule.alike:
        return (Counts(sizes, top, sure),)
    return _walk(stock, rule, sizes, top)


def _walk(stock: Stock, rule: Rule, sizes: Tuple[int, ...], top: Tuple[int, ...]) -> Tuple[Counts, ...]:
    steps = [size - after for size, after in zip(sizes, (*sizes[1:], 0))]
    queue = [(-sum(p * step for p, step in zip(top, steps)), top)]
    seen: Set[Tuple[int, ...]] = {top}
    found: List[Counts] = []
    for _state in range(MOST_STATES):
        if not queue or (found and -queue[0][0] < found[0].value):
            break
        value, point = heapq.heappop(queue)
        vdevs = tuple(p - before for p, before in zip(point, (0, *point[:-1])))
        # A point whose counts would fall is worth no more than one below it, which is visited too.
        if min(vdevs) >= 0 and can_fill(stock, rule, sizes, vdevs):
            found.append(Counts(sizes, vdevs, not rule.tangled))
            continue
        for k, step in enumerate(steps):
            below = (*point[:k], point[k] - 1, *point[k + 1 :])
            if below[k] >= 0 and below not in seen:
                seen.add(below)
                heapq.heappush(queue, (value + step, below))
    if not found:
        return (_single_size(sizes, top),)
    return tuple(sorted(found, key=lambda counts: (counts.total, [-many for many in counts.vdevs])))


def _single_size(sizes: Tuple[int, ...], top: Tuple[int, ...]) -> Counts:
    best = max(range(len(sizes)), key=lambda k: (sizes[k] * top[k], -k))
    return Counts(sizes, tuple(top[k] if k == best else 0 for k in range(len(sizes))), False)
