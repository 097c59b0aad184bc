# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The nouns of the product as frozen dataclasses.

Found on a host: `Drive`, `Unit`, `UnitPath`, `Content`, `Bay`.
Computed: `Layout`, `Vdev`, `Member`, `SpareDrive`, `Unused`, `Finding`.

Sizes are bytes. A unit is named by its drive's serial and its index (LUN or range
number, from 0): `Member`. Dictionaries exist only at the border (see `plain`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Optional, Tuple

from .errors import InputError

_BAY = re.compile(r"(?:([a-z][a-z0-9_]{0,15})-)?bay([0-9]{1,4})")


@dataclass(frozen=True, order=True)
class Bay:
    """A place for one drive. *enclosure* is empty where the chassis has only one."""

    enclosure: str
    slot: int

    @property
    def label(self) -> str:
        """The bay's name as used everywhere: C(bay07) or C(west-bay07)."""
        name = "bay{0:02d}".format(self.slot)
        return "{0}-{1}".format(self.enclosure, name) if self.enclosure else name

    @classmethod
    def parse(cls, label: str) -> Bay:
        """The bay that C(label) names. Raises InputError when it is not a bay name."""
        match = _BAY.fullmatch(label)
        if match is None:
            raise InputError(
                "{0!r} is not a bay name".format(label),
                subject="bay",
                remedy="Write bay07, or west-bay07 in a chassis with named enclosures.",
            )
        return cls(match.group(1) or "", int(match.group(2)))


@dataclass(frozen=True)
class Content:
    """Something already on a unit that an action could harm.

    *type*: C(pool_label), C(filesystem), C(partition_table), C(raid), C(lvm), C(crypt), C(swap),
    C(mount), C(holder), C(open), C(multipath) or C(unreadable). *node* is the device node it was seen on.
    """

    type: str
    detail: str
    node: str


@dataclass(frozen=True)
class UnitPath:
    """One path from the host to a logical unit."""

    hctl: str
    node: str
    by_path: str = ""
    adapter: str = ""
    target_port: str = ""


@dataclass(frozen=True)
class Unit:
    """An independently positioned part of a drive.

    *unit_kind* is C(lun) (a logical unit, or an ordinary drive's only unit) or C(range) (one
    independent access range of a single logical unit). *wwn* is the logical unit's own
    designator (VPD page 83h, association 0). *start* is the first byte of a range within
    its device; *part_uuid* is the UUID of the partition that a range became, empty before. The *size*
    of a range is that of its partition, also before it is made. *links* are stable device links, best
    first, none made from a serial number.
    """

    index: int
    unit_kind: str = "lun"
    wwn: str = ""
    size: int = 0
    start: int = 0
    logical_block: int = 512
    physical_block: int = 4096
    node: str = ""
    links: Tuple[str, ...] = ()
    paths: Tuple[UnitPath, ...] = ()
    contents: Tuple[Content, ...] = ()
    part_uuid: str = ""


@dataclass(frozen=True)
class Drive:
    """One part that a person can pull, with its units in index order."""

    key: str
    serial: str
    units: Tuple[Unit, ...]
    vendor: str = ""
    model: str = ""
    firmware: str = ""
    bay: Optional[Bay] = None
    bay_source: str = ""
    adapter: str = ""
    expected_units: int = 0

    @property
    def label(self) -> str:
        """How messages name the drive: bay and serial."""
        return "{0} (serial {1})".format(self.bay.label if self.bay else "bay unknown", self.serial or "none")


@dataclass(frozen=True)
class Member:
    """A unit's place in a layout: drive serial, unit index, bay label (may be empty), bytes, kind of unit."""

    serial: str
    index: int
    bay: str = ""
    size: int = 0
    unit_kind: str = "lun"

    @property
    def name(self) -> str:
        """The unit's stable name, as C(zpool status) prints it: C(bay07.1); the serial without a bay."""
        return "{0}.{1}".format(self.bay or self.serial, self.index)


@dataclass(frozen=True)
class Vdev:
    """A top-level vdev to be made. *kind*: C(raidz), C(mirror), C(draid) or C(stripe).

    *parity* is the number of members that may fail: raidz and dRAID parity, or
    width - 1 for a mirror. *data* and *spares* are dRAID's data devices per group and
    distributed spares.
    """

    kind: str
    parity: int
    members: Tuple[Member, ...]
    data: int = 0
    spares: int = 0

    @property
    def width(self) -> int:
        """Number of members."""
        return len(self.members)

    @property
    def keyword(self) -> str:
        """The word that C(zpool create) takes for it; empty for a stripe."""
        if self.kind == "raidz":
            return "raidz{0}".format(self.parity)
        if self.kind == "draid":
            return "draid{0}:{1}d:{2}c:{3}s".format(self.parity, self.data, self.width, self.spares)
        return "" if self.kind == "stripe" else self.kind


@dataclass(frozen=True)
class SpareDrive:
    """A whole drive kept as spare, with all its units."""

    serial: str
    bay: str
    members: Tuple[Member, ...]


@dataclass(frozen=True)
class Unused:
    """A unit that the layout leaves out, and why."""

    member: Member
    reason: str


@dataclass(frozen=True)
class SupportVdev:
    """A vdev beside the data: *role* is C(special), C(log) or C(cache)."""

    role: str
    vdev: Vdev


@dataclass(frozen=True)
class Layout:
    """The computed map from units to vdevs and spares.

    *survives_drives* is the number of whole drives of which any may fail, computed from
    the members; *survives_enclosures* likewise (0 when bays name no enclosure). *proven* names
    the objectives shown to be optimal, of C(capacity), C(fatal_sets) and C(spread); *proof*
    says in words how, or what was found and what the bound is.
    *support* does not come from the plan: an action adds the declared supporting vdevs once their
    devices are found.
    """

    vdevs: Tuple[Vdev, ...]
    spares: Tuple[SpareDrive, ...] = ()
    unused: Tuple[Unused, ...] = ()
    survives_drives: int = 0
    survives_enclosures: int = 0
    proven: Tuple[str, ...] = ()
    proof: str = ""
    support: Tuple[SupportVdev, ...] = ()


@dataclass(frozen=True)
class Finding:
    """One difference between what should be and what was found, and what to do about it.

    *code* is stable, for machines. *severity*: C(error) (the drive or unit cannot be used safely
    as it is), C(warning) or C(info). *bay*, *serial* and *index* name the subject as far as it is
    known; *index* is None when the whole drive is meant. *about* names a subject other than a drive, such as
    C(pool archive), or adds to the drive. *since* is when it was first found (ISO 8601, UTC); empty when no earlier
    drift run has recorded it.
    """

    code: str
    severity: str
    serial: str = ""
    bay: str = ""
    index: Optional[int] = None
    declared: str = ""
    found: str = ""
    remedy: str = ""
    about: str = ""
    since: str = ""

    @property
    def subject(self) -> str:
        """How messages name what the finding is about."""
        if self.about and not self.serial and not self.bay:
            return self.about
        name = "{0} (serial {1})".format(self.bay or "bay unknown", self.serial or "none")
        name = name if self.index is None else "{0} unit {1}".format(name, self.index)
        return "{0}, {1}".format(name, self.about) if self.about else name
