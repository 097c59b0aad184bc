# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The layout beside others for the same drives, each with its figures.

Also naive ones: units in the order in which the kernel lists them, which puts
both units of a drive into one vdev; and one very wide vdev of all units.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Dict, Iterator, List, Optional, Sequence, Tuple

from ..model import Drive, Layout, Member, Vdev
from ..partition.extents import ALIKE
from .assign import possible
from .capacity import pool_capacity
from .estimates import speed
from .figure import EXACT, Figure
from .fill import WORK
from .loss import ASSUMED_RATES, Rates, yearly_loss
from .mirrors import chained_mirrors
from .policy import Policy, Survive
from .promise import most_held
from .rebuild import rebuild_figures
from .survival import FatalSets, fatal_sets_of_sizes, losses_survived, vdev_states

SET_SIZES = (2, 3, 4, 5, 6)
NO_SUCH_SET = "no such set"
_SIZES = {True: "units of different sizes mixed", False: "each size in vdevs of its own"}
MOST_NAMES = 8
ENTANGLED = 6_000  # most steps for counting the fatal sets of a tangled pool


@dataclass(frozen=True)
class Alternative:
    """One possible layout. *verdict* says in a sentence how it compares with the chosen one.

    *figures* by name: drives, enclosures, units (failures always survived), fatal_2 to fatal_6 (share of all
    sets of 2 to 6 drives of the chassis), usable (bytes), stream_read, stream_write, seek_read, seek_write
    (in units), resilver, resilver_in_turn (hours for a drive), loss (probability per year).
    """

    name: str
    verdict: str
    chosen: bool
    shape: str
    figures: Dict[str, Figure]


@dataclass(frozen=True)
class Terms:
    """What the numbers depend on besides the layout."""

    ashift: int = 12
    whole_disk: bool = True
    rates: Rates = ASSUMED_RATES


def alternatives(
    layout: Layout,
    drives: Sequence[Drive],
    policy: Policy,
    terms: Optional[Terms] = None,
    asked: Optional[Policy] = None,
) -> Tuple[Alternative, ...]:
    """*layout* first, then the others. *policy* has its width chosen; *asked* is the policy before that."""
    terms = terms or Terms()
    first = _weigh("as planned", layout.vdevs, len(drives), terms, True)
    found = [first]
    seen = {_key(layout.vdevs)}
    for name, vdevs in _others(layout, drives, policy, terms, asked or policy):
        if vdevs and _key(vdevs) not in seen:
            seen.add(_key(vdevs))
            other = _weigh(name, vdevs, len(drives), terms, False)
            found.append(replace(other, verdict=_verdict(first, other, vdevs)))
    return tuple(found)


def shape_of(vdevs: Sequence[Vdev]) -> str:
    """Number, kind and width of the vdevs: C(2 x raidz2 of 12). The keyword of a dRAID names its width: C(:12c)."""
    shapes: Dict[Tuple[str, int], int] = {}
    for vdev in vdevs:
        key = (vdev.keyword or "stripe", vdev.width)
        shapes[key] = shapes.get(key, 0) + 1
    return ", ".join(
        "{0} x {1}".format(many, keyword if ":" in keyword else "{0} of {1}".format(keyword, width))
        for (keyword, width), many in shapes.items()
    )


def _key(vdevs: Sequence[Vdev]) -> Tuple[object, ...]:
    return tuple(sorted((v.keyword, tuple(sorted((m.serial, m.index) for m in v.members))) for v in vdevs))


