# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Judges a drive by its figures and facts. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Dict, Iterator, List, Mapping, Optional, Sequence, Tuple

from ..plain import amount
from .facts import Facts, UnitFacts
from .figures import Figures, outliers
from .order import KINDS, VERDICTS, Order, Thresholds, TrialDrive
from .statistics import most_common

_UNITS = {"sequential": "MB/s", "random": "operations/s"}


@dataclass(frozen=True)
class Reason:
    """Why a drive is not accepted: a stable *code* for machines, the *verdict* that follows, and a text."""

    code: str
    verdict: str
    text: str


def worst(verdicts: Sequence[str]) -> str:
    """The worst verdict; C(accept) when there is none."""
    return max(verdicts, key=VERDICTS.index, default=VERDICTS[0])


def judge(order: Order, found: Mapping[str, Figures], before: Facts, after: Facts) -> Dict[str, Tuple[Reason, ...]]:
    """The reasons for each drive, worst first; an empty tuple accepts it.

    *before* and *after* are the facts at the beginning and at the end of the trial.
    """
    far = outliers(order, found)
    usual = _usual(order, after)
    judged: Dict[str, Tuple[Reason, ...]] = {}
    for drive in order.drives:
        one = found[drive.serial]
        reasons = [
            *_errors(drive, one),
            *_speeds(drive, one, far, order.settings.thresholds),
            *_units(drive),
            *_class_facts(drive, after.get(drive.serial, ()), usual[drive.model_name]),
            *_health(drive, before.get(drive.serial, ()), after.get(drive.serial, ()), order.settings.thresholds),
        ]
        judged[drive.serial] = tuple(sorted(reasons, key=lambda reason: -VERDICTS.index(reason.verdict)))
    return judged


def _errors(drive: TrialDrive, found: Figures) -> Iterator[Reason]:
    for unit, failed, wrong in zip(drive.units, found.read_errors, found.wrong_blocks):
        if failed:
            yield Reason("read_errors", "reject", "unit {0}: {1} failed".format(unit.index, amount(failed, "read")))
        if wrong:
            text = "unit {0}: {1} of the burn-in could not be written or read back correctly".format(
                unit.index, amount(wrong, "block")
            )
            yield Reason("burn_in_errors", "reject", text)


def _speeds(
    drive: TrialDrive, found: Figures, far: Mapping[Tuple[str, int, str], Tuple[float, float]], limits: Thresholds
) -> Iterator[Reason]:
    # The time of failed reads says nothing: such a unit has no speed to judge.
    if any(found.read_errors):
        return
    yield from _independence(found, limits, len(drive.units))
    yield from _evenness(drive, found, limits)
    yield from _speed(drive, found, far, limits)


def _grade(value: float, look: float, reject: float) -> str:
    return "reject" if value < reject else "look" if value < look else "accept"


def _independence(found: Figures, limits: Thresholds, units: int) -> Iterator[Reason]:
    for kind in KINDS:
        ratio = getattr(found.independence, kind)
        if ratio is None:
            continue
        verdict = _grade(ratio, limits.independence_look, limits.independence_reject)
        if verdict != "accept":
            text = (
                "{0} reads: its units together reach {1:.0%} of their speeds alone (a single actuator reaches {2:.0%})"
            )
            yield Reason("not_independent", verdict, text.format(kind, ratio, 1 / units))


def _evenness(drive: TrialDrive, found: Figures, limits: Thresholds) -> Iterator[Reason]:
    for kind in KINDS:
        share = getattr(found.evenness, kind)
        if share is None:
            continue
        verdict = _grade(share, limits.evenness_look, limits.evenness_reject)
        if verdict != "accept":
            speeds = [getattr(pair, kind) or 0.0 for pair in found.alone]
            slowest = drive.units[speeds.index(min(speeds))].index
            text = "{0} reads: unit {1} reaches {2:.0%} of its sibling's speed ({3} against {4} {5})"
            yield Reason(
                "uneven",
                verdict,
                text.format(kind, slowest, share, _shown(kind, min(speeds)), _shown(kind, max(speeds)), _UNITS[kind]),
            )


def _shown(kind: str, speed: float) -> str:
    return "{0:.1f}".format(speed / 1e6 if kind == "sequential" else speed)


def _speed(
    drive: TrialDrive, found: Figures, far: Mapping[Tuple[str, int, str], Tuple[float, float]], limits: Thresholds
) -> Iterator[Reason]:
    for place, unit in enumerate(drive.units):
        for kind in KINDS:
            score, share = far.get((drive.serial, place, kind), (0.0, 1.0))
            if score > -limits.deviations:
                continue
            verdict = _grade(share, limits.speed_look, limits.speed_reject)
            if verdict != "accept":
                speed = getattr(found.alone[place], kind) or 0.0
                text = "{0} reads: unit {1} reaches {2} {3}, {4:.0%} of the median of its model"
                yield Reason("slow", verdict, text.format(kind, unit.index, _shown(kind, speed), _UNITS[kind], share))


