# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""What a lab machine is built of: adapters, bays, drives and their units (pure).

`load` reads a chassis file (schema in README.md), `parse` a plain dictionary, `make_chassis`
makes one of any size. Errors are ChassisError and name the key and the value.
"""

from __future__ import annotations

import contextlib
import hashlib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import yaml

from .errors import ChassisError
from .image import DEFAULT_RELEASE, RELEASES
from .tables import Table, parse_size

KINDS = ("virtio-scsi", "mptsas1068")
# An emulated SAS adapter has 8 phys; virtio-scsi takes targets 0 to 255.
TARGETS = {"virtio-scsi": 256, "mptsas1068": 8}
# NAA 5 (IEEE Registered) with a company id whose local bit is set, so it is nobody's.
_NAA = 0x502AC20
_BAYS = re.compile(r"([0-9]+)-([0-9]+)")
_NAME = re.compile(r"[a-z][a-z0-9-]{0,30}")
_MAX_UNITS = 14


@dataclass(frozen=True)
class Adapter:
    """A host adapter. It sits at PCI address 0000:00:C(slot).0, in the order of the file."""

    name: str
    kind: str
    slot: int

    @property
    def pci(self) -> str:
        return f"0000:00:{self.slot:02x}.0"


@dataclass(frozen=True)
class Port:
    """Where a drive is plugged: an adapter and the SCSI target (on SAS: the phy)."""

    adapter: str
    target: int


@dataclass(frozen=True)
class Limits:
    """Speed limits in operations and bytes per second; 0 is none."""

    iops: int = 0
    bps: int = 0


@dataclass(frozen=True)
class ReadError:
    """Sectors (512 bytes each) of a unit that cannot be read."""

    sector: int
    count: int = 1


@dataclass(frozen=True)
class Unit:
    """One logical unit. *present* is False for one the drive fails to show at first; *wwn* 0 is none."""

    index: int
    size: int
    wwn: int
    limits: Limits = Limits()
    read_errors: tuple[ReadError, ...] = ()
    present: bool = True


@dataclass(frozen=True)
class Drive:
    """One drive. With *shared_limits* all units together get *limits*, as if they had one actuator.

    *ports* holds one port for each path; *port_wwns* one target port identifier for each.
    *device_id* is the vendor-specific designator that all units report; empty is none.
    """

    bay: int
    serial: str
    ports: tuple[Port, ...]
    units: tuple[Unit, ...]
    vendor: str = "ACTWO"
    model: str = "ACTW-D9"
    firmware: str = "0001"
    logical_block: int = 512
    physical_block: int = 4096
    rotation_rate: int = 7200
    port_wwns: tuple[int, ...] = ()
    shared_limits: Limits | None = None
    device_id: str = ""

    def unit(self, index: int) -> Unit:
        return self.units[index]


@dataclass(frozen=True)
class Chassis:
    """A whole machine. *outside* lets the guest reach the network through the host."""

    name: str
    adapters: tuple[Adapter, ...]
    drives: tuple[Drive, ...]
    release: str = DEFAULT_RELEASE
    memory: int = 2048
    cpus: int = 2
    outside: bool = True

    def adapter(self, name: str) -> Adapter:
        return next(adapter for adapter in self.adapters if adapter.name == name)

    def drive(self, bay: int) -> Drive:
        return next(drive for drive in self.drives if drive.bay == bay)


@dataclass
class _Seen:
    """What may exist only once in a chassis, by what used it first."""

    ports: dict[Port, str] = field(default_factory=dict)
    bays: dict[int, str] = field(default_factory=dict)
    serials: dict[str, str] = field(default_factory=dict)
    wwns: dict[int, str] = field(default_factory=dict)


def wwn_for(serial: str, index: int) -> int:
    """The world wide name of a unit, the same on every run; 14 and 15 are the target ports."""
    digest = hashlib.sha256(serial.encode("utf-8", "surrogateescape")).digest()
    return (_NAA << 36) | (int.from_bytes(digest[:4], "big") << 4) | index


def load(path: str | Path) -> Chassis:
    """The chassis in a YAML file. Raises ChassisError."""
    try:
        data = yaml.safe_load(Path(path).read_text())
    except (OSError, yaml.YAMLError) as error:
        raise ChassisError(str(path), f"cannot be read: {error}") from None
    return parse(data)


def parse(data: object) -> Chassis:
    """The chassis that plain data describes. Raises ChassisError."""
    table = Table(data, "")
    name = table.text("name")
    if not _NAME.fullmatch(name):
        raise ChassisError("name", f"{name!r} is no host name of lower-case letters, digits and hyphens")
    adapters = _adapters(table.listing("adapters"))
    defaults = table.mapping("defaults")
    drives: list[Drive] = []
    seen = _Seen()
    for number, entry in enumerate(table.listing("drives")):
        key = f"drives[{number}]"
        for one in _repeated(entry, key):
            drives.append(_drive({**defaults, **one}, key, adapters, seen))
    chassis = Chassis(
        name,
        adapters,
        tuple(drives),
        release=table.choice("release", RELEASES, DEFAULT_RELEASE),
        memory=table.integer("memory", 2048, 512, 65536),
        cpus=table.integer("cpus", 2, 1, 64),
        outside=table.boolean("outside", True),
    )
    table.done()
    return chassis


def make_chassis(
    name: str,
    drives: int,
    units: int = 2,
    unit_size: int | str = "9 TB",
    adapter: str = "virtio-scsi",
    serial: str = "ACT{bay}",
    **top: Any,
) -> Chassis:
    """A chassis of C(drives) alike drives, bays from 0; C(top) are further top-level keys.

    Keys of a drive, such as C(firmware), go in C(defaults).
    """
    per_adapter = TARGETS[adapter]
    count = max(1, -(-drives // per_adapter))
    data: dict[str, Any] = {
        "name": name,
        "adapters": [{"name": f"hba{number}", "kind": adapter} for number in range(count)],
        "defaults": {"units": units, "unit_size": unit_size, **top.pop("defaults", {})},
        "drives": [{"bays": f"0-{drives - 1}", "serial": serial}] if drives else [],
        **top,
    }
    return parse(data)


def make_drive(chassis: Chassis, bay: int, serial: str, port: Port | None = None, **keys: Any) -> Drive:
    """A further drive for a push into C(bay).

    It gets C(port), else the port of the drive that C(chassis) has in that bay, else a free one.
    """
    seen = _Seen()
    for drive in chassis.drives:
        if drive.bay != bay:
            seen.ports.update(dict.fromkeys(drive.ports, f"bay {drive.bay}"))
        elif port is None:
            port = drive.ports[0]
    data: dict[str, Any] = {"unit_size": "9 TB", "units": 2, **keys, "bay": bay, "serial": serial}
    if port is not None:
        data.update(adapter=port.adapter, target=port.target)
    return _drive(data, "drive", chassis.adapters, seen)


def with_drives(chassis: Chassis, drives: Iterable[Drive]) -> Chassis:
    """The same machine with other drives in it."""
    return replace(chassis, drives=tuple(drives))


def _adapters(entries: list[object]) -> tuple[Adapter, ...]:
    found: list[Adapter] = []
    for number, entry in enumerate(entries):
        table = Table(entry, f"adapters[{number}]")
        name = table.text("name")
        if any(adapter.name == name for adapter in found):
            raise ChassisError(table.key("name"), f"{name!r} names two adapters")
        # Slots from 8 leave room below for the emulator's own devices.
        found.append(Adapter(name, table.choice("kind", KINDS, "virtio-scsi"), 8 + number))
        table.done()
    if not 1 <= len(found) <= 20:
        raise ChassisError("adapters", f"{len(found)} adapters; there must be 1 to 20")
    return tuple(found)


def _repeated(entry: object, key: str) -> list[dict[str, Any]]:
    """One entry with C(bays: 0-11) is twelve; C({bay}) in its serial is the bay's number, 2 digits."""
    if not isinstance(entry, Mapping):
        raise ChassisError(key, f"{entry!r} is not a mapping")
    if "bays" not in entry:
        return [dict(entry)]
    match = _BAYS.fullmatch(str(entry["bays"]))
    if match is None or int(match[1]) > int(match[2]):
        raise ChassisError(f"{key}.bays", f"{entry['bays']!r} is no range of bays such as 0-11")
    rest = {name: value for name, value in entry.items() if name != "bays"}
    serial = str(rest.get("serial", ""))
    if "{bay}" not in serial:
        raise ChassisError(f"{key}.serial", f"{serial!r} must hold {{bay}}, for bays {entry['bays']} share it")
    return [
        {**rest, "bay": bay, "serial": serial.replace("{bay}", f"{bay:02d}")}
        for bay in range(int(match[1]), int(match[2]) + 1)
    ]


