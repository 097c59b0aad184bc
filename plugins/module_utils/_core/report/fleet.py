# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The fleet's page: hosts ranked by the failures that they still survive, and what differs between them. Pure.

`summary` keeps the little of a record that the page needs, so that a thousand records pass through one by one.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, replace
from typing import Dict, Iterator, List, Mapping, Optional, Sequence, Tuple

from ..drift.fleet import IDENTITY, between
from ..drift.outcome import trimmed
from ..model import Finding
from ..record import HostRecord
from . import words
from .host_page import FindingRow, finding_row

CLASS = "class"
STALE_DAYS = 2  # rule of thumb: hosts are compared daily


@dataclass(frozen=True)
class Summary:
    """What the fleet's page needs of a host. *record* has what is compared between hosts, and little else."""

    host: str
    checked_at: str
    standing: str
    verdict: str
    margin: Optional[int]
    promised: Optional[int]
    pool: str
    errors: int
    warnings: int
    codes: Tuple[str, ...]
    visits: Tuple[str, ...]
    record: HostRecord


@dataclass(frozen=True)
class FleetRow:
    """A host in the ranking. *age*: days behind the newest record, 0 for a recent one."""

    host: str
    page: str
    checked_at: str
    age: int
    standing: str
    standing_word: str
    verdict: str
    margin: Optional[int]
    promised: Optional[int]
    pool: str
    errors: int
    warnings: int
    codes: str
    visits: str


@dataclass(frozen=True)
class Difference:
    """A setting in which hosts of a class differ: each value with the hosts that have it, the most frequent first."""

    server_class: str
    name: str
    choices: Tuple[Tuple[str, Tuple[str, ...]], ...]


@dataclass(frozen=True)
class FleetPage:
    """The fleet's page. *margins* counts hosts by margin, worst first; *silent* are hosts without a record, and why.

    *between* are findings that only several servers together show; they count in the rows as well.
    """

    rows: Tuple[FleetRow, ...]
    checked_at: str
    standings: Tuple[Tuple[str, str, int], ...]  # class, word, hosts
    margins: Tuple[Tuple[str, int], ...]
    differences: Tuple[Difference, ...]
    silent: Tuple[Tuple[str, str], ...]  # host or file, why
    between: Tuple[FindingRow, ...] = ()


def summary(record: HostRecord) -> Summary:
    """The little of *record* that the fleet's page needs."""
    severities = Counter(one.severity for one in record.findings)
    return Summary(
        host=record.host,
        checked_at=record.checked_at,
        standing=words.standing(record),
        verdict=words.verdict(record),
        margin=record.margin,
        promised=words.promised(record),
        pool="{0}, {1}".format(record.pool["name"], record.pool["state"]) if record.pool is not None else "none",
        errors=severities["error"],
        warnings=severities["warning"],
        codes=tuple(sorted({one.code for one in record.findings if one.severity != "info"})),
        visits=tuple(visit["bay"] or visit["serial"] for visit in (record.pool or {}).get("visit", ())),
        record=replace(trimmed(record), findings=(), accepted=()),
    )


def fleet_page(hosts: Sequence[Summary], silent: Mapping[str, str]) -> FleetPage:
    """The page of these hosts. *silent*: hosts without a record, and why."""
    newest = max((one.checked_at for one in hosts), default="")
    found = sorted(between([one.record for one in hosts]), key=lambda pair: (words.natural(pair[0]), pair[1].subject))
    ranked = sorted(_with(hosts, found), key=_rank)
    standings = Counter(one.standing for one in ranked)
    return FleetPage(
        rows=tuple(_row(one, newest) for one in ranked),
        checked_at=words.date(newest),
        standings=tuple(
            (state, words.STANDINGS[state], standings[state])
            for state in (words.BAD, words.WATCH, words.GOOD)
            if standings[state]
        ),
        margins=_margins(ranked),
        differences=differences({one.host: one.record.settings for one in hosts}),
        silent=tuple(sorted(silent.items(), key=lambda one: words.natural(one[0]))),
        between=tuple(replace(finding_row(one), where="{0}: {1}".format(host, one.subject)) for host, one in found),
    )


def _with(hosts: Sequence[Summary], found: Sequence[Tuple[str, Finding]]) -> Iterator[Summary]:
    """The hosts, with what the comparing *found* of each; all of it is of severity error."""
    codes: Dict[str, List[str]] = defaultdict(list)
    for host, one in found:
        codes[host].append(one.code)
    for summed in hosts:
        more = codes[summed.host]
        yield replace(
            summed,
            errors=summed.errors + len(more),
            codes=tuple(sorted({*summed.codes, *more})),
            standing=words.WATCH if more and summed.standing == words.GOOD else summed.standing,
        )


def _rank(one: Summary) -> Tuple[int, int, int, int, Tuple[Tuple[int, int, str], ...]]:
    # What is not known may be as bad as the worst that still holds data.
    margin = 0 if one.margin is None else one.margin
    standing = (words.BAD, words.WATCH, words.GOOD).index(one.standing)
    return (margin, standing, -one.errors, -one.warnings, words.natural(one.host))


def _row(one: Summary, newest: str) -> FleetRow:
    age = words.days_between(one.checked_at, newest)
    return FleetRow(
        host=one.host,
        page=words.file_name(one.host),
        checked_at=words.date(one.checked_at),
        age=age if age >= STALE_DAYS else 0,
        standing=one.standing,
        standing_word=words.STANDINGS[one.standing],
        verdict=one.verdict,
        margin=one.margin,
        promised=one.promised,
        pool=one.pool,
        errors=one.errors,
        warnings=one.warnings,
        codes=", ".join(one.codes),
        visits=", ".join(one.visits),
    )


def _margins(ranked: Sequence[Summary]) -> Tuple[Tuple[str, int], ...]:
    counts: Dict[str, int] = {}
    for one in ranked:
        name = "not known" if one.margin is None else str(one.margin)
        counts[name] = counts.get(name, 0) + 1
    return tuple(counts.items())


def differences(settings: Mapping[str, Mapping[str, str]]) -> Tuple[Difference, ...]:
    """The settings in which hosts of one class differ, by class and name; the value that most have comes first."""
    classes: Dict[str, Dict[str, Mapping[str, str]]] = defaultdict(dict)
    for host, values in settings.items():
        classes[values.get(CLASS, "")][host] = values
    return tuple(one for name, alike in sorted(classes.items()) for one in _differences(name, alike))


def _differences(server_class: str, settings: Mapping[str, Mapping[str, str]]) -> Iterator[Difference]:
    for name in sorted({name for values in settings.values() for name in values} - set(IDENTITY)):
        owners: Dict[str, List[str]] = defaultdict(list)
        for host, values in settings.items():
            owners[values.get(name, "")].append(host)
        if len(owners) > 1:
            ranked = sorted(owners.items(), key=lambda one: (-len(one[1]), one[0]))
            yield Difference(
                server_class,
                name,
                tuple((value or "not set", tuple(sorted(hosts, key=words.natural))) for value, hosts in ranked),
            )
