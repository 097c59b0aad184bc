# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""From the measures of runs to the figures of drives, of models and of what drives share. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Dict, Iterator, List, Mapping, Optional, Sequence, Tuple

from .order import KINDS, Key, Order, TrialDrive
from .plan import MEASURING, Step, steps
from .reading import Measure
from .statistics import median, scores

Measures = Mapping[int, Mapping[Key, Measure]]
"""The measures of each run that is done, by its number and by unit."""


@dataclass(frozen=True)
class Pair:
    """A figure for each read pattern: speeds as in `order`, or ratios. None: not measured."""

    sequential: Optional[float] = None
    random: Optional[float] = None


UNMEASURED = Pair()


@dataclass(frozen=True)
class Figures:
    """What was measured of one drive.

    *alone* has each unit by itself, *together* the sum of all units working at once, *all_together* that
    sum while all drives of the trial worked. *independence* is together divided by the sum of alone: 1 for
    actuators that do not slow each other down, 1 / units for units that share one. *evenness* is the slowest
    unit's speed divided by the fastest's. *read_errors* and *wrong_blocks* are by unit. *read_through* and
    *written* are the bytes of each unit that were read in whole, or written and read back.
    """

    alone: Tuple[Pair, ...] = ()
    together: Pair = UNMEASURED
    all_together: Pair = UNMEASURED
    independence: Pair = UNMEASURED
    evenness: Pair = UNMEASURED
    latency_99: Tuple[Pair, ...] = ()
    read_errors: Tuple[int, ...] = ()
    wrong_blocks: Tuple[int, ...] = ()
    read_through: Tuple[int, ...] = ()
    written: Tuple[int, ...] = ()


@dataclass(frozen=True)
class ClassMedian:
    """The medians over the drives of one model (vendor and model); *alone* over their units."""

    drives: int
    alone: Pair
    together: Pair
    independence: Pair
    evenness: Pair


@dataclass(frozen=True)
class Ceiling:
    """What several drives reach at once, next to the sum of what each reached by itself.

    *group* is C(all drives), or the adapter or expander that they share. *share* is reached divided by the
    sum. Well below 1, the limit is what they share, not the drives. *pattern* is C(sequential) or C(random).
    """

    group: str
    pattern: str
    drives: int
    reached: float
    sum_of_drives: float
    share: Optional[float]


def speed(kind: str, measure: Measure) -> float:
    """A unit's speed in the measure of this read pattern."""
    return measure.bytes_per_second if kind == "sequential" else measure.operations_per_second


class Reader:
    """Looks up measures by what was measured."""

    def __init__(self, order: Order, measures: Measures) -> None:
        self._steps = steps(order)
        self._measured: Dict[Tuple[str, str, str, Key], Measure] = {}
        self._runs: Dict[Tuple[str, Key], List[Tuple[Step, Measure]]] = {}
        self._open = set()
        for step in self._steps:
            done = measures.get(step.number, {})
            for key in step.units:
                if key not in done:
                    self._open.add(key[0])
                    continue
                self._measured[step.phase, step.kind, step.group, key] = done[key]
                self._runs.setdefault((step.phase, key), []).append((step, done[key]))

    def of(self, phase: str, kind: str, key: Key, group: str = "") -> Optional[Measure]:
        """The latest measure of a unit in a run of this phase and kind; None where there is none."""
        return self._measured.get((phase, kind, group, key))

    def speeds(self, phase: str, kind: str, keys: Sequence[Key], group: str = "") -> Optional[Tuple[float, ...]]:
        """The speeds of the units in that run; None unless all are known."""
        found = [self.of(phase, kind, key, group) for key in keys]
        return tuple(speed(kind, one) for one in found if one) if all(found) else None

    def errors(self, key: Key, phases: Sequence[str]) -> int:
        """The errors of a unit in all runs of these phases."""
        return sum(one.errors for phase in phases for _step, one in self._runs.get((phase, key), ()))

    def gone_through(self, key: Key, phase: str) -> int:
        """The bytes of the finished chunks of this phase."""
        return sum(step.length for step, _one in self._runs.get((phase, key), ()))

    def complete(self, serial: str) -> bool:
        """Whether every run with this drive is done."""
        return serial not in self._open

    def groups(self) -> Iterator[Tuple[str, str, Tuple[Key, ...], str]]:
        """Phase, kind, units and group of the runs in which several drives work."""
        for step in self._steps:
            if step.phase in ("group", "all"):
                yield step.phase, step.kind, step.units, step.group


def figures(order: Order, measures: Measures) -> Dict[str, Figures]:
    """The figures of each drive, by serial."""
    reader = Reader(order, measures)
    return {drive.serial: _figures(reader, drive) for drive in order.drives}


