# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Decides how a pool is created from its layout. Pure: facts in, commands or a Refusal out."""

from __future__ import annotations

import re
from collections import Counter
from typing import Dict, FrozenSet, Iterable, List, Mapping, Optional, Sequence, Tuple

from .. import names
from ..errors import InputError, Refusal
from ..host.contents import NEVER_ERASED
from ..host.run import Command
from ..model import Content, Drive, Layout, Member, Unit, Vdev
from ..partition.extents import ALIKE
from . import argv
from .resolve import Pool, PoolVdev

Key = Tuple[str, int]

# ashift 12: 4096-byte sectors, also for drives that report 512 (common practice: OpenZFS refuses
# a replacement with larger sectors, see zpool-replace(8)). autoreplace stays off, since
# OpenZFS's event daemon would take one unit of a drive at a time.
POOL_DEFAULTS = {"ashift": "12", "autoexpand": "off", "autoreplace": "off"}
ROOT_DEFAULTS = {"acltype": "posixacl", "atime": "off", "compression": "lz4", "dnodesize": "auto", "xattr": "sa"}

# zfsprops(7): fixed when the dataset is made.
CREATE_ONLY = ("casesensitivity", "encryption", "keyformat", "normalization", "utf8only", "volblocksize")

RANGE_TOO_LARGE = "it is larger than its vdev can use, and the partition of a range cannot be made smaller"
SEPARATE = "Set mixed_sizes to separate, so that units of each size get vdevs of their own."

_SIZE = re.compile(r"([0-9]+(?:\.[0-9]+)?)([KMGTPE])(?:iB|B)?", re.IGNORECASE)
_POWERS = {letter: 1024 ** (position + 1) for position, letter in enumerate("KMGTPE")}


def with_defaults(defaults: Mapping[str, str], given: Mapping[str, object]) -> Dict[str, str]:
    """The settings to use: defaults overridden by *given*; a value of None drops the default."""
    merged: Dict[str, Optional[object]] = dict(defaults)
    merged.update(given)
    return {name: setting_text(value) for name, value in merged.items() if value is not None}


def setting_text(value: object) -> str:
    """A property's value as zpool and zfs spell it; YAML's true and false become on and off."""
    if isinstance(value, bool):
        return "on" if value else "off"
    return str(value)


def same_setting(wanted: str, found: str) -> bool:
    """Whether two spellings of a value mean the same (C(1M) and C(1048576))."""
    return _number(wanted) == _number(found)


def _number(text: str) -> str:
    match = _SIZE.fullmatch(text)
    return str(int(float(match.group(1)) * _POWERS[match.group(2).upper()])) if match else text.lower()


def units_of(layout: Layout, drives: Sequence[Drive]) -> Dict[Key, Unit]:
    """Each member's unit as found on the host; refuses with every reason why one cannot be used."""
    reasons: List[str] = []
    by_serial: Dict[str, List[Drive]] = {}
    for drive in drives:
        by_serial.setdefault(drive.serial, []).append(drive)
    found: Dict[Key, Unit] = {}
    for serial, members in _by_drive(layout).items():
        reasons += _match_drive(serial, members, by_serial.get(serial, []), found)
    if reasons:
        raise Refusal(
            "Drives of the layout are missing or not as declared; nothing was changed.",
            reasons,
            "Correct the declared drives, or the drives in the chassis, then plan again.",
        )
    return found


def _by_drive(layout: Layout) -> Dict[str, List[Member]]:
    grouped: Dict[str, List[Member]] = {}
    for member in members_of(layout):
        grouped.setdefault(member.serial, []).append(member)
    return grouped


def members_of(layout: Layout) -> Tuple[Member, ...]:
    """All members that the pool will hold: vdevs first, then supporting vdevs, then spares."""
    vdevs = [*layout.vdevs, *(one.vdev for one in layout.support)]
    groups = [vdev.members for vdev in vdevs] + [spare.members for spare in layout.spares]
    return tuple(member for members in groups for member in members)


def _match_drive(serial: str, members: Sequence[Member], found: Sequence[Drive], units: Dict[Key, Unit]) -> List[str]:
    where = "{0} (serial {1})".format(members[0].bay or "bay unknown", serial)
    if not found:
        return ["{0}: declared, but no drive with this serial is on the host".format(where)]
    if len(found) > 1:
        return [
            "{0}: {1} drives report this serial ({2}); it is not clear which one is meant".format(
                where, len(found), ", ".join(sorted(drive.key for drive in found))
            )
        ]
    drive = found[0]
    reasons = _match_bay(where, members[0], drive)
    by_index = {unit.index: unit for unit in drive.units}
    missing = sorted(set(range(drive.expected_units)) - set(by_index))
    for index in missing:
        reasons.append("{0}: unit {1} is missing; the drive shows {2}".format(where, index, _indices(by_index)))
    for member in members:
        unit = by_index.get(member.index)
        if unit is None:
            if member.index not in missing:
                reasons.append(
                    "{0}: unit {1} is missing; the drive shows {2}".format(where, member.index, _indices(by_index))
                )
        elif member.size and unit.size != member.size:
            reasons.append(
                "{0}: unit {1} has {2} bytes, the layout was made for {3}".format(
                    where, member.index, unit.size, member.size
                )
            )
        elif not unit.links:
            reasons.append("{0}: unit {1} has no stable name of its own; see drive_info".format(where, member.index))
        else:
            units[argv.key_of(member)] = unit
    return reasons


