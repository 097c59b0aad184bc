# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Everything that a host's page shows, as data for its template. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, List, Mapping, Optional, Sequence, Tuple

from ..model import Finding
from ..plain import amount
from ..record import Event, HostRecord
from . import plots, words
from .chassis import TONES, Chassis, Places, bay_label, maps, member_state

_SEVERITIES = ("error", "warning", "info")


@dataclass(frozen=True)
class FindingRow:
    """A finding. *since* is when it was first found without a break, in words; empty when that is not known."""

    severity: str
    code: str
    where: str
    declared: str
    found: str
    remedy: str
    since: str
    reason: str = ""
    until: str = ""


@dataclass(frozen=True)
class VdevRow:
    """A vdev of the pool, or of the layout where there is no pool. *margin* is empty where it is not known."""

    mark: str
    tone: int
    name: str
    state: str
    width: int
    survives: str
    lost: int
    margin: str
    members: Tuple[Tuple[str, str], ...]  # name, word


@dataclass(frozen=True)
class DriveRow:
    """A drive of the host. *margin*: failures, this drive first, that each of its vdevs survives."""

    bay: str
    serial: str
    model: str
    firmware: str
    units: Tuple[str, ...]
    size: str
    adapter: str
    margin: str


@dataclass(frozen=True)
class TrialRow:
    """A drive's trial in figures, text for text."""

    bay: str
    serial: str
    alone: Tuple[str, ...]
    together: str
    independence: str
    evenness: str
    verdict: str
    reasons: Tuple[str, ...]


@dataclass(frozen=True)
class Trial:
    """The last trial of a host's drives."""

    at: str
    summary: str
    distributions: Tuple[plots.Distribution, ...]
    bars: Tuple[plots.Bars, ...]
    units: int
    rows: Tuple[TrialRow, ...]


@dataclass(frozen=True)
class HostPage:
    """A host's page. *standing* is C(good), C(watch) or C(bad)."""

    host: str
    checked_at: str
    standing: str
    standing_word: str
    verdict: str
    visits: Tuple[str, ...]
    margin: Optional[int]
    promised: Optional[int]
    facts: Tuple[Tuple[str, str], ...]
    findings: Tuple[FindingRow, ...]
    accepted: Tuple[FindingRow, ...]
    chassis: Tuple[Chassis, ...]
    planned: bool
    vdevs: Tuple[VdevRow, ...]
    guarantees: Tuple[str, ...]
    drives: Tuple[DriveRow, ...]
    trial: Optional[Trial]
    history: Tuple[Tuple[str, str, str, str], ...]
    settings: Tuple[Tuple[str, str], ...]


def host_page(record: HostRecord, columns: int = 0) -> HostPage:
    """The page of a host; *columns* as in `chassis.maps`."""
    places = Places(record)
    state = words.standing(record)
    return HostPage(
        host=record.host,
        checked_at=words.date(record.checked_at),
        standing=state,
        standing_word=words.STANDINGS[state],
        verdict=words.verdict(record),
        visits=words.visits(record),
        margin=record.margin,
        promised=words.promised(record),
        facts=tuple(_facts(record)),
        findings=_findings(record),
        accepted=tuple(
            finding_row(one.finding, record.history, reason=one.reason, until=one.until) for one in record.accepted
        ),
        chassis=maps(record, places, columns),
        planned=record.pool is None and record.layout is not None,
        vdevs=_pool_vdevs(record.pool) if record.pool is not None else _layout_vdevs(record),
        guarantees=tuple(map(str, record.guarantees.get("sentences", ()))),
        drives=_drives(record),
        trial=_trial(record.trial) if record.trial and record.trial.get("drives") else None,
        history=tuple(
            (words.date(one.at), _EVENTS.get(one.event, one.event), one.code, one.subject)
            for one in sorted(record.history, key=lambda one: one.at, reverse=True)
        ),
        settings=tuple(sorted(record.settings.items())),
    )


def _facts(record: HostRecord) -> List[Tuple[str, str]]:
    counted = [drive for drive in record.drives if _is_counted(drive, record)]
    units = sum(len(drive["units"]) for drive in counted)
    facts = [("Recorded", words.date(record.checked_at))]
    if record.pool is not None:
        facts.append(("Pool", "{0}, {1}".format(record.pool["name"], record.pool["state"])))
    facts.append(("Drives found", "{0} with {1}".format(len(counted), amount(units, "unit"))))
    if record.declared:
        facts.append(("Drives declared", str(len(record.declared))))
    if len(counted) < len(record.drives):
        facts.append(("Other drives", "{0} (not declared, no bay)".format(len(record.drives) - len(counted))))
    return facts


def _is_counted(drive: Mapping[str, Any], record: HostRecord) -> bool:
    """Whether a drive compares with the declared ones. The host's own disk has no bay, and nobody declares it."""
    several = max(len(drive["units"]), int(drive.get("expected_units", 0))) > 1
    declared = drive.get("serial") in {str(entry.get("serial", "")) for entry in record.declared.values()}
    return several or bool(bay_label(drive)) or declared


def _findings(record: HostRecord) -> Tuple[FindingRow, ...]:
    rows = [finding_row(one, record.history) for one in record.findings]
    return tuple(sorted(rows, key=lambda row: _SEVERITIES.index(row.severity) if row.severity in _SEVERITIES else 0))


