# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""A layout recounted from the words of its policy (docs/layout.md), with no code of the planner.

Each fault is a line "kind: what"; a layout without a line is as promised.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import combinations

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.policy import Policy
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import (
    Drive,
    Layout,
    Member,
    SpareDrive,
    Vdev,
)

# OpenZFS: zpool create and add refuse, without force, members of one vdev that differ by more than this
# (ZPOOL_FUZZ in cmd/zpool/zpool_vdev.c, from memory).
FUZZ = 16 << 20
MOST_SETS = 5000

Key = tuple[str, int]


def faults(drives: Sequence[Drive], policy: Policy, layout: Layout, placed: Layout | None = None) -> list[str]:
    """All faults of a layout."""
    return [
        *_units(drives, layout),
        *_shape(drives, policy, layout, placed),
        *_promises(drives, policy, layout),
        *_sizes(policy, layout, placed),
        *_spares(drives, policy, layout, placed),
        *_kept(drives, layout, placed),
    ]


def key(member: Member) -> Key:
    """The unit."""
    return member.serial, member.index


def members(layout: Layout) -> list[Member]:
    """All members of all vdevs."""
    return [member for vdev in layout.vdevs for member in vdev.members]


def homes_of(drives: Iterable[Drive]) -> dict[str, str]:
    """The enclosure of each serial; "" is one too (a chassis whose bays name none)."""
    return {drive.serial: drive.bay.enclosure if drive.bay else "" for drive in drives}


def worst(holders: Iterable[str], lost: int) -> int:
    """The most members that the loss of any *lost* holders takes."""
    return sum(count for _name, count in Counter(holders).most_common(lost))


def stands(parity: int, holders: Sequence[str]) -> int:
    """How many holders may be lost, whichever they are, with no more than *parity* members gone."""
    return next(
        (lost - 1 for lost in range(1, len(set(holders)) + 1) if worst(holders, lost) > parity), len(set(holders))
    )


def _units(drives: Sequence[Drive], layout: Layout) -> Iterator[str]:
    there = {(drive.serial, unit.index): (unit.size, drive) for drive in drives for unit in drive.units}
    named = [*members(layout), *(m for spare in layout.spares for m in spare.members)]
    named += [unused.member for unused in layout.unused]
    count = Counter(map(key, named))
    yield from (f"unit: {unit} is in the layout {many} times" for unit, many in count.items() if many > 1)
    yield from (f"unit: {unit} is in no place" for unit in there if unit not in count)
    yield from (f"unit: {unit} is not there" for unit in count if unit not in there)
    for member in named:
        size, drive = there.get(key(member), (member.size, None))
        if member.size != size:
            yield f"unit: {key(member)} has {size} bytes, the layout says {member.size}"
        if drive is not None and member.bay != (drive.bay.label if drive.bay else ""):
            yield f"unit: {key(member)} is in {drive.bay}, the layout says {member.bay!r}"
    yield from (f"unit: {key(unused.member)} is unused for no reason" for unused in layout.unused if not unused.reason)


def _shape(drives: Sequence[Drive], policy: Policy, layout: Layout, placed: Layout | None) -> Iterator[str]:
    if not layout.vdevs:
        yield "shape: no vdev"
    widths = {len(vdev.members) for vdev in layout.vdevs}
    if len(widths) > 1:
        yield f"shape: widths {sorted(widths)}"
    if policy.width and widths != {policy.width}:
        yield f"shape: width {policy.width} was asked for, there are {sorted(widths)}"
    if placed is not None and {_form(vdev) for vdev in layout.vdevs} != {_form(vdev) for vdev in placed.vdevs}:
        yield f"shape: the pool has {_form(placed.vdevs[0])}, added were {_form(layout.vdevs[-1])}"
    for number, vdev in enumerate(layout.vdevs):
        width = len(vdev.members)
        parity = width - 1 if policy.kind == "mirror" else policy.parity
        if (vdev.kind, vdev.parity) != (policy.kind, parity):
            yield f"shape: vdev {number} is {vdev.kind} of parity {vdev.parity}, not {policy.kind} of {parity}"
        if not parity < width or (policy.kind == "mirror" and not 2 <= width <= 4):
            yield f"shape: vdev {number} has {width} members"
        yield from _draid(number, vdev, policy, placed)
    if len({drive.serial for drive in drives}) < len(drives):
        yield "input: two drives of one serial"


