# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Why no layout keeps a policy's promises, and the smallest changes that would help.

Every remedy is tried before it is named: the planner plans with the changed drives or policy.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import islice
from typing import Callable, Dict, Iterable, Iterator, List, Sequence, Tuple

from ..errors import InputError, PromiseError
from ..model import Bay, Layout
from .policy import MIRROR_WIDTHS, Policy
from .promise import Rule, rule_of, survives_drives, survives_enclosures
from .spares import quick_choice
from .stock import Item, shaped
from .supply import Kind, kinds_of, most_vdevs

MOST_ADDED = 300
MOST_TRIED = 4
NEW = "further_"  # an enclosure to be added
FREE_SLOTS = 9000

Works = Callable[[Sequence[Item], Policy], bool]
Change = Tuple[str, Sequence[Item], Policy]  # in words, and what it leads to


def check_bays(items: Sequence[Item], policy: Policy) -> None:
    """InputError when enclosures are promised and a drive's enclosure is not known."""
    if not policy.survive.enclosures:
        return
    homeless = [item.label for item in items if not item.members[0].bay]
    if homeless:
        raise InputError(
            "survive.enclosures is {0}, and the enclosure of {1} is not known".format(
                policy.survive.enclosures, ", ".join(homeless[:8])
            ),
            subject="drives",
            remedy="Give every drive its bay, with the enclosure's name: west-bay07.",
        )


def check_promises(items: Sequence[Item], policy: Policy, works: Works) -> None:
    """PromiseError when the parity alone rules the promises out, whatever the drives. *works* tries remedies."""
    tolerance = most_tolerance(policy)
    for name, wanted in (("drives", policy.survive.drives), ("enclosures", policy.survive.enclosures)):
        if wanted <= tolerance:
            continue
        smaller = replace(policy, survive=replace(policy.survive, **{name: tolerance}))
        eased = [("survive.{0} {1}".format(name, tolerance), items, smaller)]
        raise PromiseError(
            "{0} survives {1} member failure{2} in a vdev, and each of {3} failed {4} takes at least one".format(
                _words(policy), tolerance, "" if tolerance == 1 else "s", wanted, name
            ),
            subject="policy.survive.{0}".format(name),
            remedy=_remedy([_wider_or_safer(items, policy), eased], works),
        )


def most_tolerance(policy: Policy) -> int:
    """The most member failures that a vdev of the policy survives: a mirror of open width at its widest."""
    return (policy.width or MIRROR_WIDTHS[-1]) - 1 if policy.kind == "mirror" else policy.parity


def check_kept(layout: Layout, policy: Policy) -> Layout:
    """The layout itself when it keeps the promises, counted from its members; PromiseError otherwise."""
    for name, wanted, counted in (
        ("drives", policy.survive.drives, survives_drives(layout.vdevs)),
        ("enclosures", policy.survive.enclosures, survives_enclosures(layout.vdevs)),
    ):
        if counted < wanted:
            raise PromiseError(
                "the layout found survives the failure of {0} {1}, not {2}".format(counted, name, wanted),
                subject="policy.survive.{0}".format(name),
                remedy="Set survive.{0} to {1}, or change the width or the parity.".format(name, counted),
            )
    return layout


def cannot_fill(items: Sequence[Item], policy: Policy, works: Works) -> PromiseError:
    """The error for drives that, less the spares, cannot fill a single vdev. *policy* has a width; *works* tries."""
    if policy.spares >= len(items):
        return PromiseError(
            "{0} spares of {1} drives leave no drive for data".format(policy.spares, len(items)),
            subject="policy.spares",
            remedy="Add drives, or ask for fewer spares.",
        )
    left = quick_choice(shaped(items, policy), policy.spares).kept
    return PromiseError(
        _binding(left, rule_of(policy), policy),
        subject="policy",
        remedy=_remedy([remedies(items, policy) for remedies in REMEDIES], works),
    )


def _remedy(kinds: Iterable[Iterable[Change]], works: Works) -> str:
    """One sentence with the first change of each kind that works."""
    found: List[str] = []
    for changes in kinds:
        for text, items, policy in islice(changes, MOST_TRIED):
            if works(items, policy):
                found.append(text)
                break
    return "It works with {0}.".format(", or ".join(found)) if found else ""


