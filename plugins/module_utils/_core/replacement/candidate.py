# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether a drive can replace another one. Pure."""

from __future__ import annotations

from typing import Dict, FrozenSet, List, Mapping, Optional, Sequence, Tuple

from ..errors import InputError, Refusal
from ..host.contents import NEVER_ERASED
from ..layout.capacity import DRAID_RESERVE, leaf_asize, partition_size
from ..model import Content, Drive, Unit
from ..zfs.access import Holding
from ..zfs.labels import LabelVdev
from ..zfs.resolve import PoolMember
from .places import places_of
from .situation import Key, View, bay_of

_SPARE_KINDS = ("pool_label", "partition_table", "open")


def spares_of(view: View, drive: Drive) -> Tuple[PoolMember, ...]:
    """The pool's spares that are units of this drive."""
    return tuple(member for member in view.pool.spares if drive.serial and member.serial == drive.serial)


def is_unsplit(drive: Drive) -> bool:
    """Whether it is a range-split drive without its partitions yet."""
    return any(unit.unit_kind == "range" and not unit.part_uuid for unit in drive.units)


def wanted_units(view: View, drive: Drive) -> Dict[int, Unit]:
    """The new drive's units that have not taken their places yet, by index."""
    todo = {place.index for place in view.places if place.incoming is None}
    return {unit.index: unit for unit in drive.units if unit.index in todo}


def refuse_unfit(view: View, drive: Drive) -> None:
    """Refuses a drive that cannot take the places, regardless of its contents."""
    reasons = _faults(view, drive)
    if reasons:
        raise Refusal(
            "{0} cannot replace {1}; nothing was changed.".format(drive.label, view.leaving),
            reasons,
            "Remove it and insert another drive. Then run this again; it continues from here.",
        )


def _faults(view: View, drive: Drive) -> List[str]:
    same = [one for one in view.drives if one.serial == drive.serial]
    if not drive.serial:
        return ["it reports no serial number"]
    if len(same) > 1:
        return ["{0} drives report its serial number, so it is not clear which one is meant".format(len(same))]
    reasons: List[str] = []
    shown = {unit.index: unit for unit in drive.units}
    needed = sorted(place.index for place in view.places)
    missing = [index for index in needed if index not in shown]
    if missing or len(shown) < drive.expected_units:
        reasons.append(
            "it shows {0} unit{1}; units {2} must be present and working".format(
                len(shown), "" if len(shown) == 1 else "s", ", ".join(map(str, needed))
            )
        )
    # Units that were resilvered before a replacement was interrupted are where they belong.
    arrived = {(leaf.index, leaf.vdev) for leaf in view.note.leaves if view.note.entering == drive.serial}
    elsewhere = [
        place
        for place in places_of(view.pool, drive.serial)
        if place.leaving.serial == drive.serial and (place.index, place.vdev) not in arrived
    ]
    if elsewhere:
        reasons.append(
            "it is itself a member of this pool ({0}); put it back where it was".format(
                ", ".join("{0} of {1}".format(place.leaving.name, place.vdev) for place in elsewhere)
            )
        )
    reasons += [
        "{0} is a spare that is in use for another member".format(member.name)
        for member in spares_of(view, drive)
        if member.state != "AVAIL"
    ]
    return reasons + [line for place in view.places for line in _size_faults(view, place.vdev, shown.get(place.index))]


def _size_faults(view: View, vdev: str, unit: Optional[Unit]) -> List[str]:
    if unit is None:
        return []
    if unit.size <= 0:
        return ["unit {0} has no usable size; see drive_info for its sector format".format(unit.index)]
    needed = _least(view, vdev)
    if needed and usable(unit) < needed:
        return [
            "unit {0} has {1} bytes, too few for {2}: a member there needs {3} usable bytes".format(
                unit.index, unit.size, vdev, needed
            )
        ]
    return []


def _least(view: View, vdev: str) -> int:
    units = {(drive.serial, unit.index): unit for drive in view.drives for unit in drive.units}
    members = [member for one in view.pool.vdevs if one.name == vdev for member in one.members]
    return least(members, units, view.held)


