# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""How an action on pools reaches the host."""

from __future__ import annotations

import re
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Dict, FrozenSet, Iterable, Iterator, Mapping, Optional, Sequence, Tuple

from ..declared import DeclaredDrive
from ..host import hostid, journal, label_reader, links, probe, replacement_notes
from ..host.discover import Found, Wanted, discover
from ..host.disks import Partition
from ..host.patience import patient_opens
from ..host.run import Runner, checked
from ..host.sysfs import names_in
from ..model import Bay, Content, Drive, Unit
from ..names import fitted_uuid
from ..partition.table import parse_table, read_argv
from .labels import Label

if TYPE_CHECKING:
    from ..trial import results

_FEATURES = "/sys/module/zfs/features.pool"
_MAP_PARTITION = re.compile(r"part([0-9]+)-mpath-.*")


@dataclass(frozen=True)
class Holding:
    """A unit with the pool label found on it: on *node*, its partition *part* (0: on the unit itself)."""

    unit: Unit
    node: str
    part: int
    label: Label


@dataclass
class Access:
    """How an action reaches its host. Tests put a subclass in its place.

    `contents` and `partitions` refer to the drives that `drives` found last.
    """

    run: Runner
    wanted: Wanted
    found: Optional[Found] = None

    def drives(self) -> Sequence[Drive]:
        """Find the drives again."""
        self.found = discover(self.wanted)
        return self.found.drives

    def contents(self, keys: Iterable[Tuple[str, int]]) -> Mapping[Tuple[str, int], Sequence[Content]]:
        """What is on the units now, read from the devices themselves."""
        return probe.examine(self._found(), keys, self.run)

    def labels_within(self, node: str, extents: Sequence[Tuple[int, int]]) -> Sequence[Tuple[int, ...]]:
        """Which pool labels the extents (start, size) of a disk have, as if each was a partition."""
        return probe.labels_within(node, extents)

    def table_of(self, unit: Unit) -> Tuple[Partition, ...]:
        """A unit's partitions as the kernel and udev know them.

        When the new end of a partition is on the disk but the kernel does not know it yet (see `fitting.growing`),
        udev has no UUID for the partition: it is read from the table itself.
        """
        disk = self._found().disk(unit.node)
        parts = disk.partitions if disk else ()
        if [(part.number, part.uuid) for part in parts] != [(1, "")]:
            return parts
        kind, entries = parse_table(checked(self.run, read_argv(unit.node)))
        same = kind == "gpt" and [(one.number, one.start) for one in entries] == [(1, parts[0].start)]
        return (replace(parts[0], uuid=entries[0].uuid, label=entries[0].name),) if same else parts

    def partitions(self, unit: Unit) -> Tuple[Tuple[str, int], ...]:
        """A unit's partitions as (device node, bytes)."""
        return tuple((part.node, part.size) for part in self.table_of(unit))

    def nodes_of(self, paths: Iterable[str]) -> Dict[str, str]:
        """Where device links lead now."""
        return links.nodes_of(paths)

    def half_made(self, units: Iterable[Unit]) -> Tuple[str, ...]:
        """The nodes of units whose only partitions are the two that OpenZFS makes on a whole disk, or the one that
        fits a larger unit into its vdev (see `fitting`).
        """
        tables = {unit.node: (unit, self.table_of(unit)) for unit in units}
        return tuple(
            node
            for node, (unit, parts) in tables.items()
            if [part.number for part in parts] == [1, 9]
            or (unit.wwn and [part.uuid for part in parts] == [fitted_uuid(unit.wwn)])
        )

    def begun(self, pool: str) -> FrozenSet[str]:
        """The WWNs of units on which a creation of this pool was started but not finished."""
        return journal.begun(pool)

    @contextmanager
    def creation(self, pool: str, wwns: Sequence[str]) -> Iterator[None]:
        """Wraps the creation of a pool: a note of it is kept until it is done, and OpenZFS waits for slow devices."""
        journal.begin(pool, wwns)
        with patient_opens():
            yield
        journal.finish()

    def replacements(self) -> Tuple[replacement_notes.ReplacementNote, ...]:
        """The drive replacements that were started on this host, oldest first."""
        return replacement_notes.read()

    def note_replacement(self, note: replacement_notes.ReplacementNote) -> None:
        """Write down the stage that a drive replacement has reached."""
        replacement_notes.keep(note)

    def forget_replacement(self, note: replacement_notes.ReplacementNote) -> None:
        """Delete the note of a replacement that was abandoned."""
        replacement_notes.drop(note)

    def labels(self) -> Dict[Tuple[str, int], Holding]:
        """The newest pool label on each unit of every drive, by serial and index; units without one are left out."""
        found = self._found()
        nodes = {
            (drive.serial, unit.index): (unit, label_nodes(found, unit))
            for drive in found.drives
            for unit in drive.units
        }
        read = label_reader.read_labels(node for _unit, some in nodes.values() for node in some)
        held: Dict[Tuple[str, int], Holding] = {}
        for key, (unit, some) in nodes.items():
            for node, part in some.items():
                label = read.get(node)
                if label is not None and (key not in held or label.txg > held[key].label.txg):
                    held[key] = Holding(unit, node, part, label)
        return held

    def member_path(self, held: Holding) -> str:
        """The best stable link to a pool member's device, as long as it leads there; else its node."""
        suffix = "-part{0}".format(held.part) if held.part else ""
        for link in held.unit.links:
            if self.leads(link + suffix, held.node):
                return link + suffix
        return held.node

    def leads(self, link: str, node: str) -> bool:
        """Whether a device link leads to this node now."""
        return links.nodes_of([link]).get(link) == node

    def trials(self) -> results.Results:
        """The latest trial of each drive."""
        # Imported here, since few runs need it and every module would compile the trial's library.
        from ..trial import results

        return results.read()

    def hostid(self) -> int:
        """The host id that OpenZFS uses now; 0 for none."""
        return hostid.current()

    def features(self) -> Tuple[str, ...]:
        """The pool features that the loaded OpenZFS has; empty when it does not say."""
        return names_in(_FEATURES)

    def activity(self, held: Mapping[Tuple[str, int], Holding]) -> Tuple[Tuple[str, int], ...]:
        """The units whose labels are written to at this moment, watched for some seconds."""
        changed = label_reader.changing([one.node for one in held.values()])
        return tuple(key for key, one in held.items() if one.node in changed)

    @contextmanager
    def patience(self) -> Iterator[None]:
        """While it lasts, OpenZFS waits for devices that are slow to appear."""
        with patient_opens():
            yield

    def _found(self) -> Found:
        if self.found is None:
            self.drives()
        return self.found or discover(self.wanted)


def label_nodes(found: Found, unit: Unit) -> Dict[str, int]:
    """The device nodes on which a unit's label may be, with the partition's number (0: the unit itself).

    Partitions where there are any: the ends of the whole disk may hold what was there before them.
    """
    maps = {one.node: _MAP_PARTITION.fullmatch(one.uuid) for one in found.blocks.maps}
    above = {node: int(match.group(1)) for node, match in maps.items() if match and node in probe.nodes_of(found, unit)}
    if above:
        return above
    disk = found.disk(unit.node)
    parts = {part.node: part.number for part in disk.partitions} if disk else {}
    return parts or ({unit.node: 0} if unit.node else {})


def expecting(wanted: Wanted, declared: Sequence[DeclaredDrive]) -> Wanted:
    """*wanted*, with what the declaration adds: units and ranges by serial, and bays where no other source has them."""
    units = dict({drive.serial: drive.unit_count for drive in declared}, **wanted.units)
    bays = dict({drive.serial: Bay.parse(drive.bay) for drive in declared}, **wanted.serial_bays)
    ranges = dict({drive.serial: drive.ranges for drive in declared if drive.ranges}, **wanted.ranges)
    return replace(wanted, units=units, serial_bays=bays, ranges=ranges)