def _words(policy: Policy) -> str:
    return "{0} of width {1}".format(policy.words, policy.width) if policy.kind == "mirror" else policy.words


def _binding(left: Sequence[Item], rule: Rule, policy: Policy) -> str:
    stock = kinds_of(left)
    drives = len(left)
    have = "{0} drive{1}".format(drives, "" if drives == 1 else "s")
    spare = " besides {0} spare{1}".format(policy.spares, "" if policy.spares == 1 else "s") if policy.spares else ""
    if rule.per_drive > 1 and drives * rule.per_drive < rule.width:
        words = "a vdev of width {0} can hold at most {1} units of a drive (survive.drives {2}), and there are {3}{4}"
        return words.format(rule.width, rule.per_drive, policy.survive.drives, have, spare)
    sizes = {size for item in left for size in item.sizes}
    if rule.alike and len(sizes) > 1 and most_vdevs(stock, replace(rule, alike=False)):
        return "a vdev of width {0} needs {0} units of one size, and there are {1} of {2} sizes{3}".format(
            rule.width, have, len(sizes), spare
        )
    if not policy.survive.enclosures or drives < rule.width:
        return "a vdev of width {0} needs {0} different drives, and there are {1}{2}".format(rule.width, have, spare)
    homes = _homes(stock)
    most = sum(min(many, rule.base) for many in homes.values())
    most += min(rule.extra, sum(max(0, many - rule.base) for many in homes.values()))
    return (
        "width {0} over {1} enclosure{2} ({3}){4}: to survive the failure of {5} enclosure{6} with {7}, a vdev may hold"
        " {8} member{9} from each{10}, which is {11} in all".format(
            rule.width,
            len(homes),
            "" if len(homes) == 1 else "s",
            ", ".join("{0} {1}".format(name or "unnamed", many) for name, many in sorted(homes.items())),
            spare,
            policy.survive.enclosures,
            "" if policy.survive.enclosures == 1 else "s",
            _words(policy) if policy.kind == "mirror" else "parity {0}".format(policy.parity),
            rule.base,
            "" if rule.base == 1 else "s",
            " and one more from one of them" if rule.extra else "",
            most,
        )
    )


def _homes(stock: Dict[Kind, int]) -> Dict[str, int]:
    homes: Dict[str, int] = {}
    for kind, many in stock.items():
        homes[kind[0]] = homes.get(kind[0], 0) + many
    return homes


def _fits(items: Sequence[Item], policy: Policy) -> bool:
    """Whether a vdev can be filled as far as counting goes: what fails this needs no trial."""
    if policy.width < policy.promised_width or policy.spares >= len(items):
        return False
    return most_vdevs(kinds_of(quick_choice(shaped(items, policy), policy.spares).kept), rule_of(policy)) > 0


def _more_drives(items: Sequence[Item], policy: Policy) -> Iterator[Change]:
    """Drives added in the enclosures there are, each where it helps."""
    kinds = kinds_of(items)
    commonest = max(kinds, key=lambda kind: (kinds[kind], kind))
    like = {(item.enclosure, item.sizes): item for item in reversed(items)}[commonest]
    homes = _homes(kinds)
    where = " spread over the enclosures that hold fewest" if len(homes) > 1 else ""
    what = " like {0}".format(like.label) if len({item.sizes for item in items}) > 1 else ""
    rule = rule_of(policy)
    if policy.width < policy.promised_width or rule.base * len(homes) + rule.extra < rule.width:
        return  # no number of drives in these enclosures would help
    grown = list(items)
    # Spread evenly, a vdev's width of them in each enclosure does where any number helps.
    for added in range(1, min(MOST_ADDED, policy.spares + policy.width * len(homes)) + 1):
        home = min(sorted(homes), key=lambda name: homes[name])
        homes[home] += 1
        grown.append(_copy(like, home, added))
        if _fits(grown, policy):
            yield "{0} more drive{1}{2}{3}".format(added, "" if added == 1 else "s", what, where), list(grown), policy