def _units(drive: TrialDrive) -> Iterator[Reason]:
    missing = drive.expected_units - len(drive.units)
    if missing > 0:
        text = "it shows {0} of {1} units".format(len(drive.units), drive.expected_units)
        yield Reason("unit_missing", "reject", text)


_SAME = {
    "write_cache": ("write_cache", "write cache"),
    "sectors": ("sector_format", "sectors of"),
}


def _usual(order: Order, facts: Facts) -> Dict[str, Dict[str, str]]:
    """What more than half of the drives of a model have: firmware by drive, the rest by unit."""
    usual: Dict[str, Dict[str, str]] = {}
    for name in {drive.model_name for drive in order.drives}:
        members = [drive for drive in order.drives if drive.model_name == name]
        units = [unit for drive in members for unit in facts.get(drive.serial, ())]
        usual[name] = {what: most_common([getattr(unit, what) for unit in units]) for what in _SAME}
        usual[name]["firmware"] = most_common([drive.firmware for drive in members])
    return usual


def _class_facts(drive: TrialDrive, facts: Sequence[UnitFacts], usual: Mapping[str, str]) -> Iterator[Reason]:
    if usual["firmware"] and drive.firmware != usual["firmware"]:
        text = "firmware {0}; most drives of its model have {1}".format(drive.firmware or "unknown", usual["firmware"])
        yield Reason("firmware", "look", text)
    for unit in facts:
        for what, (code, words) in _SAME.items():
            if usual[what] and getattr(unit, what) != usual[what]:
                text = "unit {0}: {1} {2}; most units of its model have {3}"
                yield Reason(
                    code, "look", text.format(unit.index, words, getattr(unit, what) or "unknown", usual[what])
                )
        if unit.logical_block not in (512, 4096):
            text = "unit {0}: sectors of {1} bytes; 512 or 4096 are required".format(unit.index, unit.logical_block)
            yield Reason("sector_format", "reject", text)
        if unit.protection:
            text = "unit {0}: formatted with T10 protection type {1}".format(unit.index, unit.protection)
            yield Reason("protection_information", "look", text)


def _health(
    drive: TrialDrive, before: Sequence[UnitFacts], after: Sequence[UnitFacts], limits: Thresholds
) -> List[Reason]:
    reasons: List[Reason] = []
    first = {unit.index: unit for unit in before}
    for unit in after:
        where = "unit {0}: ".format(unit.index)
        reasons += _smart(unit, where)
        reasons += _defects(unit, where, limits)
        reasons += _grown(first.get(unit.index, unit), unit, where)
        if limits.hours_look and (unit.power_on_hours or 0) >= limits.hours_look:
            reasons.append(Reason("hours", "look", "{0}{1} power-on hours".format(where, unit.power_on_hours)))
    if len(after) < len(drive.units):
        reasons.append(Reason("gone", "reject", "it was no longer on the host when the trial ended"))
    return reasons


def _smart(unit: UnitFacts, where: str) -> Iterator[Reason]:
    if unit.smart == "failing":
        yield Reason("smart", "reject", "{0}SMART reports a failure ({1})".format(where, unit.smart_reason))
    elif unit.smart == "attention":
        yield Reason("smart", "look", "{0}SMART reports {1}".format(where, unit.smart_reason))
    elif unit.smart == "unreadable":
        yield Reason("smart", "look", "{0}SMART cannot be read: {1}".format(where, unit.smart_reason))


def _defects(unit: UnitFacts, where: str, limits: Thresholds) -> Iterator[Reason]:
    count = unit.grown_defects or 0
    if limits.defects_reject and count >= limits.defects_reject:
        yield Reason("defects", "reject", where + amount(count, "grown defect"))
    elif limits.defects_look and count >= limits.defects_look:
        yield Reason("defects", "look", where + amount(count, "grown defect"))


_COUNTS = {
    "grown_defects": "grown defects",
    "pending_defects": "pending defects",
    "uncorrected_errors": "uncorrected errors",
}


def _grown(first: UnitFacts, last: UnitFacts, where: str) -> Iterator[Reason]:
    for name, words in _COUNTS.items():
        old: Optional[int] = getattr(first, name)
        new: Optional[int] = getattr(last, name)
        if old is not None and new is not None and new > old:
            text = "{0}{1} rose from {2} to {3} during the trial".format(where, words, old, new)
            yield Reason("growing", "reject", text)
