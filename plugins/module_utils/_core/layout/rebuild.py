# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""How long a resilver takes, and which drives do the work.

A model: every unit moves bytes at one sustained rate, a drive's units share its link, and
the busiest unit or link sets the time. Nothing else runs. A healing resilver of raidz reads
the survivors of a vdev once, however many of its members are missing; a mirror's survivors
share the reading; dRAID's sequential resilver spreads reading and writing over all children;
a stripe has nothing to resilver from.

A replaced drive of two units writes with both at once, each in its own vdev, if both
replacements are part of one resilver pass. OpenZFS defers a second one that comes later, and then
the two take their times one after the other.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import Dict, Iterator, List, Sequence, Set, Tuple

from ..errors import InputError
from ..model import Member, Vdev
from .figure import ESTIMATE, Figure, ranged

HOUR = 3600
FASTEST = 1e12  # bytes/s; no unit and no link comes near


@dataclass(frozen=True)
class Pace:
    """The speed of a resilver. The defaults are assumptions; give measured ones.

    *rate*: bytes/s that one unit moves in a resilver (assumption: 100 MB/s, a third to a half of
    what a hard drive streams). *link*: bytes/s between host and drive, shared by its units; 0 for
    no limit. *fill*: share of the pool that is written (assumption: 0.8).
    """

    rate: float = 100e6
    link: float = 0.0
    fill: float = 0.8

    def __post_init__(self) -> None:
        if self.rate <= 0:
            raise InputError("{0} is not a rate".format(self.rate), "rate", "Give bytes/s above 0.")
        if self.link < 0:
            raise InputError("{0} is not a link speed".format(self.link), "link", "Give bytes/s, or 0 for no limit.")
        if not 0 < self.fill <= 1:
            raise InputError("{0} is not a share".format(self.fill), "fill", "Give a share above 0, up to 1.")
        ranged(self.rate, 1, FASTEST, "rate")
        if self.link:
            ranged(self.link, 1, FASTEST, "link")
        ranged(self.fill, 1e-6, 1, "fill")


ASSUMED_PACE = Pace()


@dataclass(frozen=True)
class Rebuild:
    """The resilver of some members, in one pass.

    *written*: bytes written to the replacement. *read*: bytes read of each surviving drive, by
    serial. *busy_units*: how many units of each surviving drive read, by serial.
    """

    hours: float
    written: float
    read: Dict[str, float]
    busy_units: Dict[str, int]

    @property
    def most_read(self) -> float:
        """Bytes read of the drive that is read most."""
        return max(self.read.values(), default=0.0)


def vdevs_of_drives(vdevs: Sequence[Vdev]) -> Dict[str, List[Vdev]]:
    """For each drive, by serial, the vdevs that hold its units, each once."""
    homes: Dict[str, List[Vdev]] = defaultdict(list)
    for vdev in vdevs:
        for serial in sorted({member.serial for member in vdev.members}):
            homes[serial].append(vdev)
    return dict(homes)


def rebuild_drive(vdevs: Sequence[Vdev], serial: str, pace: Pace = ASSUMED_PACE) -> Rebuild:
    """The resilver of all units of one drive in one pass."""
    return _rebuild(vdevs, {(serial, m.index) for v in vdevs for m in v.members if m.serial == serial}, pace, serial)


def rebuild_unit(vdevs: Sequence[Vdev], serial: str, index: int, pace: Pace = ASSUMED_PACE) -> Rebuild:
    """The resilver of one unit of a drive whose other units work."""
    return _rebuild(vdevs, {(serial, index)}, pace, "{0}.{1}".format(serial, index))


def rebuild_in_turn(vdevs: Sequence[Vdev], serial: str, pace: Pace = ASSUMED_PACE) -> float:
    """Hours for a drive whose units are resilvered one after the other (a deferred resilver)."""
    found = [m for v in vdevs for m in v.members if m.serial == serial]
    return sum(rebuild_unit(vdevs, serial, member.index, pace).hours for member in found)