def _more_enclosures(items: Sequence[Item], policy: Policy) -> Iterator[Change]:
    if not policy.survive.enclosures:
        return
    homes = _homes(kinds_of(items))
    most = max(homes, key=lambda name: (homes[name], name))
    alike = [item for item in items if item.enclosure == most]
    for each in sorted({min(rule_of(policy).base, len(alike)), len(alike)}):
        grown = list(items)
        for added in range(1, MOST_ADDED // each + 2):
            grown += [_copy(item, "{0}{1}".format(NEW, added), number) for number, item in enumerate(alike[:each])]
            if _fits(grown, policy):
                text = "{0} enclosures with at least {1} drive{2} each".format(
                    len(homes) + added, each, "" if each == 1 else "s"
                )
                yield text, list(grown), policy
                break


def _copy(item: Item, home: str, number: int) -> Item:
    # In a bay numbered above those that chassis have.
    serial = "+{0}+{1}".format(home, number)
    bay = Bay(home, FREE_SLOTS + number).label if item.members[0].bay else ""
    members = tuple(replace(member, serial=serial, bay=bay) for member in item.members)
    return replace(item, serial=serial, place=(2, home, number, serial), enclosure=home, members=members)


def _changed(policies: Iterator[Tuple[str, Policy]], items: Sequence[Item]) -> Iterator[Change]:
    return ((text, items, policy) for text, policy in policies if _fits(items, policy))


def _narrower(items: Sequence[Item], policy: Policy) -> Iterator[Change]:
    widths = range(policy.width - 1, policy.promised_width - 1, -1)
    return _changed((("width {0}".format(w), policy.with_width(w)) for w in widths), items)


def _more_parity(items: Sequence[Item], policy: Policy) -> Iterator[Change]:
    parities = range(policy.parity + 1, 4) if policy.kind != "mirror" else range(0)
    return _changed((("parity {0}".format(p), replace(policy, parity=p)) for p in parities), items)


def _wider_or_safer(items: Sequence[Item], policy: Policy) -> Iterator[Change]:
    """More tolerance: a wider mirror, more parity. The trial shows whether the drives suffice."""
    if policy.kind == "mirror":
        for width in MIRROR_WIDTHS:
            if width > (policy.width or MIRROR_WIDTHS[-1]):
                yield "width {0}".format(width), items, policy.with_width(width)
        return
    for parity in range(policy.parity + 1, 4):
        yield "parity {0}".format(parity), items, replace(policy, parity=parity)


def _fewer_enclosures(items: Sequence[Item], policy: Policy) -> Iterator[Change]:
    promised = policy.survive
    tries = (
        ("survive.enclosures {0}".format(m), replace(policy, survive=replace(promised, enclosures=m)))
        for m in range(promised.enclosures - 1, -1, -1)
    )
    return _changed(tries, items)


def _fewer_drives(items: Sequence[Item], policy: Policy) -> Iterator[Change]:
    # Only where siblings share a vdev does the promise of drives limit the assignment.
    promised = policy.survive
    tries = (
        ("survive.drives {0}".format(m), replace(policy, survive=replace(promised, drives=m)))
        for m in range(promised.drives - 1, -1, -1)
        if policy.siblings or policy.kind == "mirror"
    )
    return _changed(tries, items)


def _mixed(items: Sequence[Item], policy: Policy) -> Iterator[Change]:
    tries = [("mixed_sizes: allow", replace(policy, mixed_sizes=True))] if not policy.mixed_sizes else []
    return _changed(iter(tries), items)


def _fewer_spares(items: Sequence[Item], policy: Policy) -> Iterator[Change]:
    spares = range(policy.spares - 1, -1, -1)
    return _changed((("spares {0}".format(n), replace(policy, spares=n)) for n in spares), items)


REMEDIES: List[Callable[[Sequence[Item], Policy], Iterator[Change]]] = [
    _more_drives,
    _more_enclosures,
    _narrower,
    _more_parity,
    _fewer_enclosures,
    _fewer_drives,
    _mixed,
    _fewer_spares,
]
