# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""What the kernel and udev say about each block device: one `Disk` per whole disk.

The udev database is read through pyudev, everything else from sysfs. No program is started, apart from one
C(ldconfig -p) by which pyudev finds libudev.
Text from a device has passed the allow-list (`identity.text`) before it is stored here.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass, field
from typing import Any, Callable, Dict, List, Optional, Tuple

from ..errors import DecodeError, HostError, MissingLibraryError
from ..identity.designator import Designator
from ..identity.text import clean, clean_text
from ..identity.vpd import decode_identification, decode_serial
from .sysfs import link_name, names_in, read_bytes, read_number, read_text

try:
    import pyudev
except ImportError:
    pyudev = None

_CLASS_BLOCK = "/sys/class/block"
_SECTOR = 512  # sysfs counts in 512-byte units whatever the device's block size (Documentation/ABI/stable/sysfs-block)
_SCSI = re.compile(r"^(.*/host([0-9]+)/.*/([0-9]+:[0-9]+:[0-9]+):([0-9]+))/block/[^/]+$")
_PCI = re.compile(r"/([0-9a-f]{4,8}:[0-9a-f]{2}:[0-9a-f]{2}\.[0-7])(?=/)")
_END_DEVICE = re.compile(r"/(end_device-[0-9:]+)/")
_DISK_TYPES = ("0", "14", "20")  # peripheral device types of disks: direct access, reduced block commands, zoned


@dataclass(frozen=True)
class Signature:
    """What udev's probe found on a node: filesystem (or RAID, LVM ...) type, label, partition table type."""

    fs_type: str = ""
    fs_label: str = ""
    table: str = ""


@dataclass(frozen=True)
class Partition:
    """A partition: *start* and *size* in bytes, *links* as udev claims them, *holders* by kernel name.

    *uuid* and *label* are the partition's own, from its table.
    """

    number: int
    name: str
    node: str
    devno: str
    start: int
    size: int
    signature: Signature = Signature()
    links: Tuple[str, ...] = ()
    holders: Tuple[str, ...] = ()
    uuid: str = ""
    label: str = ""


@dataclass(frozen=True)
class Disk:
    """One whole disk as the kernel shows it: one path to a logical unit.

    *target* is C(H:C:T) for SCSI. *ranges* are the kernel's independent access ranges as
    (start, size) in bytes; empty for an ordinary disk. *faults* are texts about VPD pages that
    could not be decoded. *protection* is the T10 protection type, 0 for none.
    """

    name: str
    node: str
    devno: str
    sys_path: str
    transport: str
    vendor: str = ""
    model: str = ""
    firmware: str = ""
    serial: str = ""
    target: str = ""
    lun: int = 0
    end_device: str = ""
    adapter: str = ""
    designators: Tuple[Designator, ...] = ()
    target_names: Tuple[str, ...] = ()
    wwid: str = ""
    size: int = 0
    logical_block: int = 0
    physical_block: int = 0
    protection: int = 0
    ranges: Tuple[Tuple[int, int], ...] = ()
    id_path: str = ""
    links: Tuple[str, ...] = ()
    signature: Signature = Signature()
    holders: Tuple[str, ...] = ()
    partitions: Tuple[Partition, ...] = ()
    faults: Tuple[str, ...] = ()

    @property
    def hctl(self) -> str:
        """The SCSI address C(H:C:T:L); empty for other transports."""
        return "{0}:{1}".format(self.target, self.lun) if self.transport == "scsi" else ""


@dataclass(frozen=True)
class Map:
    """A device-mapper device: *uuid* shows what made it (C(mpath-...) for multipath), *slaves* are its devices."""

    name: str
    node: str
    devno: str
    uuid: str
    dm_name: str
    size: int
    slaves: Tuple[str, ...]
    holders: Tuple[str, ...]
    links: Tuple[str, ...]
    signature: Signature = Signature()


@dataclass(frozen=True)
class Blocks:
    """All disks and device-mapper devices of the host, in kernel-name order."""

    disks: Tuple[Disk, ...]
    maps: Tuple[Map, ...]


@dataclass(frozen=True)
class _Seen:
    """A block device: its directory in sysfs, kernel name and bus, and its entry in udev's database."""

    path: str
    name: str
    transport: str
    device: Any

    @property
    def node(self) -> str:
        """Where devtmpfs has it: a C(!) in a kernel name stands for a slash."""
        return "/dev/" + self.name.replace("!", "/")


