# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Writes device trees for umockdev from the layout that Linux documents for sysfs.

Sources: Documentation/ABI/stable/sysfs-block, Documentation/ABI/testing/sysfs-class-enclosure,
drivers/misc/enclosure.c, drivers/scsi/ses.c, drivers/scsi/scsi_transport_sas.c and
drivers/scsi/scsi_sysfs.c of Linux 6.1, udev's 60-persistent-storage.rules and path_id; two trees
recorded from real kernels (tests/data/discovery) have the same shape.
"""

from __future__ import annotations

import posixpath
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from tests.unit.identity.pages import Part, page

NAA, T10 = 3, 1


@dataclass
class Tree:
    """A tree under construction: C(text) in umockdev's format, C(links) as udev would make them."""

    devices: list[str] = field(default_factory=list)
    links: dict[str, str] = field(default_factory=dict)
    disks: int = 0

    def add(
        self,
        path: str,
        subsystem: str,
        attrs: Mapping[str, str | bytes] | None = None,
        props: Mapping[str, str] | None = None,
        pointers: Mapping[str, str] | None = None,
        node: str = "",
    ) -> str:
        """One device; returns its path. *pointers* are symbolic links in its directory."""
        lines = [f"P: {path}", f"E: SUBSYSTEM={subsystem}"]
        if node:
            lines += [f"N: {node}", f"E: DEVNAME=/dev/{node}"]
        lines += [f"E: {key}={value}" for key, value in (props or {}).items()]
        for key, value in (attrs or {}).items():
            raw = value if isinstance(value, bytes) else (value + "\n").encode()
            lines.append(f"H: {key}={raw.hex().upper()}")
        lines += [f"L: {key}={value}" for key, value in (pointers or {}).items()]
        self.devices.append("\n".join(lines) + "\n")
        return path

    @property
    def text(self) -> str:
        return "\n".join(self.devices)

    def link(self, name: str, node: str) -> str:
        """A link under /dev; the last to claim a name has it, as with udev's equal priorities."""
        self.links[name] = posixpath.relpath(f"/dev/{node}", f"/dev/{posixpath.dirname(name)}")
        return f"/dev/{name}"


def designators(unit: str = "", port: str = "", target: str = "", text: bytes = b"") -> bytes:
    """Page 83h from hexadecimal NAA names, and a T10 text."""
    parts = [Part(0, T10, 2, text)] if text else []
    parts += [Part(0, NAA, 1, bytes.fromhex(unit))] if unit else []
    parts += [Part(1, NAA, 1, bytes.fromhex(port), 6)] if port else []
    parts += [Part(2, NAA, 1, bytes.fromhex(target), 6)] if target else []
    return page(0x83, b"".join(part.encode() for part in parts))


@dataclass(frozen=True)
class Lun:
    """One path to a logical unit, with all that the tree needs to know of it."""

    host: int = 2
    target: int = 0
    lun: int = 0
    serial: bytes = b"ACS0001"
    wwn: str = "5000ace2aa000010"
    vendor: bytes = b"ACTWO"
    model: bytes = b"ACTW-D9"
    firmware: bytes = b"0042"
    size: int = 9_000_000_000_000
    pages: Mapping[str, bytes] = field(default_factory=dict)
    block: int = 512
    protection: int = 0
    ranges: Sequence[tuple[int, int]] = ()
    partitions: Sequence[tuple[int, int, int]] = ()
    props: Mapping[str, str] = field(default_factory=dict)
    part_props: Mapping[int, Mapping[str, str]] = field(default_factory=dict)
    holders: Sequence[str] = ()
    name: str = ""
    more_links: Sequence[str] = ()


def sd_name(number: int) -> str:
    """The kernel's name for the disk with this number: sda, sdb ... sdz, sdaa."""
    letters = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("a") + rest) + letters
    return "sd" + letters


