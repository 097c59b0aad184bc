# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The figures of a trial as shapes to draw: the speeds of all units of a class, and each drive's units. Pure.

Lengths are in the units of the drawing, *WIDTH* wide; y grows downwards.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import Any, Dict, List, Mapping, Optional, Sequence, Tuple

WIDTH = 720.0
EDGE = 16.0  # left and right of the scale, for the labels of its ends
DOT = 9.0
NAMES = 92.0  # left of the bars, for the bays
VERDICTS = 96.0  # right of them
ROW = 20.0
TICKS = 5

KINDS = ("sequential", "random")
MEASURES = {"sequential": ("MB/s", 1e6), "random": ("operations/s", 1.0)}


@dataclass(frozen=True)
class Tick:
    """A mark on a scale."""

    x: float
    text: str


@dataclass(frozen=True)
class Shape:
    """All parts of a drawing that look alike: *look* is their class for the page's style, *path* an SVG path."""

    look: str
    path: str


@dataclass(frozen=True)
class Distribution:
    """The speeds of all units of a class, each a dot over its place on the scale; *median* is that of all of them.

    Unit 0 is a circle, others are squares; those of drives that were not accepted look C(off).
    """

    model_name: str
    kind: str
    measure: str
    height: float
    shapes: Tuple[Shape, ...]
    ticks: Tuple[Tick, ...]
    median: Optional[Tick]
    said: str


@dataclass(frozen=True)
class Row:
    """The names beside a drive's bar."""

    y: float
    label: str
    verdict: str


@dataclass(frozen=True)
class Bars:
    """All drives of a class: the speeds of their units alone, end to end, and a line at the speed of all at once.

    *median*: half of the drives reach this speed with all units at once.
    """

    model_name: str
    kind: str
    measure: str
    height: float
    rows: Tuple[Row, ...]
    shapes: Tuple[Shape, ...]
    ticks: Tuple[Tick, ...]
    median: Optional[Tick]


def classes(trial: Mapping[str, Any]) -> Dict[str, List[Mapping[str, Any]]]:
    """The drives of a trial by class."""
    found: Dict[str, List[Mapping[str, Any]]] = defaultdict(list)
    for drive in trial["drives"]:
        found[drive["model_name"]].append(drive)
    return dict(sorted(found.items()))


def distribution(trial: Mapping[str, Any], model_name: str, kind: str) -> Optional[Distribution]:
    """Where the units of a class lie; None when no speed was measured."""
    measure, scale = MEASURES[kind]
    found = [
        (unit[kind] / scale, index, drive)
        for drive in classes(trial).get(model_name, ())
        for index, unit in enumerate(drive["alone"])
        if unit[kind] is not None
    ]
    if not found:
        return None
    speeds = [speed for speed, _index, _drive in found]
    axis = Axis(min(speeds), max(speeds), EDGE, WIDTH - EDGE)
    heights: Dict[int, int] = defaultdict(int)
    drawn: Dict[str, List[str]] = defaultdict(list)
    for speed, index, drive in sorted(found, key=lambda one: (one[0], one[2]["bay"], one[1])):
        column = round(axis.at(speed) / DOT)
        look = "{0}{1}".format("u1" if index else "u0", "" if drive["verdict"] == "accept" else " off")
        drawn[look].append(_dot(column * DOT, -DOT * (heights[column] + 0.5), index))
        heights[column] += 1
    height = DOT * max(heights.values())
    median = _median(trial, model_name, "alone", kind, axis)
    said = "{0} units from {1} to {2} {3}".format(len(found), _figure(min(speeds)), _figure(max(speeds)), measure)
    if median:
        said += ", median {0}".format(median.text)
    shapes = tuple(Shape(look, "".join(parts)) for look, parts in sorted(drawn.items()))
    return Distribution(model_name, kind, measure, height, shapes, axis.ticks(), median, said)


def _dot(x: float, y: float, index: int) -> str:
    """A circle or a square around this point."""
    if index:
        return "M{0:g} {1:g}h7v7h-7z".format(x - 3.5, y - 3.5)
    return "M{0:g} {1:g}a4 4 0 1 0 8 0a4 4 0 1 0-8 0z".format(x - 4, y)


