# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""What the collector knows at one moment, in the form in which it is published.

Times are seconds on the host's boot clock (CLOCK_BOOTTIME), which clock changes do not affect and which all processes
share; C(boot) identifies the boot. Wall-clock seconds appear only where OpenZFS gives them, and in *wall* for people.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass, field
from typing import Dict, Optional, Tuple

from ..checked import Checked
from ..declared import DeclaredDrive
from ..errors import DecodeError, InputError
from ..model import Drive, Finding, Unit
from ..plain import from_plain, to_plain
from ..zfs.resolve import Pool
from .blockstat import BlockStat
from .skew import Skew
from .smart import SmartReading

VERSION = 1
BOOT_ID = "/proc/sys/kernel/random/boot_id"
# How the service manager passes it to a service that cannot read that file (specifier %b of systemd.unit(5)).
BOOT_VARIABLE = "EVENKEEL_BOOT_ID"


@dataclass(frozen=True)
class UnitReading:
    """The readings of a unit. *smart* and *io* are the last good ones, *smart_at* and *io_at* when they began.

    *smart_tried* is the moment of the last attempt, *smart_error* why it failed (empty when it did not).
    *asleep* when it found the unit asleep, and did not wake it.
    """

    smart: Optional[SmartReading] = None
    smart_at: float = 0.0
    smart_tried: float = 0.0
    smart_error: str = ""
    asleep: bool = False
    io: Optional[BlockStat] = None
    io_at: float = 0.0
    skew: Skew = field(default_factory=Skew)


@dataclass(frozen=True)
class Space:
    """Bytes of a pool or vdev as C(zpool list) counts them (parity included); *fragmentation* is a share."""

    size: int = 0
    allocated: int = 0
    free: int = 0
    fragmentation: Optional[float] = None


@dataclass(frozen=True)
class ScanReading:
    """The running or last scan. *progress* is a share (0 to 1), *ended* wall-clock seconds; both None when unknown."""

    function: str = "none"
    running: bool = False
    progress: Optional[float] = None
    started: Optional[int] = None
    ended: Optional[int] = None
    errors: int = 0


@dataclass(frozen=True)
class PoolReading:
    """A resolved pool with the other values that the metrics need. Margins are those of `layout.survival`.

    *vdev_margins* are by vdev name; *siblings* counts, by vdev name, drives with more than one unit in it.
    """

    pool: Pool
    margin: int
    vdev_margins: Dict[str, int] = field(default_factory=dict)
    drive_margins: Dict[str, int] = field(default_factory=dict)
    enclosure_margins: Dict[str, int] = field(default_factory=dict)
    siblings: Dict[str, int] = field(default_factory=dict)
    space: Space = Space()
    vdev_space: Dict[str, Space] = field(default_factory=dict)
    scan: ScanReading = ScanReading()
    last_scrub: Optional[int] = None


@dataclass(frozen=True)
class Source:
    """A reading of the whole host (drives, pools): the last good one and the last attempt."""

    at: float = 0.0
    tried: float = 0.0
    error: str = ""


@dataclass(frozen=True)
class Snapshot:
    """Everything at one moment.

    *interval* is the time between snapshots, *stale_after* the age at which the readings of each kind are no longer
    current. *checked* is the last scheduled drift run. *states* are pool states as the kernel reports them, without
    OpenZFS's tools, which may hang. *units* are by `unit_key`. *failures* counts by C(source/reason) since the
    collector started.
    """

    boot: str
    at: float
    wall: float
    interval: float
    stale_after: Dict[str, float]
    drives: Tuple[Drive, ...] = ()
    findings: Tuple[Finding, ...] = ()
    checked: Optional[Checked] = None
    declared: Optional[Tuple[DeclaredDrive, ...]] = None
    declared_pool: str = ""
    declared_error: str = ""
    scrub_every: float = 0.0
    pools: Tuple[PoolReading, ...] = ()
    states: Dict[str, str] = field(default_factory=dict)
    units: Dict[str, UnitReading] = field(default_factory=dict)
    sources: Dict[str, Source] = field(default_factory=dict)
    failures: Dict[str, int] = field(default_factory=dict)
    stuck: Dict[str, int] = field(default_factory=dict)
    version: int = VERSION


def unit_key(drive: Drive, unit: Unit) -> str:
    """The key of a unit's readings: unique on a host, and stable as long as the unit exists."""
    return "{0}/{1}/{2}".format(drive.key, unit.wwn or unit.node, unit.index)


def boot_id(path: str = BOOT_ID) -> str:
    """The kernel's identifier of this boot, without dashes; empty where there is none."""
    try:
        with open(path, encoding="ascii") as handle:
            text = handle.read()
    except OSError:
        text = os.environ.get(BOOT_VARIABLE, "")
    return text.strip().replace("-", "")


def to_text(snapshot: Snapshot) -> str:
    """The snapshot as one line of JSON."""
    return json.dumps(to_plain(snapshot), separators=(",", ":"))


def from_text(text: str) -> Snapshot:
    """The snapshot in *text*. Raises DecodeError when it is damaged or of another version."""
    try:
        data = json.loads(text)
        version = data["version"]
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise DecodeError("the snapshot cannot be read: {0!r}".format(error)) from error
    if version != VERSION:
        raise DecodeError("the snapshot has version {0!r}, not {1}".format(version, VERSION))
    try:
        return from_plain(Snapshot, data, "snapshot")
    except InputError as error:
        raise DecodeError("the snapshot is damaged: {0}".format(error)) from error