class Adapter:
    """A SAS adapter in the tree, with drives straight behind it or behind one expander."""

    def __init__(self, tree: Tree, host: int = 2, pci: str = "0000:00:05.0", expander: bool = False) -> None:
        self.tree, self.host, self.pci, self.expander = tree, host, pci, expander
        self.base = f"/devices/pci0000:00/{pci}/host{host}"
        tree.add(f"/devices/pci0000:00/{pci}", "pci", {"vendor": "0x1000"})
        tree.add(f"{self.base}/scsi_host/host{host}", "scsi_host", {"proc_name": "mptsas"})

    def device(self, target: int, bay: str = "0", enclosure: str = "0x0000000000000000") -> str:
        """The SAS end device of a target; with what it says of its bay."""
        middle = f"{self.host}:0" if self.expander else str(self.host)
        hop = f"/port-{self.host}:0/expander-{self.host}:0" if self.expander else ""
        name = f"end_device-{middle}:{target}"
        base = f"{self.base}{hop}/port-{middle}:{target}/{name}"
        attrs = {"bay_identifier": bay, "enclosure_identifier": enclosure, "phy_identifier": str(target)}
        self.tree.add(f"{base}/sas_device/{name}", "sas_device", attrs)
        return base

    def lun(self, one: Lun, end_device: str) -> str:
        """A SCSI disk behind an end device, and udev's links to it; returns the path of the SCSI device."""
        hctl = f"{self.host}:0:{one.target}:{one.lun}"
        scsi = f"{end_device}/target{self.host}:0:{one.target}/{hctl}"
        by_path = f"pci-{self.pci}-sas-phy{one.target}-lun-{one.lun}"
        add_disk(self.tree, one, scsi, by_path)
        return scsi


