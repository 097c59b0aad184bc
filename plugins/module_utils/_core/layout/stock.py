# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The drives that a layout is made from, in the order that the whole assignment uses."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Dict, List, Mapping, Sequence, Tuple

from ..errors import InputError
from ..model import Drive, Member
from ..partition.extents import ALIKE
from .policy import Policy

# SPA_MINDEVSIZE, 64 MiB, of a partition that zpool create makes on a device of 512-byte sectors.
LEAST_UNIT = 74 << 20
MOST_DIVISIONS = 8


@dataclass(frozen=True)
class Item:
    """A drive (or what is left of it): its units in index order, and where it sits.

    *place* sorts as people read a chassis: enclosure, slot, serial. *true* are the units' own sizes, largest
    first, where the members' are those that they count as (see `divisions`).
    """

    serial: str
    place: Tuple[int, str, int, str]
    enclosure: str
    adapter: str
    members: Tuple[Member, ...]
    true: Tuple[int, ...] = ()

    @property
    def true_sizes(self) -> Tuple[int, ...]:
        """The units' own sizes, largest first."""
        return self.true or self.sizes

    @property
    def sizes(self) -> Tuple[int, ...]:
        """The units' sizes, largest first."""
        return tuple(sorted((member.size for member in self.members), reverse=True))

    @property
    def label(self) -> str:
        """Bay and serial, for messages."""
        return "{0} (serial {1})".format(self.members[0].bay or "bay unknown", self.serial)


def read_stock(drives: Sequence[Drive]) -> Tuple[Item, ...]:
    """The drives in bay order, whatever order they come in. Raises InputError for drives that cannot be used."""
    if not drives:
        raise InputError("there are no drives", subject="drives", remedy="Give at least one drive.")
    items = [_item(drive) for drive in drives]
    _refuse_twice(items)
    return tuple(sorted(items, key=lambda item: item.place))


def shaped(items: Sequence[Item], policy: Policy) -> Tuple[Item, ...]:
    """The items with the sizes that the policy's vdevs are made from."""
    return tuple(items) if policy.mixed_sizes else divisions(items)[0]


def divisions(items: Sequence[Item]) -> List[Tuple[Item, ...]]:
    """The items with every unit's size reduced to the least of those that OpenZFS accepts as equal.

    A chain of sizes with steps of at most `ALIKE` can be divided in several ways: first with as many of the largest
    together as possible, then with fewer and fewer of them.
    """
    sizes = sorted({member.size for item in items for member in item.members}, reverse=True)
    chains: List[List[int]] = []
    for size in sizes:
        if chains and chains[-1][-1] - size <= ALIKE:
            chains[-1].append(size)
        else:
            chains.append([size])
    longest = max(len([size for size in chain if chain[0] - size <= ALIKE]) for chain in chains)
    several = any(chain[0] - chain[-1] > ALIKE for chain in chains)
    found: List[Tuple[Item, ...]] = []
    for fewer in range(min(longest, MOST_DIVISIONS) if several else 1):
        least = {size: many for chain in chains for size, many in _counted_as(chain, fewer).items()}
        found.append(tuple(_as_counted(item, least) for item in items))
    return found


def _counted_as(chain: Sequence[int], fewer: int) -> Dict[int, int]:
    # Size to the size that it counts as; the first group has *fewer* members than it could.
    least: Dict[int, int] = {}
    start = 0
    while start < len(chain):
        group = [size for size in chain[start:] if chain[start] - size <= ALIKE]
        group = group[: max(1, len(group) - (fewer if not start and chain[0] - chain[-1] > ALIKE else 0))]
        least.update(dict.fromkeys(group, group[-1]))
        start += len(group)
    return least


def _as_counted(item: Item, least: Mapping[int, int]) -> Item:
    members = tuple(replace(member, size=least[member.size]) for member in item.members)
    return replace(item, members=members, true=item.sizes)


def without(items: Sequence[Item], taken: Mapping[str, Sequence[int]]) -> Tuple[Item, ...]:
    """The items less the units taken (serial to unit indices); drives with nothing left are dropped."""
    left = []
    for item in items:
        gone = taken.get(item.serial, ())
        members = tuple(member for member in item.members if member.index not in gone)
        if members:
            left.append(replace(item, members=members) if gone else item)
    return tuple(left)


def _item(drive: Drive) -> Item:
    subject = "drives: {0}".format(drive.label)
    if not drive.serial:
        raise InputError(
            "the drive has no serial number", subject=subject, remedy="A drive without one cannot be identified."
        )
    if not drive.units:
        raise InputError("the drive shows no unit", subject=subject, remedy="Leave it out, or find the reason.")
    bay = drive.bay.label if drive.bay else ""
    seen: List[int] = []
    for unit in drive.units:
        if unit.index in seen:
            raise InputError("unit {0} is listed twice".format(unit.index), subject=subject)
        if unit.size < LEAST_UNIT:
            raise InputError(
                "unit {0} has {1} bytes".format(unit.index, unit.size),
                subject=subject,
                remedy="It needs {0} bytes: OpenZFS's minimum of 64 MiB and the label. Give the real size.".format(
                    LEAST_UNIT
                ),
            )
        seen.append(unit.index)
    members = tuple(Member(drive.serial, unit.index, bay, unit.size, unit.unit_kind) for unit in drive.units)
    return Item(
        serial=drive.serial,
        place=(0, drive.bay.enclosure, drive.bay.slot, drive.serial) if drive.bay else (1, "", 0, drive.serial),
        enclosure=drive.bay.enclosure if drive.bay else "",
        adapter=drive.adapter,
        members=tuple(sorted(members, key=lambda member: member.index)),
    )


def _refuse_twice(items: Sequence[Item]) -> None:
    serials: Dict[str, Item] = {}
    bays: Dict[str, Item] = {}
    for item in items:
        bay = item.members[0].bay
        if item.serial in serials:
            raise InputError(
                "serial {0} is given twice: {1} and {2}".format(
                    item.serial, serials[item.serial].members[0].bay or "no bay", bay or "no bay"
                ),
                subject="drives",
                remedy="A serial number belongs to one drive. Correct the input.",
            )
        if bay and bay in bays:
            raise InputError(
                "{0} is given to serials {1} and {2}".format(bay, *sorted((bays[bay].serial, item.serial))),
                subject="drives",
                remedy="A bay holds one drive. Correct the input.",
            )
        serials[item.serial] = item
        bays[bay] = item