def least(members: Sequence[PoolMember], units: Mapping[Key, Unit], held: Mapping[Key, Holding]) -> int:
    """The usable bytes that a new member of a vdev needs; 0 where that is not known.

    The vdev's own size in the newest label decides, because the remaining members may all be larger than what it uses.
    Without labels it is the smallest member whose drive is on the host.
    """
    keys = [(member.serial, member.index) for member in members if member.role == "member"]
    labels = [held[key].label for key in keys if key in held]
    newest = max(labels, key=lambda label: label.txg, default=None)
    share = _share(newest.vdev) if newest is not None else 0
    return share or min([usable(units[key]) for key in keys if key in units and units[key].size > 0] or [0])


def _share(vdev: LabelVdev) -> int:
    """What each member of a top-level vdev needs (C(vdev_get_min_asize) in module/zfs/vdev.c); 0 for unknown."""
    if vdev.kind in ("raidz", "draid") and not vdev.children:
        return 0
    size = vdev.asize >> vdev.metaslab_shift << vdev.metaslab_shift
    if vdev.kind == "raidz":
        return -(-size // len(vdev.places))
    if vdev.kind == "draid":  # C(vdev_draid_min_asize) in vdev_draid.c
        return DRAID_RESERVE - (-size // (len(vdev.places) - vdev.spares))
    return size


def usable(unit: Unit) -> int:
    """The bytes of a unit that OpenZFS can allocate; 0 when the unit is too small."""
    try:
        return leaf_asize(unit.size if unit.unit_kind == "range" else partition_size(unit.size, unit.logical_block))
    except InputError:
        return 0


def refuse_contents(
    view: View, drive: Drive, contents: Mapping[Key, Sequence[Content]], halves: Sequence[str], erase: Sequence[str]
) -> Tuple[Key, ...]:
    """The units to erase first. Refuses when a unit has contents and its drive is not listed in *erase*.

    What OpenZFS itself left on a unit when a replacement by this drive was interrupted does not count, and neither
    does what makes it a spare of this pool.
    """
    reasons: List[str] = []
    clearing: List[Key] = []
    forgiven = _forgiven(view, drive, contents, halves)
    for index, unit in wanted_units(view, drive).items():
        key = (drive.serial, index)
        found = [] if key in forgiven else list(contents.get(key, ()))
        kept = [one for one in found if one.type in NEVER_ERASED or drive.serial not in erase]
        reasons += [_words(view, drive, unit, one) for one in kept]
        clearing += [key] if found else []
    if reasons:
        raise Refusal(
            "{0} is not empty; nothing was changed.".format(drive.label),
            reasons,
            "Use an empty drive. If the data on this one is no longer needed, list its serial in erase_serials."
            " Anything that is in use must be released by hand first.",
        )
    return tuple(clearing)


def _forgiven(
    view: View, drive: Drive, contents: Mapping[Key, Sequence[Content]], halves: Sequence[str]
) -> FrozenSet[Key]:
    ours = view.note.wwns if view.noted and view.note.entering == drive.serial else ()
    spare = {(member.serial, member.index) for member in spares_of(view, drive)}
    found = set()
    for unit in drive.units:
        key = (drive.serial, unit.index)
        kinds = {one.type for one in contents.get(key, ())}
        held = view.held.get(key)
        # A range is a partition already. On a whole unit, OpenZFS's own two partitions are the only ones allowed.
        shaped = unit.unit_kind == "range" or unit.node in halves
        begun = unit.wwn in ours and shaped and kinds <= {"pool_label", "partition_table"} and _own(held, view)
        if begun or (key in spare and kinds <= set(_SPARE_KINDS)):
            found.add(key)
    return frozenset(found)


def _own(held: Optional[Holding], view: View) -> bool:
    return held is None or held.label.pool_guid == view.tree.guid


def _words(view: View, drive: Drive, unit: Unit, content: Content) -> str:
    text = "{0} unit {1}: {2} {3} on {4}".format(
        drive.label, unit.index, content.type.replace("_", " "), content.detail, content.node
    ).replace("  ", " ")
    held = view.held.get((drive.serial, unit.index))
    if content.type != "pool_label" or held is None:
        return text
    if held.label.pool_guid == view.tree.guid:
        return "{0} (of this pool: it was a member before, and may hold the only copy of some data)".format(text)
    return "{0} (pool {1}, GUID {2}, state {3})".format(
        text, held.label.name or "unknown", held.label.pool_guid or "unknown", held.label.state
    )


def bay_words(drive: Drive) -> str:
    """Bay or, where it is not known, serial."""
    return bay_of(drive) or "serial {0}".format(drive.serial)
