# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""How long the rest of a trial takes, from what it measured itself. Pure."""

from __future__ import annotations

from typing import Container, Mapping, Optional

from .figures import Measures, Reader
from .order import Key, Order
from .plan import MEASURING, steps


def seconds_left(
    order: Order, measures: Measures, dropped: Container[str] = (), earlier: Optional[Mapping[Key, float]] = None
) -> Optional[float]:
    """Seconds that fio still needs; None while that depends on a speed that was not measured yet.

    Runs that are measured take their fixed time. The others take as long as their slowest unit needs at the speed
    it had in such a run before, else with its siblings. Until writing was measured, it is assumed to be as fast as
    reading. *earlier* has speeds (bytes per second) from an earlier trial, for units of which this one has measured
    nothing yet.
    """
    reader = Reader(order, measures)
    total = 0.0
    for step in steps(order):
        if step.number in measures:
            continue
        keys = [key for key in step.units if key[0] not in dropped]
        if step.phase in MEASURING:
            total += order.settings.run_seconds + order.settings.ramp_seconds if keys else 0
            continue
        speeds = [_speed(reader, step.phase, key) or (earlier or {}).get(key) for key in keys]
        if not all(speeds):
            return None
        total += max((step.length / one for one in speeds if one), default=0.0)
    return total


def _speed(reader: Reader, phase: str, key: Key) -> Optional[float]:
    for one in (phase, "verify", "write", "surface", "together", "alone"):
        measured = reader.of(one, "sequential", key)
        if measured:
            return measured.bytes_per_second
    return None
