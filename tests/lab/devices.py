# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""What the emulator is told about adapters, drives and units (pure).

Every unit has a node of its qcow2 file and, where it has sectors that cannot be read, a
blkdebug node above it. Each path to a unit is one scsi-hd device. Names are made from a
drive's *key*, which is never used again in the life of a lab.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from .parts import Adapter, Drive, ReadError, Unit

_MODELS = {"virtio-scsi": "virtio-scsi-pci", "mptsas1068": "mptsas1068"}
# ENODATA of Linux: the emulated disk turns it into MEDIUM ERROR (and a mere EIO into ABORTED COMMAND).
_UNREADABLE = 61


def disk_node(key: str, unit: int) -> str:
    """The node of the unit's qcow2 file."""
    return f"{key}u{unit}"


def file_node(key: str, unit: int) -> str:
    """The node of the file below it."""
    return f"{key}u{unit}-file"


def fault_node(key: str, unit: int, generation: int) -> str:
    """A node that fails reads; each new set of faults is a new generation."""
    return f"{key}u{unit}-fault{generation}"


def device_id(key: str, unit: int, path: int) -> str:
    """The emulator's name of a unit as seen on one path."""
    return f"{key}u{unit}p{path}"


def throttle_group(key: str, unit: int | None) -> str:
    """The budget of one unit, or with None the one that a drive's units share."""
    return f"{key}-shared" if unit is None else f"{key}u{unit}-own"


def adapter_device(adapter: Adapter) -> dict[str, Any]:
    """The device of a host adapter."""
    return {"driver": _MODELS[adapter.kind], "id": adapter.name, "bus": "pcie.0", "addr": f"{adapter.slot:#x}"}


def disk_blockdev(key: str, unit: int, filename: str) -> dict[str, Any]:
    """The unit's backing: flushes reach the host's file (so they survive the emulator), not its disk."""
    cache = {"direct": False, "no-flush": True}
    return {
        "driver": "qcow2",
        "node-name": disk_node(key, unit),
        "discard": "unmap",
        "cache": cache,
        "file": {
            "driver": "file",
            "node-name": file_node(key, unit),
            "filename": filename,
            "discard": "unmap",
            "cache": cache,
        },
    }


def fault_blockdev(key: str, unit: int, generation: int, errors: Sequence[ReadError]) -> dict[str, Any]:
    """A filter over the unit's backing whose reads of the given sectors fail."""
    rules = [
        {"event": "none", "iotype": "read", "errno": _UNREADABLE, "sector": error.sector + offset, "once": False}
        for error in errors
        for offset in range(error.count)
    ]
    return {
        "driver": "blkdebug",
        "node-name": fault_node(key, unit, generation),
        "image": disk_node(key, unit),
        "inject-error": rules,
    }


def unit_device(drive: Drive, key: str, unit: Unit, path: int, node: str) -> dict[str, Any]:
    """The unit as one path shows it."""
    device: dict[str, Any] = {
        "driver": "scsi-hd",
        "id": device_id(key, unit.index, path),
        "bus": f"{drive.ports[path].adapter}.0",
        "channel": 0,
        "scsi-id": drive.ports[path].target,
        "lun": unit.index,
        "drive": node,
        "serial": drive.serial,
        # Left out, the emulator makes it of the serial, and both units share a designator.
        "device_id": drive.device_id,
        "wwn": unit.wwn,
        "port_wwn": drive.port_wwns[path],
        "port_index": path + 1,
        "vendor": drive.vendor,
        "product": drive.model,
        "ver": drive.firmware,
        "rotation_rate": drive.rotation_rate,
        "logical_block_size": drive.logical_block,
        "physical_block_size": drive.physical_block,
        "write-cache": "on",
        "werror": "report",
        "rerror": "report",
    }
    if len(drive.ports) > 1:
        device["share-rw"] = True
    return device


def throttle(device: str, group: str, iops: int, bps: int) -> dict[str, Any]:
    """The arguments of C(block_set_io_throttle); all 0 removes the limits."""
    return {
        "id": device,
        "bps": bps,
        "bps_rd": 0,
        "bps_wr": 0,
        "iops": iops,
        "iops_rd": 0,
        "iops_wr": 0,
        "group": group,
    }
