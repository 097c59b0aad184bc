# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Statistics that a few odd values cannot spoil. Pure.

Median absolute deviation and modified z-score: B. Iglewicz and D. C. Hoaglin, "How to Detect and Handle
Outliers", ASQC Quality Press 1993, section 3.4.
"""

from __future__ import annotations

import math
from typing import Sequence, Tuple

_NORMAL = 0.6744897501960817
"""The upper quartile of the standard normal distribution: MAD / this estimates the standard deviation."""


def median(numbers: Sequence[float]) -> float:
    """The median; the mean of the two in the middle of an even count. Raises ValueError for none."""
    if not numbers:
        raise ValueError("no numbers, no median")
    ordered = sorted(numbers)
    middle = len(ordered) // 2
    return ordered[middle] if len(ordered) % 2 else (ordered[middle - 1] + ordered[middle]) / 2.0


def deviation(numbers: Sequence[float]) -> float:
    """The median absolute deviation from the median, not scaled."""
    centre = median(numbers)
    return median([abs(number - centre) for number in numbers])


def scores(numbers: Sequence[float]) -> Tuple[float, ...]:
    """How many standard deviations each number is from the median, the deviation estimated from the MAD.

    Where more than half of the numbers are equal, the MAD is 0: those that differ are infinitely far.
    """
    centre, spread = median(numbers), deviation(numbers) / _NORMAL
    return tuple(_score(number - centre, spread) for number in numbers)


def _score(distance: float, spread: float) -> float:
    if distance == 0.0:
        return 0.0
    return distance / spread if spread else math.copysign(math.inf, distance)


def most_common(texts: Sequence[str]) -> str:
    """The text that more than half of *texts* are; empty when there is none."""
    for text in sorted(set(texts)):
        if 2 * texts.count(text) > len(texts):
            return text
    return ""
