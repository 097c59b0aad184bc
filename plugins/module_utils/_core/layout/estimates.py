# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Speed of a layout in multiples of one unit: rules of thumb, stated as such.

Common practice for sizing ZFS pools: a raidz block is spread over all data members, so a vdev
streams like its data members together and seeks like one; every member of a mirror can
answer a read, and all must take a write; a dRAID seeks like as many raidz groups as fit on its
children. Each unit counts as a disk of its own, since it seeks on its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Callable, Dict, Sequence

from ..model import Vdev
from .figure import ESTIMATE, Figure

_NOTE = "{0}; units alike and all working, large pool half empty, no cache, no compression, no other limit{1}"


@dataclass(frozen=True)
class Speed:
    """Estimates in units: 8 means as fast as eight units side by side."""

    streaming_read: Figure
    streaming_write: Figure
    random_read: Figure
    random_write: Figure


def speed(vdevs: Sequence[Vdev], drive_limit: float = 0.0) -> Speed:
    """Estimates for a pool. *drive_limit*: most that a drive's link carries, in units' streams (0: no limit)."""
    drives = {member.serial for vdev in vdevs for member in vdev.members}
    units = sum(vdev.width for vdev in vdevs)
    link = min(1.0, drive_limit * len(drives) / units) if drive_limit and units else 1.0
    tail = "; links carry {0:.0%} of what the units stream".format(link) if link < 1 else ""

    def figure(what: str, factor: float, note: str) -> Figure:
        value = factor * sum(_RULES[vdev.kind][what](vdev) for vdev in vdevs)
        return Figure(value, "units", ESTIMATE, _NOTE.format(note, tail))

    return Speed(
        streaming_read=figure("stream_read", link, "large blocks read in order"),
        streaming_write=figure("stream_write", link, "large blocks written in order"),
        random_read=figure("seek_read", 1.0, "single blocks read anywhere"),
        random_write=figure("seek_write", 1.0, "single blocks written, gathered by transaction groups"),
    )


def _draid_groups(vdev: Vdev) -> float:
    return (vdev.width - vdev.spares) / (vdev.data + vdev.parity)


def _one(_vdev: Vdev) -> float:
    return 1.0


def _width(vdev: Vdev) -> float:
    return float(vdev.width)


_RULES: Dict[str, Dict[str, Callable[[Vdev], float]]] = {
    "raidz": {
        "stream_read": lambda vdev: float(vdev.width - vdev.parity),
        "stream_write": lambda vdev: float(vdev.width - vdev.parity),
        "seek_read": _one,
        "seek_write": _one,
    },
    "mirror": {"stream_read": _width, "stream_write": _one, "seek_read": _width, "seek_write": _one},
    "stripe": {"stream_read": _width, "stream_write": _width, "seek_read": _width, "seek_write": _width},
    "draid": {
        "stream_read": lambda vdev: _draid_groups(vdev) * vdev.data,
        "stream_write": lambda vdev: _draid_groups(vdev) * vdev.data,
        "seek_read": _draid_groups,
        "seek_write": _draid_groups,
    },
}
