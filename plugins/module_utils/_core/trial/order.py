# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The order of a trial: drives, settings and thresholds. Pure.

Speeds are bytes per second for C(sequential) and operations per second for C(random).
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from typing import Any, Dict, Optional, Tuple

from ..errors import InputError
from ..plain import to_plain

Key = Tuple[str, int]
"""A unit: its drive's serial and its index."""

KINDS = ("sequential", "random")
VERDICTS = ("accept", "look", "reject")
"""From the best to the worst."""


@dataclass(frozen=True)
class Thresholds:
    """The limits of the verdicts. Shares are 0 to 1. They are common practice; no standard sets them.

    C(..._look) and C(..._reject) are the value below which (defects, hours: from which on) a drive gets that verdict.
    *deviations* is how far from its model a unit must be to count as an outlier, in standard deviations estimated from
    the median absolute deviation: 3.5 is the proposal of Iglewicz and Hoaglin, "How to Detect and Handle Outliers"
    (1993). *model_least* is the number of drives from which on a
    model is compared. A 0 for defects or hours sets no limit.
    """

    independence_look: float = 0.85
    independence_reject: float = 0.7
    evenness_look: float = 0.85
    evenness_reject: float = 0.5
    speed_look: float = 0.9
    speed_reject: float = 0.5
    deviations: float = 3.5
    model_least: int = 5
    defects_look: int = 1
    defects_reject: int = 100
    hours_look: int = 0

    def __post_init__(self) -> None:
        for name in ("independence", "evenness", "speed"):
            reject, look = getattr(self, name + "_reject"), getattr(self, name + "_look")
            if not 0 <= reject <= look <= 1:
                raise InputError(
                    "{0} and {1} are not in ascending order from 0 to 1".format(reject, look),
                    subject="thresholds.{0}_reject, {0}_look".format(name),
                )
        for name in ("deviations", "model_least", "defects_look", "defects_reject", "hours_look"):
            if getattr(self, name) < 0:
                raise InputError("{0} is below 0".format(getattr(self, name)), subject="thresholds." + name)


@dataclass(frozen=True)
class Settings:
    """How drives are measured. Times are in seconds, sizes in bytes, temperatures in degrees Celsius.

    *per_adapter* drives of an adapter are measured at a time, *burn_in_per_adapter* read through or written at
    a time (0: all). *temperature_ceiling* 0 sets none.
    """

    run_seconds: int = 10
    ramp_seconds: int = 2
    sequential_block: int = 1 << 20
    sequential_depth: int = 4
    random_block: int = 4096
    random_depth: int = 16
    per_adapter: int = 1
    surface: bool = False
    burn_in_per_adapter: int = 0
    chunk: int = 64 << 30
    temperature_ceiling: int = 55
    time_limit_seconds: int = 259200
    thresholds: Thresholds = field(default_factory=Thresholds)

    def __post_init__(self) -> None:
        limits = {
            "run_seconds": (1, 3600),
            "ramp_seconds": (0, 600),
            "sequential_block": (4096, 16 << 20),
            "sequential_depth": (1, 256),
            "random_block": (4096, 1 << 20),
            "random_depth": (1, 256),
            "per_adapter": (1, 256),
            "burn_in_per_adapter": (0, 256),
            "chunk": (1 << 20, 1 << 50),
            "temperature_ceiling": (0, 100),
            "time_limit_seconds": (60, 6000000),
        }
        for name, (least, most) in limits.items():
            if not least <= getattr(self, name) <= most:
                raise InputError(
                    "{0} is not between {1} and {2}".format(getattr(self, name), least, most), subject=name
                )
        for name in ("sequential_block", "random_block"):
            if getattr(self, name) % 4096:
                raise InputError("{0} is not a multiple of 4096".format(getattr(self, name)), subject=name)
        if self.chunk % (1 << 20):
            raise InputError("{0} is not a multiple of 1 MiB".format(self.chunk), subject="chunk")


@dataclass(frozen=True)
class TrialUnit:
    """A unit under trial: *path* is opened; *start* and *size* say which part of it is the unit."""

    index: int
    path: str
    wwn: str = ""
    unit_kind: str = "lun"
    start: int = 0
    size: int = 0


@dataclass(frozen=True)
class TrialDrive:
    """A drive under trial. *expander* is the kernel's name of the expander it is behind; empty for none."""

    serial: str
    units: Tuple[TrialUnit, ...]
    bay: str = ""
    model_name: str = ""
    firmware: str = ""
    adapter: str = ""
    expander: str = ""
    expected_units: int = 0
    burn_in: bool = False

    @property
    def label(self) -> str:
        """How messages name the drive: bay and serial."""
        return "{0} (serial {1})".format(self.bay or "bay unknown", self.serial)

    def name(self, index: int) -> str:
        """The unit's name, C(bay07.1); by serial where the bay is not known."""
        return "{0}.{1}".format(self.bay or self.serial, index)


@dataclass(frozen=True)
class Order:
    """A trial as it was ordered. *ranges* are declared ranges by serial, as the inventory has them."""

    drives: Tuple[TrialDrive, ...]
    settings: Settings = field(default_factory=Settings)
    ranges: Dict[str, Any] = field(default_factory=dict)

    @property
    def id(self) -> str:
        """The same for the same units, settings and permission to write, in whichever bays the drives are."""
        content = {
            "drives": sorted(
                [drive.serial, drive.burn_in, [[unit.index, unit.wwn, unit.size] for unit in drive.units]]
                for drive in self.drives
            ),
            "settings": to_plain(self.settings),
        }
        return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:16]

    def drive(self, serial: str) -> TrialDrive:
        """The drive with this serial."""
        return next(drive for drive in self.drives if drive.serial == serial)

    def unit(self, key: Key) -> TrialUnit:
        """The unit of this serial and index."""
        return next(unit for unit in self.drive(key[0]).units if unit.index == key[1])

    def key_of(self, name: str) -> Optional[Key]:
        """The unit of this name (C(bay07.1)); None when there is none."""
        for drive in self.drives:
            for unit in drive.units:
                if drive.name(unit.index) == name:
                    return drive.serial, unit.index
        return None