def add_disk(tree: Tree, one: Lun, scsi: str, by_path: str) -> str:
    """A SCSI device with its disk and partitions; returns the disk's name."""
    name = one.name or sd_name(tree.disks)
    minor = tree.disks * 16
    tree.disks += 1
    pages = {"vpd_pg80": page(0x80, one.serial), "vpd_pg83": designators(one.wwn), **one.pages}
    attrs: dict[str, str | bytes] = {
        "type": "0",
        "vendor": one.vendor.ljust(8) + b"\n",
        "model": one.model.ljust(16) + b"\n",
        "rev": one.firmware.ljust(4) + b"\n",
        # A device of its own in the kernel; umockdev is quicker with a plain directory.
        f"scsi_disk/{posixpath.basename(scsi)}/protection_type": str(one.protection),
        **{key: raw for key, raw in pages.items() if raw},
    }
    tree.add(scsi, "scsi", attrs, {"DEVTYPE": "scsi_device"})
    links = [tree.link(f"disk/by-path/{by_path}", name)] if by_path else []
    links += [tree.link(f"disk/by-id/{link}", name) for link in _ids(one)]
    links += [tree.link(link, name) for link in one.more_links]
    attrs = {
        "dev": f"8:{minor}",
        "size": str(one.size // 512),
        "queue/logical_block_size": str(one.block),
        "queue/physical_block_size": "4096",
    }
    for number, (start, size) in enumerate(one.ranges):
        attrs[f"queue/independent_access_ranges/{number}/sector"] = str(start // 512)
        attrs[f"queue/independent_access_ranges/{number}/nr_sectors"] = str(size // 512)
    attrs.update({f"holders/{holder}": "" for holder in one.holders})
    props = {
        "DEVTYPE": "disk",
        "MAJOR": "8",
        "MINOR": str(minor),
        "ID_PATH": by_path,
        "DEVLINKS": " ".join(links),
        **({"ID_PART_TABLE_TYPE": "gpt"} if one.partitions else {}),
        **one.props,
    }
    disk = tree.add(
        f"{scsi}/block/{name}", "block", attrs, props, {"device": f"../../../{posixpath.basename(scsi)}"}, name
    )
    for number, start, size in one.partitions:
        _add_partition(tree, disk, name, minor, number, (start, size), props, one.part_props.get(number, {}))
    return name


def _ids(one: Lun) -> list[str]:
    """by-id links as udev and sg3-utils-udev make them, those keyed on the serial number included."""
    serial = f"{one.vendor.decode('latin-1')}_{one.model.decode('latin-1')}_{one.serial.decode('latin-1')}"
    clean = "".join(char if char.isalnum() or char in "_-." else "_" for char in serial)
    ids = [f"scsi-S{clean}", f"scsi-0{clean}"]
    return ids + ([f"wwn-0x{one.wwn}", f"scsi-3{one.wwn}"] if one.wwn else [])


def _add_partition(
    tree: Tree,
    disk: str,
    name: str,
    minor: int,
    number: int,
    extent: tuple[int, int],
    props: Mapping[str, str],
    more: Mapping[str, str],
) -> None:
    node = f"{name}{number}"
    links = []
    for link in props["DEVLINKS"].split():
        links.append(tree.link(f"{link.removeprefix('/dev/')}-part{number}", node))
    attrs = {
        "dev": f"8:{minor + number}",
        "partition": str(number),
        "start": str(extent[0] // 512),
        "size": str(extent[1] // 512),
    }
    own = {
        **{key: value for key, value in props.items() if not key.startswith("ID_FS_")},
        "DEVTYPE": "partition",
        "MINOR": str(minor + number),
        "DEVLINKS": " ".join(links),
        **more,
    }
    tree.add(f"{disk}/{node}", "block", attrs, own, node=node)


def add_map(
    tree: Tree, number: int, uuid: str, name: str, slaves: Iterable[str], size: int, links: Iterable[str] = (),
    holders: Iterable[str] = (), props: Mapping[str, str] | None = None,
) -> None:  # fmt: skip
    """A device-mapper device over *slaves*."""
    node = f"dm-{number}"
    made = [tree.link(link, node) for link in links]
    attrs = {"dev": f"253:{number}", "size": str(size // 512), "dm/uuid": uuid, "dm/name": name}
    attrs.update({f"slaves/{slave}": "" for slave in slaves})
    attrs.update({f"holders/{holder}": "" for holder in holders})
    own = {"DEVTYPE": "disk", "MAJOR": "253", "MINOR": str(number), "DEVLINKS": " ".join(made), **(props or {})}
    tree.add(f"/devices/virtual/block/{node}", "block", attrs, own, node=node)


def add_enclosure(tree: Tree, device: str, hctl: str, identifier: str, slots: Mapping[int, str]) -> None:
    """An enclosure services process at a SCSI device, and the SCSI device that sits in each slot (empty: none)."""
    scsi = f"{device}/{hctl}"
    tree.add(scsi, "scsi", {"type": "13"}, {"DEVTYPE": "scsi_device"})
    base = f"{scsi}/enclosure/{hctl}"
    attrs: dict[str, str | bytes] = {"id": identifier, "components": str(len(slots))}
    pointers: dict[str, str] = {}
    for slot, occupant in slots.items():
        component = f"Slot {slot:02d}"
        attrs[f"{component}/slot"] = str(slot)
        attrs[f"{component}/type"] = "array device"
        attrs[f"{component}/status"] = "OK" if occupant else "not installed"
        attrs[f"{component}/locate"] = "0"
        if occupant:
            pointers[f"{component}/device"] = posixpath.relpath(occupant, f"{base}/{component}")
    tree.add(base, "enclosure", attrs, pointers=pointers)


def wwn_of(drive: int, lun: int, kind: int = 0) -> str:
    """An NAA name for a unit (kind 0), a port (1) or a target device (2); the vendor part is invented."""
    return f"5{0xACE2:06x}{kind:01x}{drive:05x}{lun:03x}"


def split_drive(number: int, **more: object) -> list[Lun]:
    """The two logical units of one drive, as units of the target with the drive's number."""
    serial = f"ACS{number:04d}".encode()
    facts: dict[str, object] = {"target": number, "serial": serial, **more}
    return [Lun(lun=lun, wwn=wwn_of(number, lun), **facts) for lun in (0, 1)]  # type: ignore[arg-type]


def chassis(enclosures: int, slots: int, empty: Iterable[int] = (), services: bool = True) -> Tree:
    """A chassis of some enclosures of some slots, each behind an expander of its own, drives of two units.

    As ses.c leaves it: one device link a slot, to LUN 1 (added last) in even slots and to LUN 0
    (the enclosure was probed after the disks) in odd ones. Without *services* there is no enclosure services
    process, and the SAS transport tells each drive's bay and enclosure (scsi_transport_sas.c).
    """
    tree = Tree()
    vacant = set(empty)
    for enclosure in range(enclosures):
        adapter = Adapter(tree, host=enclosure, pci=f"0000:00:{5 + enclosure:02x}.0", expander=True)
        occupants: dict[int, str] = {}
        identifier = f"0x5{0xACE2:06x}{enclosure:09x}"
        told = {} if services else {"enclosure": identifier}
        # The kernel meets drives in cabling order, not in slot order.
        for target, slot in enumerate(sorted(range(slots), key=lambda slot: (slot * 7) % slots)):
            if slot in vacant:
                occupants[slot] = ""
                continue
            number = enclosure * slots + slot
            end_device = adapter.device(target, **told, bay="0" if services else str(slot))
            paths = [
                adapter.lun(one, end_device)
                for one in split_drive(number, host=enclosure, target=target, serial=b"ACS%04d" % number)
            ]
            occupants[slot] = paths[1 if slot % 2 == 0 else 0]
        if not services:
            continue
        processor = adapter.device(slots)
        add_enclosure(
            tree, f"{processor}/target{enclosure}:0:{slots}", f"{enclosure}:0:{slots}:0",
            identifier, dict(sorted(occupants.items())),
        )  # fmt: skip
    return tree