def _match_bay(where: str, member: Member, drive: Drive) -> List[str]:
    if member.bay and drive.bay is not None and drive.bay.label != member.bay:
        return ["{0}: the drive sits in {1}, the layout was made for {2}".format(where, drive.bay.label, member.bay)]
    return []


def _indices(units: Iterable[int]) -> str:
    return "unit " + ", ".join(str(index) for index in sorted(units)) if units else "no unit"


def refuse_siblings(layout: Layout, allow_siblings: bool = False) -> None:
    """Refuses a vdev that holds two units of one drive.

    With *allow_siblings* it is refused only when the loss of one drive would remove more
    members than the vdev's parity covers.
    """
    reasons = []
    for number, vdev in enumerate(layout.vdevs):
        allowed = max(vdev.parity, 1) if allow_siblings else 1
        for serial, count in sorted(Counter(member.serial for member in vdev.members).items()):
            if count > allowed:
                reasons.append(
                    "vdev {0} ({1}) holds {2} units of the drive with serial {3}; they all fail with that drive,"
                    " and the vdev survives the loss of {4}".format(
                        number, vdev.keyword or "stripe", count, serial, vdev.parity
                    )
                )
    if reasons:
        raise Refusal(
            "The layout puts units of one drive into one vdev; nothing was changed.",
            reasons,
            "Plan again, or set allow_siblings if the parity covers it and you accept it.",
        )


def larger_members(vdev: Vdev, sizes: Mapping[Key, int]) -> Tuple[Member, ...]:
    """The members that OpenZFS would not treat as the same size as the vdev's smallest: they are too much larger."""
    if vdev.kind == "stripe":  # each member is a vdev of its own
        return ()
    least = min(sizes[argv.key_of(member)] for member in vdev.members)
    return tuple(member for member in vdev.members if sizes[argv.key_of(member)] > least + ALIKE)


def refuse_larger_ranges(layout: Layout) -> None:
    """Refuses a range in a vdev that cannot use all of it: the partition of a range is not made smaller."""
    reasons = [
        "{0} (serial {1}) unit {2}: {3}".format(
            member.bay or "bay unknown", member.serial, member.index, RANGE_TOO_LARGE
        )
        for vdev in layout.vdevs
        for member in larger_members(vdev, {argv.key_of(one): one.size for one in vdev.members})
        if member.unit_kind == "range"
    ]
    if reasons:
        raise Refusal("The layout cannot be built.", reasons, SEPARATE)


def refuse_contents(
    layout: Layout, contents: Mapping[Key, Sequence[Content]], erase_serials: Sequence[str]
) -> Tuple[Key, ...]:
    """The units to erase first. Refuses when anything is found on a unit whose drive is not in *erase_serials*.

    What is in use (mounted, held, open, swap) or cannot be read is refused even then.
    """
    serials = {member.serial for member in members_of(layout)}
    stray = sorted(set(erase_serials) - serials)
    if stray:
        raise InputError(
            "{0} is not in the layout".format(", ".join(stray)),
            subject="erase_serials",
            remedy="List only the drives of the layout that may be erased.",
        )
    reasons: List[str] = []
    erase: List[Key] = []
    for member in members_of(layout):
        key = argv.key_of(member)
        for content in contents.get(key, ()):
            kept = content.type in NEVER_ERASED
            if kept or member.serial not in erase_serials:
                reasons.append(describe(member, content))
            elif key not in erase:
                erase.append(key)
    if reasons:
        raise Refusal(
            "Units of the layout are not empty; nothing was changed.",
            reasons,
            "If the data on a drive is no longer needed, add its serial to erase_serials (in playbooks:"
            " split_actuator_erase_serials). Release by hand whatever is in use. A pool label means that the drive"
            " belongs to a pool: import that pool instead.",
        )
    return tuple(erase)


def describe(member: Member, content: Content) -> str:
    """One line on what was found: bay, serial, unit, kind, detail and device."""
    return "{0} (serial {1}) unit {2}: {3} {4} on {5}".format(
        member.bay or "bay unknown",
        member.serial,
        member.index,
        content.type.replace("_", " "),
        content.detail,
        content.node,
    ).replace("  ", " ")