def _others(
    layout: Layout, drives: Sequence[Drive], policy: Policy, terms: Terms, asked: Policy
) -> Iterator[Tuple[str, Sequence[Vdev]]]:
    if sizes_differ([unit.size for drive in drives for unit in drive.units]):
        turned = replace(asked, mixed_sizes=not asked.mixed_sizes)
        yield _SIZES[turned.mixed_sizes], _planned(drives, turned, terms)
    for prefer in ("capacity", "safety", "throughput"):
        yield "width chosen for {0}".format(prefer), _planned(drives, replace(policy, width=0, prefer=prefer), terms)
    if policy.kind != "mirror":
        for parity in (policy.parity - 1, policy.parity + 1):
            if 1 <= parity <= 3:
                named = "parity {0}".format(parity)
                yield named, _planned(drives, replace(policy, parity=parity, survive=_eased(policy, parity)), terms)
    paired = replace(_of_kind(policy, "mirror"), width=2, survive=_eased(policy, 1))
    yield "mirrors, paired", _planned(drives, paired, terms)
    yield "mirrors, chained", _chained(drives, layout)
    if policy.kind != "draid":
        yield "dRAID", _planned(drives, replace(_of_kind(policy, "draid"), survive=policy.survive), terms)
    yield from _naive(layout)


def _of_kind(policy: Policy, kind: str) -> Policy:
    return Policy(kind, policy.parity, spares=policy.spares, mixed_sizes=policy.mixed_sizes)


def sizes_differ(sizes: Sequence[int]) -> bool:
    """Whether these sizes differ by more than OpenZFS accepts in one vdev without force."""
    return max(sizes, default=0) - min(sizes, default=0) > ALIKE


def size_cost(layout: Layout, policy: Policy, options: Sequence[Alternative]) -> str:
    """What it costs to keep sizes apart, or what mixing them gains, in one sentence; empty where all sizes are alike.

    *options*: what `alternatives` returns for the layout.
    """
    held = [*(m for vdev in layout.vdevs for m in vdev.members), *(one.member for one in layout.unused)]
    if not options or not sizes_differ([member.size for member in held]):
        return ""
    other = next((one for one in options if one.name == _SIZES[not policy.mixed_sizes]), None)
    mixed = any(sizes_differ([member.size for member in vdev.members]) for vdev in layout.vdevs)
    if other is not None:
        form = (
            "Units of different sizes are mixed: {0} usable; each size in vdevs of its own gives {1}"
            if policy.mixed_sizes
            else "Each size is in vdevs of its own: {0} usable; with sizes mixed (mixed_sizes: allow) {1}"
        )
    elif mixed:
        form = (
            "Units of different sizes are mixed: {0} usable; with each size in vdevs of its own no layout is possible"
        )
    else:
        form = "Each size is in vdevs of its own: {0} usable; mixing sizes would not store more"
    usable = [_tb(one.figures["usable"].value) for one in (options[0], other) if one is not None]
    return "{0}; {1}.".format(form.format(*usable), _unused_units(layout))


def _unused_units(layout: Layout) -> str:
    names = [one.member.name for one in layout.unused]
    if not names:
        return "no unit stays unused"
    more = " and {0} more".format(len(names) - MOST_NAMES) if len(names) > MOST_NAMES else ""
    stay = "s" if len(names) == 1 else ""
    return "{0}{1} stay{2} unused".format(", ".join(names[:MOST_NAMES]), more, stay)


def _tb(size: int) -> str:
    return "{0:.1f} TB".format(size / 10**12)


def _eased(policy: Policy, tolerance: int) -> Survive:
    promised = policy.survive
    return replace(promised, drives=min(promised.drives, tolerance), enclosures=min(promised.enclosures, tolerance))