def rebuild_figures(vdevs: Sequence[Vdev], pace: Pace = ASSUMED_PACE) -> Dict[str, Figure]:
    """Resilver hours in the worst case over all drives: C(unit), C(drive) (one pass) and C(in_turn) (two passes)."""
    if not vdevs:
        raise InputError("a pool needs at least one vdev", subject="vdevs")
    # Drives with as many units in the same vdevs take alike: one of each kind is enough. Where no link sets a limit,
    # every unit depends on its own vdev only, and vdevs of one shape count as equal.
    shapes = {
        id(v): (n if pace.link else 0, v.kind, v.width, v.data, v.spares, min(m.size for m in v.members))
        for n, v in enumerate(vdevs)
    }
    kinds: Dict[Tuple[object, ...], Tuple[str, List[Vdev]]] = {}
    for serial, homes in vdevs_of_drives(vdevs).items():
        held = sorted((shapes[id(vdev)], sum(m.serial == serial for m in vdev.members)) for vdev in homes)
        kinds.setdefault(tuple(held), (serial, homes))
    said = "{0:g} MB/s for each unit, {1:.0%} full, {2}, pool otherwise idle".format(
        pace.rate / 1e6, pace.fill, "link of {0:g} MB/s".format(pace.link / 1e6) if pace.link else "no link limit"
    )
    worst = {"unit": 0.0, "drive": 0.0, "in_turn": 0.0}
    for serial, homes in kinds.values():
        indexes = {member.index for vdev in homes for member in vdev.members if member.serial == serial}
        worst["unit"] = max(worst["unit"], *(rebuild_unit(homes, serial, index, pace).hours for index in indexes))
        worst["drive"] = max(worst["drive"], rebuild_drive(homes, serial, pace).hours)
        worst["in_turn"] = max(worst["in_turn"], rebuild_in_turn(homes, serial, pace))
    return {name: Figure(hours, "h", ESTIMATE, said) for name, hours in worst.items()}


def _rebuild(vdevs: Sequence[Vdev], lost: Set[Tuple[str, int]], pace: Pace, name: str) -> Rebuild:
    read: Dict[Tuple[str, int], float] = defaultdict(float)
    wrote: Dict[Tuple[str, int], float] = defaultdict(float)
    for vdev in vdevs:
        gone = [member for member in vdev.members if (member.serial, member.index) in lost]
        if gone:
            left = [member for member in vdev.members if (member.serial, member.index) not in lost]
            data = pace.fill * min(member.size for member in vdev.members)
            for source, amount in _reads(vdev, gone, left, data):
                read[source.serial, source.index] += amount
            for target, amount in _writes(vdev, gone, left, data):
                wrote[target.serial, target.index] += amount
    if not wrote:
        raise InputError("{0} is not in the pool".format(name), subject="serial")
    busy: Dict[str, int] = defaultdict(int)
    by_drive: Dict[str, float] = defaultdict(float)
    for (serial, _index), amount in read.items():
        busy[serial] += 1
        by_drive[serial] += amount
    return Rebuild(_hours(read, wrote, pace), sum(wrote.values()), dict(by_drive), dict(busy))


def _hours(read: Dict[Tuple[str, int], float], wrote: Dict[Tuple[str, int], float], pace: Pace) -> float:
    moved: Dict[Tuple[str, int], float] = defaultdict(float)
    links: Dict[str, float] = defaultdict(float)
    for load in (read, wrote):
        for (serial, index), amount in load.items():
            moved[serial, index] += amount
            links[serial] += amount
    seconds = max(moved.values()) / pace.rate
    if pace.link:
        seconds = max(seconds, max(links.values()) / pace.link)
    return seconds / HOUR


def _reads(vdev: Vdev, gone: List[Member], left: List[Member], data: float) -> Iterator[Tuple[Member, float]]:
    for member in left:
        if vdev.kind == "mirror":
            yield member, data / len(left)
        elif vdev.kind == "draid":
            yield member, data * len(gone) * vdev.data / len(left)
        elif vdev.kind == "raidz":
            yield member, data


def _writes(vdev: Vdev, gone: List[Member], left: List[Member], data: float) -> Iterator[Tuple[Member, float]]:
    if vdev.kind == "draid" and vdev.spares:
        for member in left:  # onto distributed spares
            yield member, data * len(gone) / len(left)
        return
    for member in gone:
        yield member, data