@dataclass
class _Walk:
    """The block devices of the host; partitions by the directory of their disk."""

    disks: List[_Seen] = field(default_factory=list)
    partitions: Dict[str, List[_Seen]] = field(default_factory=dict)
    maps: List[_Seen] = field(default_factory=list)


def read_blocks() -> Blocks:
    """Read all block devices. Raises MissingLibraryError without pyudev, HostError without sysfs or udev."""
    if pyudev is None:
        raise MissingLibraryError("pyudev", "Install the package python3-pyudev, or run the role prerequisites.")
    try:
        walk = _walk(pyudev.Context())
    except (OSError, ImportError) as error:
        raise HostError("the block devices cannot be listed: {0}".format(error), subject="host") from error
    adapters: Dict[str, str] = {}
    disks = [_disk(seen, walk.partitions.get(seen.path, []), adapters) for seen in walk.disks]
    return Blocks(
        tuple(sorted(disks, key=lambda disk: (len(disk.name), disk.name))),
        tuple(sorted((_map(seen) for seen in walk.maps), key=lambda one: (len(one.name), one.name))),
    )


def _walk(context: Any) -> _Walk:
    """All disks, partitions and maps. Listed from sysfs: libudev's own listing takes longer than everything else."""
    walk = _Walk()
    for name in os.listdir(_CLASS_BLOCK):
        path = os.path.normpath(_CLASS_BLOCK + "/" + os.readlink(_CLASS_BLOCK + "/" + name))
        group: Optional[List[_Seen]] = None
        transport = ""
        if name.startswith("dm-"):
            group = walk.maps
        elif os.path.exists(path + "/partition"):
            group = walk.partitions.setdefault(os.path.dirname(path), [])
        elif not path.startswith("/sys/devices/virtual/"):
            transport = _transport(path)
            group = walk.disks if transport else None
        if group is not None:
            try:
                group.append(_Seen(path, name, transport, pyudev.Devices.from_sys_path(context, path)))
            except pyudev.DeviceNotFoundError:
                continue  # pulled a moment ago
    return walk


def _transport(sys_path: str) -> str:
    """The bus of a physical disk; empty for loop devices, RAM disks, optical drives and the like."""
    parts = sys_path.split("/")
    if _SCSI.match(sys_path):
        return "scsi" if read_text(sys_path + "/device/type") in _DISK_TYPES else ""
    if any(part.startswith(("nvme", "nvme-subsys")) for part in parts[-2:-1]) or "/nvme/" in sys_path:
        return "nvme"
    return "virtio" if any(part.startswith("virtio") for part in parts[:-2]) else ""


def _disk(seen: _Seen, partitions: List[_Seen], adapters: Dict[str, str]) -> Disk:
    path = seen.path
    facts: Dict[str, Any] = {"scsi": _scsi, "nvme": _nvme, "virtio": _virtio}[seen.transport](path)
    get = seen.device.properties.get
    return Disk(
        name=seen.name.replace("!", "/"),
        node=seen.node,
        devno=_devno(seen.device),
        sys_path=path,
        transport=seen.transport,
        adapter=_adapter(path, adapters),
        size=read_number(path + "/size") * _SECTOR,
        logical_block=read_number(path + "/queue/logical_block_size"),
        physical_block=read_number(path + "/queue/physical_block_size"),
        ranges=_ranges(path + "/queue/independent_access_ranges"),
        id_path=get("ID_PATH") or "",
        links=_links(get("DEVLINKS")),
        signature=_signature(get),
        holders=names_in(path + "/holders"),
        partitions=tuple(sorted((_partition(one) for one in partitions), key=lambda part: part.start)),
        **facts,
    )


def _devno(device: Any) -> str:
    number = device.device_number
    return "{0}:{1}".format(os.major(number), os.minor(number))


def _scsi(path: str) -> Dict[str, Any]:
    match = _SCSI.match(path)
    if match is None:
        return {}
    base, target, lun = match.group(1), match.group(3), match.group(4)
    end_device = _END_DEVICE.search(base + "/")
    faults: List[str] = []
    serial_page, name_page = read_bytes(base + "/vpd_pg80"), read_bytes(base + "/vpd_pg83")
    serial, designators = "", ()  # type: Tuple[str, Tuple[Designator, ...]]
    try:
        serial = decode_serial(serial_page).text if serial_page else ""
    except DecodeError as error:
        faults.append(str(error))
    try:
        designators = decode_identification(name_page) if name_page else ()
    except DecodeError as error:
        faults.append(str(error))
    return {
        "vendor": clean(read_bytes(base + "/vendor").rstrip(b"\n")),
        "model": clean(read_bytes(base + "/model").rstrip(b"\n")),
        "firmware": clean(read_bytes(base + "/rev").rstrip(b"\n")),
        "serial": serial,
        "target": target,
        "lun": int(lun),
        "end_device": end_device.group(1) if end_device else "",
        "designators": designators,
        "protection": read_number("{0}/scsi_disk/{1}:{2}/protection_type".format(base, target, lun)),
        "faults": tuple(faults),
    }


