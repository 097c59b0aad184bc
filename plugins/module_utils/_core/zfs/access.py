# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The real host behind an action on pools."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Dict, FrozenSet, Iterable, Iterator, Mapping, Optional, Sequence, Tuple

from ..declared import DeclaredDrive
from ..host import journal, links, probe
from ..host.discover import Found, Wanted, discover
from ..host.patience import patient_opens
from ..host.run import Runner
from ..model import Bay, Content, Drive, Unit


@dataclass
class Access:
    """How an action reaches its host. Tests put a subclass in its place.

    `contents` and `partitions` speak of the drives as `drives` found them last.
    """

    run: Runner
    wanted: Wanted
    found: Optional[Found] = None

    def drives(self) -> Sequence[Drive]:
        """Find the drives anew."""
        self.found = discover(self.wanted)
        return self.found.drives

    def contents(self, keys: Iterable[Tuple[str, int]]) -> Mapping[Tuple[str, int], Sequence[Content]]:
        """What is on the units now, read from the devices themselves."""
        return probe.examine(self._found(), keys, self.run)

    def labelled(self, node: str, extents: Sequence[Tuple[int, int]]) -> Sequence[bool]:
        """Which extents (start, size) of a disk have the labels of a pool, as if each was a partition."""
        return probe.labelled(node, extents)

    def partitions(self, unit: Unit) -> Tuple[Tuple[str, int], ...]:
        """A unit's partitions as (device node, bytes)."""
        disk = self._found().disk(unit.node)
        return tuple((part.node, part.size) for part in disk.partitions) if disk else ()

    def nodes_of(self, paths: Iterable[str]) -> Dict[str, str]:
        """Where device links lead now."""
        return links.nodes_of(paths)

    def half_made(self, units: Iterable[Unit]) -> Tuple[str, ...]:
        """The nodes of units whose only partitions are the two that OpenZFS makes on a whole disk."""
        disks = {unit.node: self._found().disk(unit.node) for unit in units}
        return tuple(
            node for node, disk in disks.items() if disk and [part.number for part in disk.partitions] == [1, 9]
        )

    def begun(self, pool: str) -> FrozenSet[str]:
        """The WWNs of units on which a creation of this pool began and did not end."""
        return journal.begun(pool)

    @contextmanager
    def creation(self, pool: str, wwns: Sequence[str]) -> Iterator[None]:
        """Around the making of a pool: it is noted until it is done, and OpenZFS waits for slow devices."""
        journal.begin(pool, wwns)
        with patient_opens():
            yield
        journal.finish()

    def _found(self) -> Found:
        if self.found is None:
            self.drives()
        return self.found or discover(self.wanted)


def expecting(wanted: Wanted, declared: Sequence[DeclaredDrive]) -> Wanted:
    """*wanted*, with what the declaration adds: units and ranges by serial, and bays where no other source tells."""
    units = dict({drive.serial: drive.units for drive in declared}, **wanted.units)
    bays = dict({drive.serial: Bay.parse(drive.bay) for drive in declared}, **wanted.serial_bays)
    ranges = dict({drive.serial: drive.ranges for drive in declared if drive.ranges}, **wanted.ranges)
    return replace(wanted, units=units, serial_bays=bays, ranges=ranges)
