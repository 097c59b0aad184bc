# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Why no layout keeps a policy's promises, and the smallest changes that would do.

Every remedy is tried on the drives at hand before it is named.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Callable, Dict, Iterator, List, Optional, Sequence, Tuple

from ..errors import InputError, PromiseError
from .policy import MIRROR_WIDTHS, Policy, Survive
from .promise import Rule, rule_of
from .spares import quick_choice
from .stock import Item
from .supply import Kind, kinds_of, most_vdevs

MOST_ADDED = 300


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


def check_promises(policy: Policy) -> None:
    """PromiseError when the parity alone rules the promises out, whatever the drives."""
    promised = policy.survive
    largest = max(promised.drives, promised.enclosures)
    if policy.kind == "mirror":
        tolerance = (policy.width or MIRROR_WIDTHS[-1]) - 1
        need = "width {0}".format(largest + 1)
    else:
        tolerance = policy.parity
        need = "parity {0}".format(largest)
    for name, wanted in (("drives", promised.drives), ("enclosures", promised.enclosures)):
        if wanted > tolerance:
            raise PromiseError(
                "{0} stands {1} lost member{2} of a vdev, and each of {3} lost {4} takes at least one".format(
                    _words(policy), tolerance, "" if tolerance == 1 else "s", wanted, name
                ),
                subject="policy.survive.{0}".format(name),
                remedy="It needs {0}, or survive.{1} {2}.".format(need, name, tolerance),
            )


def cannot_fill(items: Sequence[Item], policy: Policy) -> PromiseError:
    """The error for drives that, less the spares, cannot fill a single vdev of the policy's width."""
    rule = rule_of(policy)
    stock = kinds_of(quick_choice(items, policy.spares).kept)
    remedies = [text for text in (remedy(stock, policy) for remedy in REMEDIES) if text]
    for spares in range(policy.spares - 1, -1, -1):
        if _fits(kinds_of(quick_choice(items, spares).kept), policy):
            remedies.append("spares {0}".format(spares))
            break
    return PromiseError(
        _binding(stock, rule, policy),
        subject="policy",
        remedy="It needs {0}.".format(", or ".join(remedies)) if remedies else "",
    )


def _words(policy: Policy) -> str:
    return "{0} of width {1}".format(policy.words, policy.width) if policy.kind == "mirror" else policy.words


def _binding(stock: Dict[Kind, int], rule: Rule, policy: Policy) -> str:
    drives = sum(stock.values())
    have = "{0} drive{1}".format(drives, "" if drives == 1 else "s")
    spare = " beside {0} spare{1}".format(policy.spares, "" if policy.spares == 1 else "s") if policy.spares else ""
    if rule.per_drive > 1 and drives * rule.per_drive < rule.width:
        words = "a vdev of width {0} takes no more than {1} units of a drive (survive.drives {2}), and there are {3}{4}"
        return words.format(rule.width, rule.per_drive, policy.survive.drives, have, spare)
    if not policy.survive.enclosures or drives < rule.width:
        return "a vdev of width {0} takes {0} different drives, and there are {1}{2}".format(rule.width, have, spare)
    homes = _homes(stock)
    sizes = ", ".join("{0} {1}".format(name or "unnamed", many) for name, many in sorted(homes.items()))
    most = sum(min(many, rule.base) for many in homes.values())
    most += min(rule.extra, sum(max(0, many - rule.base) for many in homes.values()))
    return (
        "width {0} over {1} enclosure{2} ({3}){4}: to stand the loss of {5} enclosure{6} with {7}, a vdev may hold {8}"
        " member{9} from each{10}, which makes {11}".format(
            rule.width,
            len(homes),
            "" if len(homes) == 1 else "s",
            sizes,
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


def _fits(stock: Dict[Kind, int], policy: Policy) -> bool:
    return policy.width >= policy.least_width and most_vdevs(stock, rule_of(policy)) > 0


def _more_enclosures(stock: Dict[Kind, int], policy: Policy) -> str:
    if not policy.survive.enclosures:
        return ""
    homes = _homes(stock)
    most = max(homes, key=lambda name: (homes[name], name))
    alike = {kind: many for kind, many in stock.items() if kind[0] == most}
    grown = dict(stock)
    for added in range(1, MOST_ADDED):
        # A name that no enclosure can have.
        grown.update({("+{0}".format(added), kind[1]): many for kind, many in alike.items()})
        if _fits(grown, policy):
            return "{0} enclosures with at least {1} drive{2} each".format(
                len(homes) + added, min(rule_of(policy).base, homes[most]), "s" if rule_of(policy).base > 1 else ""
            )
    return ""


def _more_drives(stock: Dict[Kind, int], policy: Policy) -> str:
    """Drives added in the enclosures there are, each where it helps."""
    commonest = max(stock, key=lambda kind: (stock[kind], kind))
    grown = dict(stock)
    for added in range(1, MOST_ADDED):
        homes = _homes(grown)
        home = min(sorted(homes), key=lambda name: homes[name])
        kind = (home, commonest[1])
        grown[kind] = grown.get(kind, 0) + 1
        if _fits(grown, policy):
            where = " spread over the enclosures that hold fewest" if len(homes) > 1 else ""
            return "{0} more drive{1}{2}".format(added, "" if added == 1 else "s", where)
    return ""


def _first(
    policies: Iterator[Tuple[str, Policy]], stock: Dict[Kind, int], fits: Callable[[Dict[Kind, int], Policy], bool]
) -> str:
    return next((text for text, policy in policies if fits(stock, policy)), "")


def _narrower(stock: Dict[Kind, int], policy: Policy) -> str:
    least = max(policy.least_width, policy.survive.drives + 1 if policy.kind == "mirror" else 0)
    tries = (("width {0}".format(w), policy.with_width(w)) for w in range(policy.width - 1, least - 1, -1))
    return _first(tries, stock, _fits)


def _more_parity(stock: Dict[Kind, int], policy: Policy) -> str:
    if policy.kind == "mirror":
        return ""
    tries = (("parity {0}".format(p), replace(policy, parity=p)) for p in range(policy.parity + 1, 4))
    return _first(tries, stock, _fits)


def _smaller_promise(stock: Dict[Kind, int], policy: Policy) -> str:
    promised = policy.survive
    tries = (
        ("survive.enclosures {0}".format(m), replace(policy, survive=Survive(promised.drives, m)))
        for m in range(promised.enclosures - 1, -1, -1)
    )
    return _first(tries, stock, _fits)


REMEDIES: List[Callable[[Dict[Kind, int], Policy], Optional[str]]] = [
    _more_drives,
    _more_enclosures,
    _narrower,
    _more_parity,
    _smaller_promise,
]
