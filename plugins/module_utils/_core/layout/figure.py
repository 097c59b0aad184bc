# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""A number that says how it is made."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from ..checks import refused
from ..errors import InputError

EXACT = "exact"
MODEL = "model"
ESTIMATE = "estimate"


@dataclass(frozen=True)
class Figure:
    """A computed number: *value* in *unit*.

    *how* is C(exact) (counted, or the kernel's own arithmetic), C(model) (exact for stated
    assumptions that the world only resembles) or C(estimate) (a rule of thumb). *note*
    names the assumptions. *value* is an int or a float.
    """

    value: Any
    unit: str
    how: str
    note: str = ""

    def __post_init__(self) -> None:
        if self.how not in (EXACT, MODEL, ESTIMATE):
            raise InputError("{0!r} is not a way to make a number".format(self.how), "how")


def ranged(value: float, least: float, most: float, where: str) -> float:
    """*value*, when it is a number from *least* to *most*: nan and inf are none."""
    if not least <= value <= most:
        raise refused(value, where, "a number from {0:g} to {1:g}".format(least, most))
    return value