def _drive(data: Mapping[str, Any], key: str, adapters: tuple[Adapter, ...], seen: _Seen) -> Drive:
    table = Table(data, key)
    bay = table.integer("bay", None, 0, 9999)
    serial = table.text("serial", 36)
    duplicate = table.boolean("duplicate_serial", False)
    if seen.serials.setdefault(serial, f"bay {bay}") != f"bay {bay}" and not duplicate:
        first = seen.serials[serial]
        raise ChassisError(table.key("serial"), f"{serial!r} is already in {first}; duplicate_serial: true allows it")
    _claim(seen.bays, bay, f"bay {bay}", table.key("bay"))
    # Two drives of one serial are still two parts, each with world wide names of its own.
    seed = f"{serial}#{bay}" if duplicate else serial
    ports = _ports(table, adapters, seen, bay)
    drive = Drive(
        bay=bay,
        serial=serial,
        ports=ports,
        units=_units(table, seed, seen, bay),
        vendor=table.text("vendor", 8, "ACTWO"),
        model=table.text("model", 16, "ACTW-D9"),
        firmware=table.text("firmware", 4, "0001"),
        logical_block=table.integer("logical_block", 512, 512, 4096),
        physical_block=table.integer("physical_block", 4096, 512, 65536),
        rotation_rate=table.integer("rotation_rate", 7200, 0, 65534),
        port_wwns=tuple(wwn_for(seed, 15 - number) for number in range(len(ports))),
        shared_limits=_limits(table.take("shared_limits"), table.key("shared_limits")),
        device_id=serial[:20] if table.boolean("serial_designator", False) else "",
    )
    table.done()
    if drive.logical_block not in (512, 4096) or drive.physical_block < drive.logical_block:
        raise ChassisError(
            table.key("logical_block"),
            f"{drive.logical_block} with physical_block {drive.physical_block}; the first is 512 or 4096, "
            "the second not smaller",
        )
    return drive