def bars(trial: Mapping[str, Any], model_name: str, kind: str) -> Optional[Bars]:
    """Each drive of a class; None when no speed was measured."""
    measure, scale = MEASURES[kind]
    drives = [
        drive for drive in classes(trial).get(model_name, ()) if any(unit[kind] is not None for unit in drive["alone"])
    ]
    if not drives:
        return None
    sums = [sum(unit[kind] or 0.0 for unit in drive["alone"]) / scale for drive in drives]
    axis = Axis(
        0.0, max([*sums, *((drive["together"][kind] or 0.0) / scale for drive in drives)]), NAMES, WIDTH - VERDICTS
    )
    rows: List[Row] = []
    drawn: Dict[str, List[str]] = {"u0": [], "u1": [], "both": []}
    for place, drive in enumerate(drives):
        rows.append(Row(ROW * place, drive["bay"] or drive["serial"], drive["verdict"]))
        _bar(drive, kind, axis, ROW * place, drawn)
    return Bars(
        model_name,
        kind,
        measure,
        ROW * len(rows),
        tuple(rows),
        tuple(Shape(look, "".join(parts)) for look, parts in drawn.items() if parts),
        axis.ticks(),
        _median(trial, model_name, "together", kind, axis),
    )


def _bar(drive: Mapping[str, Any], kind: str, axis: Axis, y: float, drawn: Dict[str, List[str]]) -> None:
    scale = MEASURES[kind][1]
    reached = 0.0
    for index, unit in enumerate(drive["alone"]):
        begin = axis.at(reached)
        reached += (unit[kind] or 0.0) / scale
        length = max(0.0, axis.at(reached) - begin - 1)
        drawn["u1" if index % 2 else "u0"].append(
            "M{0:g} {1:g}h{2:g}v13h-{2:g}z".format(begin, y + 3, round(length, 1))
        )
    together = drive["together"][kind]
    if together is not None:
        drawn["both"].append("M{0:g} {1:g}v19".format(axis.at(together / scale), y))


def _figure(value: float) -> str:
    return "{0:.0f}".format(value) if value >= 10 else "{0:.2g}".format(value)


def _median(trial: Mapping[str, Any], model_name: str, what: str, kind: str, axis: Axis) -> Optional[Tick]:
    measure, scale = MEASURES[kind]
    value = trial["model_median"].get(model_name, {}).get(what, {}).get(kind)
    return None if value is None else Tick(axis.at(value / scale), "{0} {1}".format(_figure(value / scale), measure))


class Axis:
    """A scale with round marks that reaches a little beyond the values."""

    def __init__(self, least: float, most: float, left: float, right: float) -> None:
        # Equal values, or next to, still get a scale that floating point can tell apart.
        span = max(most - least, abs(most) * 1e-6)
        self._step = _round_step(span if span > 1e-6 else 1.0)
        self._first = math.floor(least / self._step) * self._step
        self._last = max(math.ceil(most / self._step), math.floor(least / self._step) + 1) * self._step
        self._left, self._right = left, right

    def at(self, value: float) -> float:
        """Where *value* lies."""
        share = (value - self._first) / (self._last - self._first)
        return round(self._left + share * (self._right - self._left), 1)

    def ticks(self) -> Tuple[Tick, ...]:
        """Its marks."""
        count = round((self._last - self._first) / self._step)
        found = [self._first + self._step * number for number in range(count + 1)]
        return tuple(Tick(self.at(value), "{0:g}".format(round(value, 6))) for value in found)


def _round_step(span: float) -> float:
    """The least of 1, 2 and 5 by powers of ten that divides *span* into few steps."""
    raw = span / TICKS
    power: float = 10.0 ** math.floor(math.log10(raw))
    return next(factor * power for factor in (1, 2, 5, 10) if factor * power >= raw * 0.999)


def counts(drives: Sequence[Mapping[str, Any]]) -> Dict[str, int]:
    """How many drives have each verdict, worst first."""
    found = {
        verdict: sum(1 for drive in drives if drive["verdict"] == verdict) for verdict in ("reject", "look", "accept")
    }
    return {verdict: count for verdict, count in found.items() if count}