def _form(vdev: Vdev) -> tuple[str, int, int, int, int]:
    return vdev.kind, vdev.parity, len(vdev.members), vdev.data, vdev.spares


def _draid(number: int, vdev: Vdev, policy: Policy, placed: Layout | None) -> Iterator[str]:
    if policy.kind != "draid":
        if vdev.data or vdev.spares:
            yield f"draid: vdev {number} is none and has {vdev.data} data, {vdev.spares} spares"
        return
    if vdev.data < 1 or vdev.data + vdev.parity + vdev.spares > len(vdev.members):
        yield f"draid: {vdev.keyword} cannot be made"
    if policy.draid_data and vdev.data != policy.draid_data:
        yield f"draid: {policy.draid_data} data devices were asked for, vdev {number} has {vdev.data}"
    asked = policy.draid_spares or 0  # left out: like what is placed
    if (asked or placed is None) and vdev.spares != asked:
        yield f"draid: {asked} distributed spares were asked for, vdev {number} has {vdev.spares}"


def _promises(drives: Sequence[Drive], policy: Policy, layout: Layout) -> Iterator[str]:
    homes = homes_of(drives)
    least = {"drives": len(drives), "enclosures": len(drives)}
    for number, vdev in enumerate(layout.vdevs):
        serials = [member.serial for member in vdev.members]
        if worst(serials, 1) > (max(1, vdev.parity) if policy.siblings else 1):
            yield f"siblings: vdev {number} holds too many units of a drive: {sorted(serials)}"
        held = {"drives": serials, "enclosures": [homes.get(serial, "") for serial in serials]}
        for name, wanted in (("drives", policy.survive.drives), ("enclosures", policy.survive.enclosures)):
            found = stands(vdev.parity, held[name])
            least[name] = min(least[name], found)
            lost = worst(held[name], wanted)
            if lost > vdev.parity:
                yield f"promise: {wanted} {name} lost take {lost} members of vdev {number}, parity {vdev.parity}"
    known = {bool(member.bay) for vdev in layout.vdevs for member in vdev.members}
    if len(known) == 2:
        least["enclosures"] = 0  # a drive whose bay is not known may sit in any of the others
    yield from _stated("survives_drives", layout.survives_drives, least["drives"], layout)
    yield from _stated("survives_enclosures", layout.survives_enclosures, least["enclosures"], layout)
    yield from _enumerated("drives", {d.serial: d.serial for d in drives}, layout.survives_drives, layout)
    yield from _enumerated("enclosures", homes, layout.survives_enclosures, layout)


def _stated(name: str, stated: int, counted: int, layout: Layout) -> Iterator[str]:
    if layout.vdevs and stated != counted:
        yield f"stated: {name} is {stated}, counted {counted}"


def _enumerated(name: str, holder: dict[str, str], stated: int, layout: Layout) -> Iterator[str]:
    # All sets one by one, where they are few.
    every = sorted(set(holder.values()))
    for step, gone in enumerate(combinations(every, min(stated, len(every)))):
        if step == MOST_SETS:
            return
        for number, vdev in enumerate(layout.vdevs):
            if sum(holder.get(member.serial) in gone for member in vdev.members) > vdev.parity:
                yield f"stated: the loss of {name} {gone} loses vdev {number}"
                return


def _sizes(policy: Policy, layout: Layout, placed: Layout | None) -> Iterator[str]:
    if policy.mixed_sizes:
        return
    # zpool replace takes a larger device: what was placed may be mixed.
    for number, vdev in enumerate(layout.vdevs[len(placed.vdevs) if placed else 0 :]):
        sizes = [member.size for member in vdev.members]
        if max(sizes) - min(sizes) > FUZZ:
            yield f"sizes: a vdev ({number} of the new ones) from {min(sizes)} to {max(sizes)}: zpool refuses it"


