# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Selects drives and findings for a caller. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Tuple

from ..model import Drive, Finding
from .discover import Found
from .notes import HOST_WIDE


@dataclass(frozen=True)
class Choice:
    """Which drives are selected: shell-style patterns, and whether drives with a single unit are included."""

    vendor: str = "*"
    model: str = "*"
    ordinary: bool = True

    def wants(self, drive: Drive) -> bool:
        """Whether *drive* is one of them."""
        split = max(len(drive.units), drive.expected_units) > 1
        return (
            (split or self.ordinary) and fnmatchcase(drive.vendor, self.vendor) and fnmatchcase(drive.model, self.model)
        )


def select(found: Found, choice: Choice) -> Tuple[Tuple[Drive, ...], Tuple[Finding, ...]]:
    """The selected drives, and the findings on them and on the host."""
    drives = tuple(drive for drive in found.drives if choice.wants(drive))
    places = {(drive.serial, drive.bay.label if drive.bay else "") for drive in drives}
    return drives, tuple(one for one in found.findings if (one.serial, one.bay) in places or one.code in HOST_WIDE)