def _nvme(path: str) -> Dict[str, Any]:
    # A namespace hangs under its controller, or under its subsystem when the kernel joins paths itself.
    base = path + "/device"
    nqn = clean(read_bytes(base + "/subsysnqn").rstrip(b"\n"))
    return {
        "model": clean(read_bytes(base + "/model").rstrip(b"\n")),
        "firmware": clean(read_bytes(base + "/firmware_rev").rstrip(b"\n")),
        "serial": clean(read_bytes(base + "/serial").rstrip(b"\n")),
        "target_names": (nqn,) if nqn else (),
        "wwid": clean(read_bytes(path + "/wwid").rstrip(b"\n")),
        "lun": max(read_number(path + "/nsid") - 1, 0),
    }


def _virtio(path: str) -> Dict[str, Any]:
    return {"serial": clean(read_bytes(path + "/serial").rstrip(b"\n"))}


def _adapter(path: str, known: Dict[str, str]) -> str:
    """PCI address and driver of the adapter, such as C(0000:00:04.0 mptsas)."""
    key = path.partition("/target")[0] if "/target" in path else os.path.dirname(os.path.dirname(path))
    if key not in known:
        pci = _PCI.findall(path)
        host = re.search(r"/(host[0-9]+)/", path)
        driver = read_text("/sys/class/scsi_host/{0}/proc_name".format(host.group(1))) if host else ""
        if not driver and pci:
            driver = link_name("/sys/bus/pci/devices/{0}/driver".format(pci[-1]))
        known[key] = " ".join(part for part in (pci[-1] if pci else "", clean_text(driver)) if part)
    return known[key]


def _ranges(path: str) -> Tuple[Tuple[int, int], ...]:
    numbers = sorted(int(name) for name in names_in(path) if name.isdigit())
    found = tuple(
        (
            read_number("{0}/{1}/sector".format(path, number)) * _SECTOR,
            read_number("{0}/{1}/nr_sectors".format(path, number)) * _SECTOR,
        )
        for number in numbers
    )
    return found if len(found) > 1 else ()


def _links(text: Optional[str]) -> Tuple[str, ...]:
    return tuple(sorted((text or "").split()))


def _signature(get: Callable[[str], Optional[str]]) -> Signature:
    kind = get("ID_FS_TYPE") or ("ambiguous" if get("ID_FS_AMBIVALENT") else "")
    return Signature(
        kind,
        clean_text(get("ID_FS_LABEL") or "") if kind else "",
        get("ID_PART_TABLE_TYPE") or "",
    )


def _partition(seen: _Seen) -> Partition:
    path = seen.path
    get = seen.device.properties.get
    return Partition(
        number=read_number(path + "/partition"),
        name=seen.name.replace("!", "/"),
        node=seen.node,
        devno=_devno(seen.device),
        start=read_number(path + "/start") * _SECTOR,
        size=read_number(path + "/size") * _SECTOR,
        # A partition inherits its disk's ID_PART_TABLE_TYPE.
        signature=_without_table(_signature(get)),
        links=_links(get("DEVLINKS")),
        holders=names_in(path + "/holders"),
        uuid=clean_text((get("ID_PART_ENTRY_UUID") or "").lower()),
        label=clean_text(get("ID_PART_ENTRY_NAME") or ""),
    )


def _without_table(signature: Signature) -> Signature:
    return Signature(signature.fs_type, signature.fs_label)


def _map(seen: _Seen) -> Map:
    path = seen.path
    get = seen.device.properties.get
    return Map(
        name=seen.name,
        node=seen.node,
        devno=_devno(seen.device),
        uuid=read_text(path + "/dm/uuid"),
        dm_name=clean_text(read_text(path + "/dm/name")),
        size=read_number(path + "/size") * _SECTOR,
        slaves=names_in(path + "/slaves"),
        holders=names_in(path + "/holders"),
        links=_links(get("DEVLINKS")),
        signature=_signature(get),
    )