def _spares(drives: Sequence[Drive], policy: Policy, layout: Layout, placed: Layout | None) -> Iterator[str]:
    by_serial = {drive.serial: drive for drive in drives}
    kept = {spare.serial for spare in placed.spares} if placed else set()
    for spare in layout.spares:
        drive = by_serial.get(spare.serial)
        if drive is None or sorted(unit.index for unit in drive.units) != sorted(m.index for m in spare.members):
            yield f"spares: {spare.serial} is not a whole drive"
        elif spare.bay != (drive.bay.label if drive.bay else ""):
            yield f"spares: {spare.serial} is in {drive.bay}, the layout says {spare.bay!r}"
        elif spare.serial not in kept and len(drive.units) < _most_served(layout) and not has_spares(layout):
            yield f"spares: {spare.serial} has {len(drive.units)} units, a drive of the pool {_most_served(layout)}"
    if placed is None and len(layout.spares) != policy.spares:
        yield f"spares: {policy.spares} were asked for, there are {len(layout.spares)}"
    if placed is not None and policy.spares and not has_spares(layout):
        before = replace(layout, vdevs=layout.vdevs[: len(placed.vdevs)], spares=_still(layout, placed))
        if has_spares(before):
            yield "spares: each drive had a spare that could stand in for it, and a new one has none"
    if placed is not None and len(layout.spares) < policy.spares:
        yield from _could_be_spare(by_serial, policy, layout)


def has_spares(layout: Layout) -> bool:
    """Whether for each drive with members in the vdevs there is a spare that can take all of its places."""
    needs: dict[str, list[int]] = {}
    for vdev in layout.vdevs:
        least = min(member.size for member in vdev.members)
        for member in vdev.members:
            needs.setdefault(member.serial, []).append(least)
    spares = [sorted((member.size for member in spare.members), reverse=True) for spare in layout.spares]
    return all(
        any(
            len(places) <= len(spare)
            and all(have >= need for have, need in zip(spare, sorted(places, reverse=True), strict=False))
            for spare in spares
        )
        for places in needs.values()
    )


def _most_served(layout: Layout) -> int:
    """The most units of one drive that the pool holds: what a spare has to take over."""
    return max(Counter(member.serial for member in members(layout)).values(), default=0)


def _still(layout: Layout, placed: Layout) -> tuple[SpareDrive, ...]:
    kept = {spare.serial for spare in placed.spares}
    return tuple(spare for spare in layout.spares if spare.serial in kept)


def _could_be_spare(by_serial: dict[str, Drive], policy: Policy, layout: Layout) -> Iterator[str]:
    free = Counter(unused.member.serial for unused in layout.unused)
    most = max(len(drive.units) for drive in by_serial.values())
    for serial, many in free.items():
        if serial in by_serial and many == len(by_serial[serial].units) == most:
            yield f"spares: {policy.spares} were asked for, there are {len(layout.spares)}, and {serial} is unused"


def _kept(drives: Sequence[Drive], layout: Layout, placed: Layout | None) -> Iterator[str]:
    if placed is None:
        return
    there = {(drive.serial, unit.index) for drive in drives for unit in drive.units}
    if len(layout.vdevs) < len(placed.vdevs):
        yield "kept: a placed vdev is gone"
    for number, (old, new) in enumerate(zip(placed.vdevs, layout.vdevs, strict=False)):
        if (_form(old)) != _form(new):
            yield f"kept: vdev {number} was {_form(old)}, is {_form(new)}"
        least = min(member.size for member in old.members)
        for before, after in zip(old.members, new.members, strict=False):
            if key(before) in there and key(before) != key(after):
                yield f"kept: {key(before)} of vdev {number} gave way to {key(after)}"
            if after.size < least:
                yield f"kept: {key(after)} is smaller than what vdev {number} holds"
    spares = {spare.serial for spare in layout.spares}
    for spare in placed.spares:
        if all(key(member) in there for member in spare.members) and spare.serial not in spares:
            yield f"kept: spare {spare.serial} moved"
