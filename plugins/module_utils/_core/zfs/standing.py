# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The layout that a pool has now, for a plan that keeps its members in place. Pure."""

from __future__ import annotations

import re
from typing import Dict, List, Sequence, Tuple

from ..declared import DeclaredDrive
from ..layout.promise import survives_drives, survives_enclosures
from ..model import Drive, Layout, Member, SpareDrive, Vdev
from .resolve import Pool, PoolMember, PoolVdev

# A dRAID's name spells its shape, zpoolconcepts(7): draid2:4d:8c:1s-0.
_DRAID = re.compile(r"draid[123]:(\d+)d:\d+c:(\d+)s-\d+")


class KnownUnits:
    """Size and kind of units, by serial and index: as found; of missing drives, as declared."""

    def __init__(self, drives: Sequence[Drive], declared: Sequence[DeclaredDrive]) -> None:
        self._known: Dict[Tuple[str, int], Tuple[int, str]] = {
            (drive.serial, index): (drive.size_of(index), "lun")
            for drive in declared
            for index in range(drive.unit_count)
        }
        self._known.update(
            {(drive.serial, unit.index): (unit.size, unit.unit_kind) for drive in drives for unit in drive.units}
        )

    def member(self, key: Tuple[str, int], bay: str) -> Member:
        """The unit as a member of a layout; 0 bytes where its size is unknown."""
        size, kind = self._known.get(key, (0, "lun"))
        return Member(key[0], key[1], bay, size, kind)


def layout_of(pool: Pool, drives: Sequence[Drive], declared: Sequence[DeclaredDrive] = ()) -> Layout:
    """The pool's data vdevs and the drives of which it holds spares, as a layout.

    While a member is replaced or spared, its place still belongs to the outgoing one. Sizes are
    those of the units found; of missing drives, those declared.
    """
    known = KnownUnits(drives, declared)

    def member(one: PoolMember) -> Member:
        return known.member((one.serial, one.index), one.bay)

    def placed(vdev: PoolVdev) -> Vdev:
        spelled = _DRAID.fullmatch(vdev.name)
        data, distributed = (int(spelled.group(1)), int(spelled.group(2))) if spelled else (0, 0)
        members = tuple(member(slot.members[0]) for slot in vdev.slots if slot.members)
        return Vdev(vdev.kind, vdev.redundancy, members, data, distributed)

    vdevs = tuple(placed(vdev) for vdev in pool.vdevs if vdev.group == "data")
    spares: Dict[str, List[Member]] = {}
    for one in [one for one in pool.spares if not one.distributed]:
        spares.setdefault(one.serial, []).append(member(one))
    return Layout(
        vdevs=vdevs,
        spares=tuple(
            SpareDrive(serial, members[0].bay, tuple(sorted(members, key=lambda one: one.index)))
            for serial, members in sorted(spares.items(), key=lambda pair: pair[1][0].bay)
        ),
        survives_drives=survives_drives(vdevs),
        survives_enclosures=survives_enclosures(vdevs),
    )
