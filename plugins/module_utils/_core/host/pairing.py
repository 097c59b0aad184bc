# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Which disks are paths to one logical unit, and which logical units are siblings. Pure.

Siblings share, best first: a target-device designator; the NAA name of a target port with
another LUN; the same SCSI target (host, channel, target) with another LUN where vendor, model
and serial number agree. A serial number alone never makes siblings: blank and constant ones exist.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Callable, Dict, Hashable, Iterable, List, Optional, Sequence, Tuple, TypeVar

from ..identity.designator import port_names, target_names, unit_name
from .disks import Disk

T = TypeVar("T")


@dataclass(frozen=True)
class LogicalUnit:
    """One logical unit with all its paths. *shared_name* when other parts claim its designator too."""

    name: str
    paths: Tuple[Disk, ...]
    shared_name: bool = False

    @property
    def first(self) -> Disk:
        """The path whose facts are used for the unit."""
        return self.paths[0]


@dataclass(frozen=True)
class Group:
    """The logical units of one drive in LUN order, and the drive's key.

    *alone_on_target* is False when its SCSI target shows other drives' units too, so that LUNs there are not unit
    numbers.
    """

    key: str
    units: Tuple[LogicalUnit, ...]
    alone_on_target: bool = True

    @property
    def first(self) -> Disk:
        """The path whose facts are used for the drive."""
        return self.units[0].first


def logical_units(disks: Sequence[Disk]) -> Tuple[LogicalUnit, ...]:
    """Join disks that are paths to one logical unit.

    They have the same world-wide designator, agree in vendor, model, serial and size, and are on
    different targets. Disks that share a designator otherwise stay apart, marked *shared_name*.
    """
    found: List[LogicalUnit] = []
    for name, same_name in _gather(disks, _own_name).items():
        if not name:
            found += [LogicalUnit("", (disk,)) for disk in same_name]
            continue
        parts = list(_gather(same_name, _looks).values())
        for part in parts:
            one_part = len({disk.target for disk in part}) == len(part)
            shared = len(parts) > 1 or not one_part
            found += (
                [LogicalUnit(name, tuple(part), shared)]
                if one_part
                else [LogicalUnit(name, (disk,), True) for disk in part]
            )
    return tuple(found)


def _own_name(disk: Disk) -> str:
    best = unit_name(disk.designators)
    return best.text if best else disk.wwid


def _looks(disk: Disk) -> Tuple[Any, ...]:
    return (disk.vendor, disk.model, disk.serial, disk.size)


def _gather(items: Iterable[T], key: Callable[[T], Hashable]) -> Dict[Any, List[T]]:
    groups: Dict[Any, List[T]] = {}
    for item in items:
        groups.setdefault(key(item), []).append(item)
    return groups


def groups(units: Sequence[LogicalUnit]) -> Tuple[Group, ...]:
    """The drives that the logical units belong to."""
    joined = _Joined(len(units))
    for numbers in _same_target_device(units) + _same_port(units) + _same_target(units):
        joined.join(numbers)
    by_target: Dict[str, set[int]] = {}
    for number, unit in enumerate(units):
        for disk in unit.paths:
            by_target.setdefault(disk.target, set()).add(joined.root(number))
    drives: List[Group] = []
    for root, numbers in _gather(range(len(units)), joined.root).items():
        members = sorted((units[number] for number in numbers), key=_order)
        crowd = any(disk.target and by_target[disk.target] != {root} for unit in members for disk in unit.paths)
        drives.append(Group(_key(members), tuple(members), not crowd))
    return tuple(drives)


def _order(unit: LogicalUnit) -> Tuple[Any, ...]:
    return (unit.first.lun, unit.name, unit.first.hctl, unit.first.name)


def _same_target_device(units: Sequence[LogicalUnit]) -> List[List[int]]:
    claims: Dict[str, List[int]] = {}
    for number, unit in enumerate(units):
        for name in _targets(unit):
            claims.setdefault(name, []).append(number)
    return list(claims.values())


def _same_port(units: Sequence[LogicalUnit]) -> List[List[int]]:
    claims: Dict[str, Dict[int, List[int]]] = {}
    for number, unit in enumerate(units):
        # A reported target device is more precise than the port.
        if not _targets(unit):
            for disk in unit.paths:
                for name in port_names(disk.designators):
                    claims.setdefault(name, {}).setdefault(disk.lun, []).append(number)
    # Several units with one LUN behind one port name cannot be one drive: the name is not unique.
    return [
        [number for numbers in luns.values() for number in numbers]
        for luns in claims.values()
        if all(len(set(numbers)) == 1 for numbers in luns.values())
    ]


def _same_target(units: Sequence[LogicalUnit]) -> List[List[int]]:
    claims: Dict[Tuple[str, str, str], List[int]] = {}
    for number, unit in enumerate(units):
        if not _targets(unit):
            for disk in unit.paths:
                if disk.target:
                    claims.setdefault((disk.target, disk.vendor, disk.model), []).append(number)
    found: List[List[int]] = []
    for numbers in claims.values():
        by_serial = _gather(numbers, lambda number: units[number].first.serial)
        blank = by_serial.pop("", [])
        if len(by_serial) < 2:
            found.append(numbers)
        else:
            found += list(by_serial.values()) + [[number] for number in blank]
    return found


def _targets(unit: LogicalUnit) -> Tuple[str, ...]:
    return target_names(unit.first.designators) or unit.first.target_names


def _key(units: Sequence[LogicalUnit]) -> str:
    for unit in units:
        names = _targets(unit)
        if names:
            return names[0]
    first = units[0].first
    if first.serial:
        return " ".join(part for part in (first.vendor, first.model, first.serial) if part)
    return units[0].name or first.hctl or first.name


class _Joined:
    """Sets of numbers that grow together (disjoint sets with path halving)."""

    def __init__(self, count: int) -> None:
        self._parent = list(range(count))

    def root(self, number: int) -> int:
        """The number that represents the set of *number*."""
        while self._parent[number] != number:
            self._parent[number] = self._parent[self._parent[number]]
            number = self._parent[number]
        return number

    def join(self, numbers: Sequence[int]) -> None:
        """Put all *numbers* into one set."""
        for number in numbers[1:]:
            self._parent[self.root(number)] = self.root(numbers[0])


def port_name(disk: Disk) -> Optional[str]:
    """The NAA name of the target port a path goes through, or None."""
    names = port_names(disk.designators)
    return names[0] if names else None
