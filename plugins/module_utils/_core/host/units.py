# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""From logical units and their disks to drives and units with nodes, links and contents."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import AbstractSet, Dict, Iterable, List, Mapping, Optional, Tuple, Union

from ..errors import InputError
from ..model import Bay, Drive, Unit, UnitPath
from ..partition.extents import Spec, extents
from ..partition.table import Ranges, judge, ranges_of
from .contents import Contents, is_map_partition, is_multipath
from .disks import Blocks, Disk, Map, Partition
from .pairing import Group, LogicalUnit, port_name
from .stable import BAY_LINK, claimed_twice, stable_links
from .uses import Uses

_Device = Union[Disk, Partition, Map]
_MAP_PARTITION = re.compile(r"part([0-9]+)-")


class Builder:
    """Makes drives of groups. *ranges* has declared ranges by serial number, *leads* where links point."""

    def __init__(self, blocks: Blocks, uses: Uses, ranges: Mapping[str, Spec], leads: Mapping[str, str]) -> None:
        self._leads = leads
        self._contents = Contents(blocks, uses)
        self._ranges = ranges
        self._maps: Dict[str, Map] = {}
        self._map_partitions: Dict[str, List[Map]] = {}
        for one in blocks.maps:
            for slave in one.slaves:
                if is_multipath(one):
                    self._maps[slave] = one
                elif is_map_partition(one):
                    self._map_partitions.setdefault(slave, []).append(one)
        self._contested = claimed_twice(self._claims(blocks))

    @property
    def mapped(self) -> AbstractSet[str]:
        """The kernel names of disks that are used through a multipath map."""
        return self._maps.keys()

    def _claims(self, blocks: Blocks) -> Iterable[Tuple[str, ...]]:
        """The links of every device; a multipath map replaces its paths, which claim the same links."""
        for disk in blocks.disks:
            if disk.name not in self._maps:
                yield disk.links
                for part in disk.partitions:
                    yield part.links
        for one in blocks.maps:
            yield one.links

    def drive(self, group: Group, bay: Optional[Tuple[Bay, str]]) -> Drive:
        """The drive of a group of logical units; *bay* is its bay and the source that reports it."""
        first = group.first
        name = bay[0].label if bay else ""
        units: List[Unit] = []
        for number, unit in enumerate(group.units):
            # Where a target shows several drives, its LUNs are not unit numbers.
            index = unit.first.lun if group.alone_on_target else number
            units += self._units(unit, index, name, unit.name or group.key)
        if len({unit.index for unit in units}) < len(units):
            units = [replace(unit, index=number) for number, unit in enumerate(units)]
        return Drive(
            key=group.key,
            serial=first.serial,
            units=tuple(units),
            vendor=first.vendor,
            model=first.model,
            firmware=first.firmware,
            bay=bay[0] if bay else None,
            bay_source=bay[1] if bay else "",
            adapter=first.adapter,
        )

    def _units(self, unit: LogicalUnit, index: int, bay: str, identity: str) -> List[Unit]:
        disk = unit.first
        ranges = ranges_of(disk, identity, self._ranges.get(disk.serial))
        if ranges.extents:
            return self._range_units(unit, ranges, bay)
        through = self._maps.get(disk.name)
        device: _Device = disk if through is None else through
        return [
            Unit(
                index=index,
                wwn=unit.name,
                size=disk.size,
                logical_block=disk.logical_block,
                physical_block=disk.physical_block,
                node=device.node,
                links=self._links(unit, device, bay, index),
                paths=_paths(unit, self._leads),
                contents=self._contents.of_disk(disk) if through is None else self._contents.of_map(through),
            )
        ]

    def _range_units(self, unit: LogicalUnit, ranges: Ranges, bay: str) -> List[Unit]:
        """A unit for each range; partitions are units only if each lies in its own range."""
        disk = unit.first
        split = judge(disk, ranges.extents).by_range
        planned = _planned_sizes(disk, ranges)
        return [
            self._range(unit, number, ranges, bay, split.get(number), planned[number])
            for number in range(len(ranges.extents))
        ]

    def _range(
        self, unit: LogicalUnit, number: int, ranges: Ranges, bay: str, part: Optional[Partition], planned: int
    ) -> Unit:
        disk = unit.first
        device = self._device_of(disk, part) if part else None
        return Unit(
            index=number,
            unit_kind="range",
            wwn=unit.name,
            size=part.size if part else planned,
            start=ranges.extents[number][0],
            logical_block=disk.logical_block,
            physical_block=disk.physical_block,
            node=device.node if device else "",
            links=self._links(unit, device, bay, number) if device else (),
            paths=_paths(unit, self._leads),
            contents=self._contents.of_range(disk, number, ranges.extents),
            part_uuid=part.uuid if part else "",
        )

    def _device_of(self, disk: Disk, part: Partition) -> Optional[Union[Partition, Map]]:
        """The device a partition is used through: itself, or what device-mapper made of it on a multipath map."""
        through = self._maps.get(disk.name)
        if through is None:
            return part
        for one in self._map_partitions.get(through.name, ()):
            match = _MAP_PARTITION.match(one.uuid)
            if match and int(match.group(1)) == part.number:
                return one
        return None

    def _links(self, unit: LogicalUnit, device: _Device, bay: str, index: int) -> Tuple[str, ...]:
        if len(unit.paths) > 1 and unit.first.name not in self._maps:
            # The path that udev handled last owns the links, so none of them is the unit's.
            return ()
        found = stable_links(
            device.node, device.links, "" if unit.shared_name else unit.name, self._leads, self._contested
        )
        ranked = [(_name_rank(link, bay, index), number, link) for number, link in enumerate(found)]
        return tuple(link for rank, _number, link in sorted(ranked) if rank >= 0)


def _planned_sizes(disk: Disk, ranges: Ranges) -> Tuple[int, ...]:
    """The sizes of the partitions that the ranges will become; the ranges' own where there can be no partitions."""
    try:
        return tuple(size for _start, size in extents(ranges.extents, disk.size, disk.logical_block))
    except InputError:
        return tuple(size for _start, size in ranges.extents)


def _name_rank(link: str, bay: str, index: int) -> int:
    """0 for the name by this bay and index, 1 by another bay, 2 for other links; -1 for a name by another index.

    Rules are made from the declaration, so a drive that is in another bay than declared keeps its name.
    """
    match = BAY_LINK.fullmatch(link)
    if match is None:
        return 2
    named, _dot, number = match.group(1).rpartition(".")
    if int(number) != index:
        return -1
    return 0 if named == bay else 1


def _paths(unit: LogicalUnit, leads: Mapping[str, str]) -> Tuple[UnitPath, ...]:
    return tuple(
        UnitPath(
            hctl=disk.hctl,
            node=disk.node,
            by_path=next((link for link in stable_links(disk.node, disk.links, "", leads) if "/by-path/" in link), ""),
            adapter=disk.adapter,
            target_port=port_name(disk) or "",
        )
        for disk in unit.paths
    )
