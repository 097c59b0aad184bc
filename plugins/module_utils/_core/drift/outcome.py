# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The outcome of comparing several hosts: what counts, and how it is shown. Pure."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import Any, Dict, List, Mapping, Sequence, Tuple

from ..model import Finding
from ..plain import amount, to_plain
from ..record import Accepted, HostRecord
from .accept import Acceptance, apply
from .codes import CODES, SEVERITIES, at_least, note
from .fleet import fleet_findings

CLEAN, FINDINGS, UNCHECKED = "clean", "findings", "incomplete"
_WIDEST = 40
_COLUMNS = ("host", "severity", "code", "subject", "declared", "found", "since")


@dataclass(frozen=True)
class HostOutcome:
    """One host. *failing* counts its findings of the chosen severity or higher. *checked* is False for a host that
    could not be compared; its finding says why."""

    host: str
    checked: bool
    findings: Tuple[Finding, ...]
    accepted: Tuple[Accepted, ...] = ()
    failing: int = 0
    margin: Any = None


@dataclass(frozen=True)
class Outcome:
    """All hosts, by name. *verdict*: C(incomplete) when a host could not be compared, else C(findings) or C(clean)."""

    verdict: str
    fail_on: str
    hosts: Tuple[HostOutcome, ...]


def outcome(
    records: Sequence[HostRecord],
    unchecked: Mapping[str, str],
    acceptances: Mapping[str, Sequence[Acceptance]],
    fail_on: str,
) -> Outcome:
    """The outcome of the *records*, with the findings from comparing the servers; *unchecked* has reasons by host.

    *acceptances* are by host. *fail_on* is the lowest severity that counts as failing.
    """
    shared = fleet_findings(records)
    hosts = [_checked(one, shared.get(one.host, []), acceptances.get(one.host, ()), fail_on) for one in records]
    for host, why in unchecked.items():
        finding = note("drift_unchecked", why or "no reason given", "compared", about="host {0}".format(host))
        hosts.append(HostOutcome(host, False, (finding,), failing=1))
    verdict = UNCHECKED if unchecked else FINDINGS if any(one.failing for one in hosts) else CLEAN
    return Outcome(verdict, fail_on, tuple(sorted(hosts, key=lambda one: one.host)))


def _checked(
    record: HostRecord, shared: Sequence[Finding], acceptances: Sequence[Acceptance], fail_on: str
) -> HostOutcome:
    ours = [one for one in acceptances if CODES[one.code].area == "fleet"]
    counting, accepted = apply(shared, ours, record.checked_at[:10])
    findings = tuple(sorted((*record.findings, *counting), key=_highest_first))
    failing = sum(1 for one in findings if at_least(one.severity, fail_on))
    return HostOutcome(record.host, True, findings, record.accepted + accepted, failing, record.margin)


def _highest_first(one: Finding) -> Tuple[int, str, str, str, int]:
    return (-SEVERITIES.index(one.severity), one.bay, one.serial, one.code, -1 if one.index is None else one.index)


def trimmed(record: HostRecord) -> HostRecord:
    """The part of a record that the outcome needs: it is passed between processes for each host."""
    drives = tuple({"serial": one.get("serial", ""), "bay": one.get("bay")} for one in record.drives)
    return replace(record, drives=drives, layout=None, pool=None, history=(), guarantees={}, trial=None)


def to_data(result: Outcome) -> Dict[str, Any]:
    """The outcome as plain data, for JSON: C(schema), C(verdict), C(fail_on), C(hosts)."""
    return {"schema": 1, **to_plain(result)}


def table(data: Mapping[str, Any]) -> List[str]:
    """The outcome in plain data as lines of a table: every finding, then one line for each host, then the verdict."""
    rows: List[Tuple[str, ...]] = [
        (host["host"], one["severity"], one["code"], subject(one), one["declared"], one["found"], one["since"])
        for host in data["hosts"]
        for one in host["findings"]
    ]
    lines: List[str] = []
    if rows:
        shown = [_COLUMNS, *(tuple(cell or "-" for cell in row) for row in rows)]
        widths = [max(len(row[n]) for row in shown) for n in range(len(_COLUMNS))]
        # Long texts of declared and found do not push the columns of all other rows apart.
        widths[4:] = [min(width, _WIDEST) for width in widths[4:]]
        lines += ["  ".join(cell.ljust(width) for cell, width in zip(row, widths)).rstrip() for row in shown]
        lines.append("")
    lines += [_host_line(host) for host in data["hosts"]]
    lines.append(_VERDICTS[data["verdict"]].format(data["fail_on"]))
    return lines


_VERDICTS = {
    CLEAN: "No finding of severity {0} or higher.",
    FINDINGS: "There are findings of severity {0} or higher.",
    UNCHECKED: "Some hosts could not be compared.",
}


def _host_line(host: Mapping[str, Any]) -> str:
    counts = Counter(one["severity"] for one in host["findings"])
    words = ", ".join(_amount(counts[name], name) for name in reversed(SEVERITIES) if counts[name]) or "clean"
    if host["accepted"]:
        words += ", {0} accepted".format(len(host["accepted"]))
    if host["margin"] is not None:
        words += ", margin {0}".format(host["margin"])
    return "{0}: {1}".format(host["host"], words)


def _amount(number: int, severity: str) -> str:
    return "{0} info".format(number) if severity == "info" else amount(number, severity)


def subject(one: Mapping[str, Any]) -> str:
    """How messages name what a finding in plain data is about."""
    names = ("code", "severity", "serial", "bay", "index", "about")
    return Finding(**{name: one[name] for name in names}).subject