def _figures(reader: Reader, drive: TrialDrive) -> Figures:
    keys = [(drive.serial, unit.index) for unit in drive.units]
    alone = {kind: reader.speeds("alone", kind, keys) for kind in KINDS}
    single = {key: [reader.speeds("alone", kind, [key]) for kind in KINDS] for key in keys}
    together = {kind: _sum(reader.speeds("together", kind, keys)) for kind in KINDS}
    late = {key: [reader.of("alone", kind, key) for kind in KINDS] for key in keys}
    return Figures(
        alone=tuple(Pair(*(one[0] if one else None for one in single[key])) for key in keys),
        together=_pair(together),
        all_together=_pair({kind: _sum(reader.speeds("all", kind, keys)) for kind in KINDS}),
        independence=_pair({kind: _ratio(together[kind], _sum(alone[kind])) for kind in KINDS}),
        evenness=_pair({kind: _evenness(alone[kind]) for kind in KINDS}) if len(keys) > 1 else UNMEASURED,
        latency_99=tuple(Pair(*(one.latency_99 if one else None for one in late[key])) for key in keys),
        read_errors=tuple(reader.errors(key, (*MEASURING, "surface")) for key in keys),
        wrong_blocks=tuple(reader.errors(key, ("write", "verify")) for key in keys),
        read_through=tuple(reader.gone_through(key, "surface") for key in keys),
        written=tuple(reader.gone_through(key, "verify") for key in keys),
    )


def _pair(by_kind: Mapping[str, Optional[float]]) -> Pair:
    return Pair(by_kind["sequential"], by_kind["random"])


def _sum(speeds: Optional[Sequence[float]]) -> Optional[float]:
    return sum(speeds) if speeds else None


def _ratio(part: Optional[float], whole: Optional[float]) -> Optional[float]:
    return None if part is None or not whole else part / whole


def _evenness(speeds: Optional[Sequence[float]]) -> Optional[float]:
    return min(speeds) / max(speeds) if speeds and max(speeds) else None


def model_medians(order: Order, found: Mapping[str, Figures]) -> Dict[str, ClassMedian]:
    """The medians of each model, by its name."""
    return {name: _class_median([found[drive.serial] for drive in members]) for name, members in classes(order).items()}


def classes(order: Order) -> Dict[str, Tuple[TrialDrive, ...]]:
    """The drives by model."""
    names = sorted({drive.model_name for drive in order.drives})
    return {name: tuple(drive for drive in order.drives if drive.model_name == name) for name in names}


def _class_median(members: Sequence[Figures]) -> ClassMedian:
    return ClassMedian(
        drives=len(members),
        alone=_median_pair([pair for one in members for pair in one.alone]),
        together=_median_pair([one.together for one in members]),
        independence=_median_pair([one.independence for one in members]),
        evenness=_median_pair([one.evenness for one in members]),
    )


def _median_pair(pairs: Sequence[Pair]) -> Pair:
    def middle(kind: str) -> Optional[float]:
        known = [number for number in (getattr(pair, kind) for pair in pairs) if number is not None]
        return median(known) if known else None

    return Pair(middle("sequential"), middle("random"))


def outliers(order: Order, found: Mapping[str, Figures]) -> Dict[Tuple[str, int, str], Tuple[float, float]]:
    """How far each unit alone is from the same unit of its model: (deviations, share of the median).

    Keys are serial, unit's place and read pattern. Units of the same place are compared, because the units of a drive
    may differ by design. Models with fewer drives than C(model_least) are left out.
    """
    far: Dict[Tuple[str, int, str], Tuple[float, float]] = {}
    for members in classes(order).values():
        for place in range(max(len(drive.units) for drive in members)):
            for kind in KINDS:
                known = [(drive.serial, _alone(found[drive.serial], place, kind)) for drive in members]
                speeds = [(serial, value) for serial, value in known if value is not None]
                if len(speeds) < max(order.settings.thresholds.model_least, 2):
                    continue
                centre = median([value for _serial, value in speeds])
                for (serial, value), score in zip(speeds, scores([value for _serial, value in speeds])):
                    far[serial, place, kind] = (score, value / centre if centre else 1.0)
    return far


def _alone(found: Figures, place: int, kind: str) -> Optional[float]:
    return getattr(found.alone[place], kind) if place < len(found.alone) else None


def ceilings(order: Order, measures: Measures) -> Tuple[Ceiling, ...]:
    """What the drives reached together, for each thing they share and each read pattern."""
    reader = Reader(order, measures)
    found = []
    for phase, kind, keys, group in reader.groups():
        reached = reader.speeds(phase, kind, keys, group)
        single = [reader.speeds("together", kind, [key]) or reader.speeds("alone", kind, [key]) for key in keys]
        if reached and all(single):
            total = sum(one[0] for one in single if one)
            drives = len({serial for serial, _index in keys})
            share = _ratio(sum(reached), total)
            found.append(Ceiling(group or "all drives", kind, drives, sum(reached), total, share))
    return tuple(found)