def _ports(table: Table, adapters: tuple[Adapter, ...], seen: _Seen, bay: int) -> tuple[Port, ...]:
    """The drive's path or paths: as named, else the first free target of the first adapter with one."""
    ports = [_port(table.take("adapter"), table.take("target"), table.key("target"), adapters, seen)]
    _claim(seen.ports, ports[0], f"bay {bay}", table.key("target"))
    second = table.take("second_path")
    if second is not None:
        where = Table(second, table.key("second_path"))
        ports.append(_port(where.take("adapter"), where.take("target"), where.key("target"), adapters, seen))
        where.done()
        _claim(seen.ports, ports[1], f"bay {bay}", table.key("second_path"))
    return tuple(ports)


def _port(name: object, target: object, key: str, adapters: tuple[Adapter, ...], seen: _Seen) -> Port:
    candidates = [adapter for adapter in adapters if name in (None, adapter.name)]
    if not candidates:
        raise ChassisError(key.replace("target", "adapter"), f"{name!r} is not an adapter of this chassis")
    if target is None:
        for adapter in candidates:
            for number in range(TARGETS[adapter.kind]):
                if Port(adapter.name, number) not in seen.ports:
                    return Port(adapter.name, number)
        raise ChassisError(key, f"no free target on {', '.join(adapter.name for adapter in candidates)}")
    first = candidates[0]
    if not isinstance(target, int) or isinstance(target, bool) or not 0 <= target < TARGETS[first.kind]:
        raise ChassisError(key, f"{target!r} is no target of a {first.kind}: 0 to {TARGETS[first.kind] - 1}")
    return Port(first.name, target)


def _units(table: Table, seed: str, seen: _Seen, bay: int) -> tuple[Unit, ...]:
    count = table.integer("units", 2, 1, _MAX_UNITS)
    size = parse_size(table.take("unit_size"), table.key("unit_size"))
    if size <= 0 or size % 4096:
        raise ChassisError(table.key("unit_size"), f"{size} bytes is no positive multiple of 4096")
    overrides = table.mapping("unit")
    wwns = table.take("wwns")
    if wwns == "none":
        wwns = [0] * count
    if wwns is not None and (not isinstance(wwns, list) or len(wwns) != count):
        raise ChassisError(table.key("wwns"), f"{wwns!r} is no list of {count} world wide names")
    units = []
    for index in range(count):
        key = f"{table.key('unit')}.{index}"
        one = Table(overrides.pop(index, {}), key)
        wwn = wwn_for(seed, index) if wwns is None else _wwn(wwns[index], f"{table.key('wwns')}[{index}]")
        duplicate = one.boolean("duplicate_wwn", False) or not wwn
        _claim(seen.wwns, wwn, f"bay {bay} unit {index}", table.key("wwns"), duplicate)
        units.append(
            Unit(
                index,
                parse_size(one.take("size", size), f"{key}.size"),
                wwn,
                _limits(one.take("limits"), f"{key}.limits") or Limits(),
                tuple(_read_error(item, f"{key}.read_errors") for item in one.listing("read_errors")),
                one.boolean("present", True),
            )
        )
        one.done()
    if overrides:
        raise ChassisError(table.key("unit"), f"{sorted(overrides, key=str)} are no units of a drive with {count}")
    return tuple(units)


def _wwn(value: object, key: str) -> int:
    if isinstance(value, str):
        with contextlib.suppress(ValueError):
            value = int(value, 16)
    if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value < 1 << 64:
        raise ChassisError(key, f"{value!r} is no world wide name of 16 hexadecimal digits")
    return value


def _limits(value: object, key: str) -> Limits | None:
    if value is None:
        return None
    table = Table(value, key)
    limits = Limits(table.integer("iops", 0, 0, 10**9), parse_size(table.take("bps", 0), f"{key}.bps"))
    table.done()
    return limits


def _read_error(value: object, key: str) -> ReadError:
    table = Table(value, key)
    # One rule for each sector: the emulator knows no ranges.
    error = ReadError(table.integer("sector", None, 0, 1 << 62), table.integer("count", 1, 1, 4096))
    table.done()
    return error


def _claim(taken: dict[Any, str], thing: object, owner: str, key: str, allowed: bool = False) -> None:
    first = taken.setdefault(thing, owner)
    if first is not owner and not allowed:
        shown = f"{thing:016x}" if isinstance(thing, int) and thing >= 1 << 32 else thing
        raise ChassisError(key, f"{shown} of {owner} is already taken by {first}")
