# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""A number that says how it is made."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

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
