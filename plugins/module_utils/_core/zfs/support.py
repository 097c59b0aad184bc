# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Supporting vdevs of a pool: special, log and cache, on ordinary drives named by WWN. Pure.

zpoolconcepts(7): losing a special vdev loses its data and with that the pool; a log may be a mirror,
a cache may not.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Any, Dict, Iterable, List, Mapping, Sequence, Tuple

from ..checks import choice, mapping
from ..errors import InputError, Refusal
from ..model import Drive, Member, SupportVdev, Unit, Vdev
from ..names import WWN
from .resolve import Pool, PoolVdev

# Role, as people and zpool write it, and the group that a status lists it under.
GROUPS = {"special": "special", "log": "logs", "cache": "cache"}
KINDS = ("mirror", "stripe")

_KEYS = ("role", "kind", "devices")


@dataclass(frozen=True)
class Support:
    """A declared supporting vdev. *devices* are WWNs; the devices of a C(stripe) are vdevs of their own."""

    role: str
    kind: str
    devices: Tuple[str, ...]

    @property
    def redundancy(self) -> int:
        """How many of its devices may fail."""
        return len(self.devices) - 1 if self.kind == "mirror" else 0

    @property
    def parts(self) -> Tuple[Tuple[str, ...], ...]:
        """The devices of each top-level vdev that it declares."""
        return (self.devices,) if self.kind == "mirror" else tuple((device,) for device in self.devices)


def read_support(data: Any, where: str = "support") -> Tuple[Support, ...]:
    """The supporting vdevs in plain *data*, a list of C(role), C(kind), C(devices). Raises InputError."""
    if not isinstance(data, (list, tuple)):
        raise InputError("{0!r} is not a list".format(data), subject=where)
    found = tuple(_read(entry, "{0}[{1}]".format(where, number)) for number, entry in enumerate(data))
    counts = Counter(device for one in found for device in one.devices)
    twice = sorted(device for device, count in counts.items() if count > 1)
    if twice:
        raise InputError("{0} is declared more than once".format(", ".join(twice)), subject=where)
    return found


def _read(entry: Any, where: str) -> Support:
    mapping(entry, _KEYS, where, remedy="Write {role: log, devices: [...]}.")
    role = choice(entry.get("role"), tuple(GROUPS), where + ".role")
    devices = _devices(entry.get("devices"), where + ".devices")
    usual = "mirror" if len(devices) > 1 and role != "cache" else "stripe"
    kind = choice(entry.get("kind") or usual, KINDS, where + ".kind")
    if kind == "mirror" and (role == "cache" or len(devices) < 2):
        raise InputError(
            "a {0} of {1} device{2} cannot be a mirror".format(role, len(devices), "" if len(devices) == 1 else "s"),
            subject=where + ".kind",
            remedy="OpenZFS mirrors a special or a log of two devices or more, and never a cache.",
        )
    return Support(role, kind, devices)


def _devices(value: Any, where: str) -> Tuple[str, ...]:
    if not isinstance(value, (list, tuple)) or not value:
        raise InputError("{0!r} is not a list of WWNs".format(value), subject=where)
    for item in value:
        if not isinstance(item, str) or not WWN.fullmatch(item):
            raise InputError(
                "{0!r} is not a WWN".format(item),
                subject=where,
                remedy="Write it as drive_info returns it: naa. or eui. and 16 to 32 lower-case hexadecimal digits.",
            )
    return tuple(value)


def refuse_weak(support: Sequence[Support], vdevs: Sequence[Vdev]) -> None:
    """Refuses a special vdev that survives fewer, or more, device failures than the data vdevs.

    Fewer would weaken the whole pool. More is accepted by OpenZFS only when forced
    (C(get_replication) in its zpool_vdev.c compares every vdev except logs).
    """
    wanted = max([vdev.parity for vdev in vdevs] or [0])
    reasons = [
        "special on {0}: device failures tolerated: {1} (the data vdevs: {2})".format(
            ", ".join(one.devices), one.redundancy, wanted
        )
        for one in support
        if one.role == "special" and one.redundancy != wanted
    ]
    if reasons:
        shape = "a mirror of {0} devices".format(wanted + 1) if wanted else "a stripe"
        raise Refusal(
            "A special vdev must have the same redundancy as the data vdevs; nothing was changed.",
            reasons,
            "Losing a special vdev loses the pool. Make it {0}.".format(shape),
        )


def resolve(support: Sequence[Support], drives: Sequence[Drive]) -> Tuple[SupportVdev, ...]:
    """The supporting vdevs on the drives found. Refuses with every reason why a device cannot be used."""
    units: Dict[str, List[Tuple[Drive, Unit]]] = {}
    for drive in drives:
        for unit in drive.units:
            units.setdefault(unit.wwn, []).append((drive, unit))
    reasons = [
        "{0} on {1}: {2}".format(one.role, device, why)
        for one in support
        for device in one.devices
        for why in _unusable(units.get(device, []))
    ]
    if reasons:
        raise Refusal(
            "Devices of supporting vdevs are missing or not as declared; nothing was changed.",
            reasons,
            "Correct the declared WWNs; drive_info lists those of the host.",
        )
    return tuple(SupportVdev(one.role, _vdev(part, units)) for one in support for part in one.parts)


def _unusable(found: Sequence[Tuple[Drive, Unit]]) -> List[str]:
    if not found:
        return ["no drive on the host has this WWN"]
    if len(found) > 1:
        return ["{0} units have this WWN".format(len(found))]
    drive, unit = found[0]
    if max(len(drive.units), drive.expected_units) > 1:
        return ["it is unit {0} of the split-actuator drive in {1}".format(unit.index, drive.label)]
    return [] if unit.links else ["it has no stable name of its own"]


def _vdev(devices: Sequence[str], units: Mapping[str, List[Tuple[Drive, Unit]]]) -> Vdev:
    members = []
    for device in devices:
        drive, unit = units[device][0]
        members.append(Member(drive.serial, unit.index, drive.bay.label if drive.bay else "", unit.size))
    kind = "mirror" if len(members) > 1 else "stripe"
    return Vdev(kind, len(members) - 1, tuple(members))


def differences(pool: Pool, support: Sequence[Support]) -> Tuple[str, ...]:
    """How a pool's supporting vdevs differ from the declared ones, by WWN; empty when they agree."""
    wanted = {(GROUPS[one.role], _sorted(part)) for one in support for part in one.parts}
    found = {(vdev.group, _places(vdev)) for vdev in pool.vdevs if vdev.group != "data"}
    lines = []
    for group, devices in sorted(wanted | found):
        if ((group, devices) in wanted) != ((group, devices) in found):
            lines.append(
                "{0} on {1}: {2}".format(
                    group,
                    ", ".join(devices),
                    "declared, not in the pool" if (group, devices) in wanted else "in the pool, not declared",
                )
            )
    return tuple(lines)


def _sorted(devices: Iterable[str]) -> Tuple[str, ...]:
    """WWNs by their digits: the link of a missing device does not have their type."""
    return tuple(sorted(device.split(".", 1)[-1] if WWN.fullmatch(device) else device for device in devices))


def _places(vdev: PoolVdev) -> Tuple[str, ...]:
    """The devices in a vdev's places; while one is replaced, the outgoing one counts."""
    first = [slot.members[0] for slot in vdev.slots if slot.members]
    return _sorted(member.wwn or member.path or member.name for member in first)
