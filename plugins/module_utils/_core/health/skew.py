# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The skew between a drive's units: a failing actuator shows in comparison with its sibling. Pure.

Siblings have the same age and the same enclosure and, in a pool that this collection planned, get the same load. So
each is the best reference for the other, whatever the drive's model or age. A skew is how many times worse a unit
performs than its best sibling: 1 means no worse.

Units are compared only while they have similar load: otherwise the load would show, not the unit.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Deque, Dict, Optional, Sequence, Tuple

from .blockstat import BlockStat

WINDOW = 600.0  # seconds of load that are compared
LEAST_OPERATIONS = 200  # fewer requests in the window say nothing about a unit
ALIKE = 1.5  # loads differ by at most this factor, in requests and in bytes a request


@dataclass(frozen=True)
class Load:
    """What a unit did in a window of time."""

    operations: int
    moved: int
    seconds: float
    busy: float

    @property
    def latency(self) -> float:
        """Mean seconds of a request."""
        return self.seconds / self.operations

    @property
    def size(self) -> float:
        """Mean bytes of a request."""
        return self.moved / self.operations

    @property
    def throughput(self) -> float:
        """Bytes a second while it was busy."""
        return self.moved / self.busy


@dataclass(frozen=True)
class Skew:
    """How many times worse a unit performs than its best sibling; None where they cannot be compared."""

    throughput: Optional[float] = None
    latency: Optional[float] = None
    errors: Optional[float] = None


class History:
    """Block counts of units over the last `WINDOW` seconds, from which their load is computed."""

    def __init__(self, window: float = WINDOW) -> None:
        self._window = window
        self._samples: Dict[str, Deque[Tuple[float, BlockStat]]] = {}

    def add(self, unit: str, now: float, stat: BlockStat) -> None:
        """Add a sample. Lower counts than before mean that the device was added again: its history is dropped."""
        samples = self._samples.setdefault(unit, deque())
        if samples and (stat.reads < samples[-1][1].reads or stat.writes < samples[-1][1].writes):
            samples.clear()
        # Ten samples a window are enough, whatever the interval of the readings.
        if len(samples) > 1 and samples[-1][0] - samples[-2][0] < self._window / 10:
            samples.pop()
        samples.append((now, stat))
        while len(samples) > 2 and samples[0][0] < now - self._window:
            samples.popleft()

    def keep_only(self, units: Sequence[str]) -> None:
        """Forget all other units."""
        self._samples = {unit: self._samples[unit] for unit in units if unit in self._samples}

    def load(self, unit: str) -> Optional[Load]:
        """What the unit did in the window; None before there are two samples."""
        samples = self._samples.get(unit)
        if not samples or len(samples) < 2:
            return None
        old, new = samples[0][1], samples[-1][1]
        return Load(
            operations=new.reads + new.writes - old.reads - old.writes,
            moved=new.read_bytes + new.written_bytes - old.read_bytes - old.written_bytes,
            seconds=new.read_seconds + new.write_seconds - old.read_seconds - old.write_seconds,
            busy=new.busy_seconds - old.busy_seconds,
        )


def skews(loads: Sequence[Optional[Load]], bad_places: Sequence[Optional[int]]) -> Tuple[Skew, ...]:
    """The skew of each unit of one drive, in the order given.

    *bad_places* are the units' uncorrected errors and defects. They are compared with one added to
    each, so that a clean sibling divides and one bad place alone reads as 2.
    """
    done = [load for load in loads if load is not None and _enough(load)]
    comparable = len(done) == len(loads) > 1 and _alike(done)
    known = [count for count in bad_places if count is not None]
    counted = len(known) == len(bad_places) > 1
    found = []
    for number, load in enumerate(loads):
        count = bad_places[number]
        found.append(
            Skew(
                throughput=max(one.throughput for one in done) / load.throughput if comparable and load else None,
                latency=load.latency / min(one.latency for one in done) if comparable and load else None,
                errors=(count + 1) / (min(known) + 1) if counted and count is not None else None,
            )
        )
    return tuple(found)


def _enough(load: Load) -> bool:
    # Times are counted in milliseconds; below a total of 1 s, rounding would matter.
    return load.operations >= LEAST_OPERATIONS and load.moved > 0 and load.seconds >= 1.0 and load.busy >= 1.0


def _alike(loads: Sequence[Load]) -> bool:
    most_operations = max(load.operations for load in loads)
    largest = max(load.size for load in loads)
    return most_operations <= ALIKE * min(load.operations for load in loads) and largest <= ALIKE * min(
        load.size for load in loads
    )
