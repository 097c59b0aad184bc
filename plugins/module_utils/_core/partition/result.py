# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""What partitioning range-split drives did, as it is returned. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Tuple

from ..host.run import Command


@dataclass(frozen=True)
class SplitUnit:
    """A unit of a range-split drive; *node* is empty before the partition exists. Bytes."""

    name: str
    index: int
    number: int
    start: int
    size: int
    uuid: str
    node: str = ""


@dataclass(frozen=True)
class SplitDrive:
    """A drive with its partitions. *source* is where its ranges are known from: C(kernel), C(declared), C(table).

    *state*: C(split) (nothing to do), C(new) or C(renamed). *confirmed* is False where the kernel does
    not report the ranges. *notes* are for people.
    """

    serial: str
    bay: str
    source: str
    confirmed: bool
    state: str
    units: Tuple[SplitUnit, ...]
    notes: Tuple[str, ...] = ()

    @property
    def text(self) -> str:
        """Its partitions as text, a line each, for a diff."""
        lines = ["{0} (serial {1}): partitions".format(self.bay, self.serial)]
        lines += [
            "  {0} {1} at {2}, {3} bytes".format(unit.number, unit.name, unit.start, unit.size) for unit in self.units
        ]
        return "".join(line + "\n" for line in lines)


@dataclass(frozen=True)
class Outcome:
    """What was, or in check mode would be, done. *before* and *after* are text for a diff."""

    changed: bool
    commands: Tuple[Command, ...]
    before: str
    after: str
    drives: Tuple[SplitDrive, ...]