def paths_by_name(layout: Layout, units: Mapping[Key, Unit], expected: bool = False) -> Dict[Key, str]:
    """Each member's device by its unit name (C(/dev/disk/by-vdev/bay07.1)).

    Refuses members without a bay, and units that do not carry their name yet, unless the
    names are only *expected* (check mode: the rules that make them may not be there yet).
    """
    paths: Dict[Key, str] = {}
    reasons: List[str] = []
    for member in members_of(layout):
        where = "{0} (serial {1}) unit {2}".format(member.bay or "bay unknown", member.serial, member.index)
        path = "{0}/{1}".format(names.DIRECTORY, member.name)
        if not member.bay:
            reasons.append("{0}: its bay is unknown, so it has no name".format(where))
        elif not expected and path not in units[argv.key_of(member)].links:
            reasons.append("{0}: {1} does not lead to it".format(where, path))
        paths[argv.key_of(member)] = path
    if reasons:
        raise Refusal(
            "Units do not have their names yet; nothing was changed.",
            reasons,
            "Run the role disk_inventory first.",
        )
    return paths


def paths_as_found(units: Mapping[Key, Unit]) -> Dict[Key, str]:
    """Each unit's device by its best stable link."""
    return {key: unit.links[0] for key, unit in units.items()}


def forgive(
    contents: Mapping[Key, Sequence[Content]], units: Mapping[Key, Unit], begun: Iterable[str], halves: Iterable[str]
) -> Dict[Key, Sequence[Content]]:
    """*contents* without the tables that an interrupted creation of this pool left behind.

    *begun* are the WWNs noted when that creation started, *halves* the device nodes whose only
    partitions are the two that OpenZFS makes. Anything else on such a unit still counts.
    """
    ours = set(begun)
    shaped = set(halves)
    return {
        key: ()
        if units[key].wwn in ours
        and units[key].node in shaped
        and all(content.type == "partition_table" for content in found)
        else found
        for key, found in contents.items()
    }


def create_command(
    name: str,
    layout: Layout,
    paths: Mapping[Key, str],
    pool_settings: Mapping[str, str],
    root_settings: Mapping[str, str],
    dry_run: bool = False,
) -> Command:
    """The one command that creates the pool. Spare drives stay out of it until they stand in (see `spares.duty`)."""
    words = argv.create(name, layout.vdevs, paths, pool_settings, root_settings, dry_run, support=layout.support)
    return Command(words, "dry run: create pool {0}".format(name) if dry_run else "create pool {0}".format(name))


def differences(pool: Pool, layout: Layout) -> Tuple[str, ...]:
    """How a pool's members differ from the layout, by unit identity; empty when they agree."""
    wanted: Dict[FrozenSet[Key], str] = {places(vdev): _shape(vdev.kind, vdev.parity) for vdev in layout.vdevs}
    found: Dict[FrozenSet[Key], str] = {
        keys_of(vdev): _shape(vdev.kind, vdev.redundancy) for vdev in pool.vdevs if vdev.group == "data"
    }
    lines = []
    for keys in sorted(set(wanted) | set(found), key=sorted):
        if wanted.get(keys) != found.get(keys):
            lines.append(
                "units {0}: planned {1}, actual {2}".format(
                    _names(keys, layout), wanted.get(keys, "no vdev"), found.get(keys, "no vdev")
                )
            )
    # A spare drive is in the pool only while it stands in.
    spares = {argv.key_of(member) for spare in layout.spares for member in spare.members}
    strange = {(member.serial, member.index) for member in pool.spares if not member.distributed} - spares
    if strange:
        lines.append("spares: {0} in the pool, not in the layout".format(_names(strange, layout)))
    return tuple(lines)


def _shape(kind: str, parity: int) -> str:
    return "{0}{1}".format(kind, parity) if kind in ("raidz", "draid") else kind


def places(vdev: Vdev) -> FrozenSet[Key]:
    """The units that a vdev of a layout is made of."""
    return frozenset(argv.key_of(member) for member in vdev.members)


def keys_of(vdev: PoolVdev) -> FrozenSet[Key]:
    """The units that a vdev's places belong to; while one is replaced, the outgoing one counts."""
    return frozenset((slot.members[0].serial, slot.members[0].index) for slot in vdev.slots if slot.members)


def _names(keys: Iterable[Key], layout: Layout) -> str:
    known = {argv.key_of(member): member.name for member in members_of(layout)}
    return ", ".join(sorted(known.get(key, "{0} unit {1}".format(key[0] or "unknown serial", key[1])) for key in keys))