def finding_row(one: Finding, history: Sequence[Event] = (), reason: str = "", until: str = "") -> FindingRow:
    """The finding as the pages show it; *history* gives the first date where the finding itself has none."""
    where = one.subject if one.bay or one.serial or one.about else ""
    return FindingRow(
        severity=one.severity,
        code=one.code,
        where=where,
        declared=one.declared,
        found=one.found,
        remedy=one.remedy,
        since=words.date(one.since) if one.since else _since(one, history),
        reason=reason,
        until=until,
    )


def _since(one: Finding, history: Sequence[Event]) -> str:
    """When it last appeared, by the history, which has an event each time it appears."""
    found = [
        event.at for event in history if (event.code, event.subject, event.event) == (one.code, one.subject, "found")
    ]
    return words.date(max(found)) if found else ""


def _pool_vdevs(pool: Mapping[str, Any]) -> Tuple[VdevRow, ...]:
    margins = pool["margins"]["vdevs"]
    rows = []
    for number, vdev in enumerate(pool["vdevs"]):
        members = [one for slot in vdev["slots"] for one in slot["members"]]
        margin = margins.get(vdev["name"])
        rows.append(
            VdevRow(
                mark=words.mark(number),
                tone=number % TONES,
                name=vdev["name"] if vdev["group"] == "data" else "{0} ({1})".format(vdev["name"], vdev["group"]),
                state=vdev["state"],
                width=len(vdev["slots"]),
                survives=amount(vdev["redundancy"], "failure"),
                lost=sum(not slot["serving"] for slot in vdev["slots"]),
                margin="" if margin is None else str(margin),
                members=tuple((one["name"], member_state(one)[1]) for one in members),
            )
        )
    return tuple(rows)


def _layout_vdevs(record: HostRecord) -> Tuple[VdevRow, ...]:
    return tuple(
        VdevRow(
            mark=words.mark(number),
            tone=number % TONES,
            name="{0}-{1}".format(vdev.keyword or vdev.kind, number),
            state="planned",
            width=vdev.width,
            survives=amount(vdev.parity, "failure"),
            lost=0,
            margin="",
            members=tuple((one.name, "") for one in vdev.members),
        )
        for number, vdev in enumerate(record.layout.vdevs if record.layout else ())
    )


def _drives(record: HostRecord) -> Tuple[DriveRow, ...]:
    margins = (record.pool or {}).get("margins", {}).get("drives", {})
    return tuple(
        DriveRow(
            bay=bay_label(drive),
            serial=drive["serial"],
            model=" ".join(part for part in (drive["vendor"], drive["model"]) if part),
            firmware=drive["firmware"],
            units=tuple(unit["wwn"] for unit in drive["units"]),
            size=" + ".join(_sizes([unit["size"] for unit in drive["units"]])),
            adapter=drive["adapter"],
            margin="" if drive["serial"] not in margins else str(margins[drive["serial"]]),
        )
        for drive in record.drives
    )


def _sizes(sizes: Sequence[int]) -> List[str]:
    if len(set(sizes)) == 1 and len(sizes) > 1:
        return ["{0} x {1}".format(len(sizes), words.size(sizes[0]))]
    return [words.size(count) for count in sizes]


def _trial(trial: Mapping[str, Any]) -> Trial:
    found = [(name, kind) for name in plots.classes(trial) for kind in plots.KINDS]
    spread = [plots.distribution(trial, *one) for one in found]
    drawn = [plots.bars(trial, *one) for one in found]
    counts = plots.counts(trial["drives"])
    return Trial(
        at=words.unix_date(trial["at"]),
        summary=", ".join("{0} {1}".format(count, _VERDICTS[verdict]) for verdict, count in counts.items()),
        distributions=tuple(one for one in spread if one is not None),
        bars=tuple(one for one in drawn if one is not None),
        units=max(len(drive["alone"]) for drive in trial["drives"]),
        rows=tuple(_trial_row(drive) for drive in trial["drives"]),
    )


_EVENTS = {"found": "appeared", "cleared": "resolved"}
_VERDICTS = {"reject": "rejected", "look": "to look at", "accept": "accepted"}


def _trial_row(drive: Mapping[str, Any]) -> TrialRow:
    return TrialRow(
        bay=drive["bay"],
        serial=drive["serial"],
        alone=tuple(_speeds(unit) for unit in drive["alone"]),
        together=_speeds(drive["together"]),
        independence=_ratios(drive["independence"]),
        evenness=_ratios(drive["evenness"]),
        verdict=drive["verdict"],
        reasons=tuple(drive["reasons"]),
    )


def _speeds(pair: Mapping[str, Optional[float]]) -> str:
    sequential, random = pair["sequential"], pair["random"]
    return "{0} / {1}".format(
        "-" if sequential is None else "{0:.0f}".format(sequential / 1e6),
        "-" if random is None else "{0:.0f}".format(random),
    )


def _ratios(pair: Mapping[str, Optional[float]]) -> str:
    return " / ".join(
        "-" if ratio is None else "{0:.2f}".format(ratio) for ratio in (pair[kind] for kind in plots.KINDS)
    )