def _planned(drives: Sequence[Drive], policy: Policy, terms: Terms) -> Sequence[Vdev]:
    # With less work than for the plan itself: there are many, and they are only compared.
    found = possible(drives, policy, ashift=terms.ashift, whole_disk=terms.whole_disk, work=WORK // 10)
    return found.vdevs if found else ()


def _chained(drives: Sequence[Drive], layout: Layout) -> Sequence[Vdev]:
    spares = {spare.serial for spare in layout.spares}
    sizes = {unit.size for drive in drives for unit in drive.units}
    kept = sorted((d for d in drives if d.serial not in spares), key=lambda d: (str(d.bay), d.serial))
    if len(kept) < 3 or len(sizes) > 1 or any(len(drive.units) != 2 for drive in kept):
        return ()
    units = [
        [Member(d.serial, unit.index, d.bay.label if d.bay else "", unit.size, unit.unit_kind) for unit in d.units]
        for d in kept
    ]
    return chained_mirrors(units)


def _naive(layout: Layout) -> Iterator[Tuple[str, Sequence[Vdev]]]:
    members = sorted((m for vdev in layout.vdevs for m in vdev.members), key=lambda m: (m.bay, m.serial, m.index))
    pattern = layout.vdevs[0]
    in_order: List[Vdev] = []
    taken = 0
    for vdev in layout.vdevs:
        in_order.append(replace(vdev, members=tuple(members[taken : taken + vdev.width])))
        taken += vdev.width
    yield "naive: units in the order the kernel lists them", in_order
    if pattern.kind == "raidz" and len(members) <= 255:
        yield "naive: one vdev of all units", [replace(pattern, members=tuple(members))]


def _weigh(name: str, vdevs: Sequence[Vdev], drives: int, terms: Terms, chosen: bool) -> Alternative:
    used = len({member.serial for vdev in vdevs for member in vdev.members})
    states = vdev_states(vdevs)
    fast, resilver = speed(vdevs), rebuild_figures(vdevs, terms.rates.pace)
    usable = pool_capacity(vdevs, terms.ashift, terms.whole_disk).usable
    figures = {
        "drives": Figure(
            losses_survived(states, "drive"), "drives", EXACT, "any N whole drives may fail at the same time"
        ),
        "enclosures": Figure(
            losses_survived(states, "enclosure"),
            "enclosures",
            EXACT,
            "any N whole enclosures may fail at the same time",
        ),
        "units": Figure(
            losses_survived(states, "unit"), "units", EXACT, "any N single actuators may fail at the same time"
        ),
    }
    sets_by_size = fatal_sets_of_sizes(states, SET_SIZES, "drive", drives - used, ENTANGLED)
    figures.update({"fatal_{0}".format(sets.size): _share(sets) for sets in sets_by_size})
    figures.update(
        usable=Figure(usable, "bytes", EXACT, "AVAIL + USED of the root dataset of the new pool"),
        stream_read=fast.streaming_read,
        stream_write=fast.streaming_write,
        seek_read=fast.random_read,
        seek_write=fast.random_write,
        resilver=resilver["drive"],
        resilver_in_turn=resilver["in_turn"],
        loss=yearly_loss(vdevs, terms.rates),
    )
    return Alternative(name, "", chosen, shape_of(vdevs), figures)


def _share(sets: FatalSets) -> Figure:
    share = sets.share
    note = NO_SUCH_SET if not sets.total else "{0} of {1} sets".format(sets.fatal, sets.total)
    if sets.fatal is None:
        note = "not counted: the vdevs share drives in too many ways"
    return Figure(None if share is None else float(share), "share", EXACT, note)


def _verdict(first: Alternative, other: Alternative, vdevs: Sequence[Vdev]) -> str:
    parts = []
    mine, theirs = first.figures["drives"].value, other.figures["drives"].value
    together = max(most_held(vdev) for vdev in vdevs)
    if together > 1:
        parts.append("one pulled drive takes {0} members of a vdev".format(together))
    if theirs == 0:
        parts.append("a single drive failure can lose the pool")
    elif theirs != mine:
        parts.append("survives {0} drive failure{1} instead of {2}".format(theirs, "" if theirs == 1 else "s", mine))
    else:
        parts += _compare_fatal(first, other)
    parts.append(_compare_usable(other.figures["usable"].value / first.figures["usable"].value - 1))
    text = "; ".join(parts)
    return text[0].upper() + text[1:] + "."


def _compare_usable(gain: float) -> str:
    if abs(gain) < 0.005:
        return "stores the same"
    return "stores {0:.0%} {1}".format(abs(gain), "more" if gain > 0 else "less")


def _compare_fatal(first: Alternative, other: Alternative) -> List[str]:
    for size in SET_SIZES:
        mine, theirs = (one.figures["fatal_{0}".format(size)].value for one in (first, other))
        if mine is None or theirs is None or mine == theirs:
            continue
        word = "more" if theirs > mine else "fewer"
        form = "{1} sets of {0} drives are fatal ({2:.3g}% instead of {3:.3g}%)"
        return [form.format(size, word, 100 * theirs, 100 * mine)]
    return []
