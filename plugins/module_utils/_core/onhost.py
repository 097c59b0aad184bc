# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The declared inventory as it is kept on the host, for services that run there without a controller.

One JSON file, written by the role disk_inventory and read by the health service and the
drift schedule.
"""

from __future__ import annotations

import json
import os
import stat
from dataclasses import dataclass, field
from typing import Any, Dict, Mapping, Optional, Tuple

from .checks import mapping
from .declared import DeclaredDrive, plain_sizes, read_drives
from .errors import DecodeError, HostError, InputError
from .host.files import write_atomically
from .plain import to_plain
from .server_class import ServerClass, read_class

PATH = "/etc/evenkeel/split_actuator/inventory.json"
VERSION = 1

_KEYS = {"version": int, "host": str, "drives": dict, "pool": dict, "discovery": dict, "class": dict}
_REQUIRED = ("version", "host", "drives")


@dataclass(frozen=True)
class Inventory:
    """What is declared for this host.

    *pool* is C(split_actuator_pool) as declared; *discovery* holds the options for finding drives (C(bay_map),
    C(bay_serials), C(enclosures), C(bay_sources), C(unit_counts)), as M(drive_info) takes them; *about* is what the
    servers of the class have in common.
    """

    host: str
    drives: Tuple[DeclaredDrive, ...] = ()
    pool: Mapping[str, Any] = field(default_factory=dict)
    discovery: Mapping[str, Any] = field(default_factory=dict)
    about: ServerClass = field(default_factory=ServerClass)

    @property
    def pool_name(self) -> str:
        """The declared pool's name; empty when none is declared."""
        return str(self.pool.get("name", ""))


def from_data(data: Any) -> Inventory:
    """The inventory in plain *data* (the file's content). Raises InputError naming the key."""
    mapping(data, sorted(_KEYS), "inventory")
    for key in _REQUIRED:
        if key not in data:
            raise InputError("key {0} is missing".format(key), subject="inventory")
    for key, value in data.items():
        if not isinstance(value, _KEYS[key]) or isinstance(value, bool):
            raise InputError("{0!r} is not a {1}".format(value, _KEYS[key].__name__), subject="inventory." + key)
    if data["version"] != VERSION:
        raise InputError(
            "version {0} is not known".format(data["version"]),
            subject="inventory.version",
            remedy="This collection writes version {0}; run the role disk_inventory again.".format(VERSION),
        )
    return Inventory(
        host=data["host"],
        drives=read_drives(data["drives"], data["host"]),
        pool=data.get("pool", {}),
        discovery=data.get("discovery", {}),
        about=_read_class(data.get("class", {}), data["host"]),
    )


def _read_class(data: Mapping[str, Any], host: str) -> ServerClass:
    return read_class(data.get("bays", []), data.get("paths_per_unit", 0), data.get("models", {}), host)


def plain_drives(inventory: Inventory) -> Dict[str, Any]:
    """The declared drives as C(split_actuator_drives) has them, every key written out."""
    return {
        drive.bay: {
            "serial": drive.serial,
            "model": drive.model,
            "unit_count": drive.unit_count,
            "unit_bytes": plain_sizes(drive.unit_bytes),
            "wwns": list(drive.wwns),
            "use": drive.use,
            **({"ranges": drive.ranges.to_plain()} if drive.ranges else {}),
        }
        for drive in inventory.drives
    }


def to_text(inventory: Inventory) -> str:
    """The file's content: the same text for the same inventory."""
    data: Dict[str, Any] = {
        "version": VERSION,
        "host": inventory.host,
        "drives": plain_drives(inventory),
        "pool": to_plain(inventory.pool),
        "discovery": to_plain(inventory.discovery),
        "class": to_plain(inventory.about),
    }
    return json.dumps(data, indent=2, sort_keys=True) + "\n"


def from_text(text: str) -> Inventory:
    """The inventory in the file's *text*. Raises DecodeError or InputError."""
    try:
        data = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise DecodeError("the inventory is not valid JSON: {0}".format(error), subject="inventory") from error
    return from_data(data)


def read(path: str = PATH) -> Optional[Inventory]:
    """The inventory at *path*; None when there is no such file.

    Raises HostError when it cannot be read or is writable by users other than root, DecodeError or InputError when it
    is damaged.
    """
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise HostError("{0} cannot be read: {1}".format(path, error.strerror), subject="inventory") from error
    with os.fdopen(handle, encoding="utf-8", errors="strict") as file:
        about = os.fstat(file.fileno())
        if about.st_uid not in (0, os.geteuid()) or about.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
            raise HostError(
                "{0} is writable by users other than root".format(path),
                subject="inventory",
                remedy="Run the role disk_inventory again, which sets owner and mode.",
            )
        try:
            return from_text(file.read())
        except UnicodeDecodeError as error:
            raise DecodeError("{0} is not UTF-8: {1}".format(path, error), subject="inventory") from error


def write(inventory: Inventory, path: str = PATH) -> bool:
    """Write *inventory* to the file, replacing it atomically; True if that changed anything. Raises HostError."""
    text = to_text(inventory)
    try:
        with open(path, encoding="utf-8", errors="replace") as file:
            if file.read() == text:
                return False
    except OSError:
        pass
    try:
        write_atomically(path, text, 0o644)
    except OSError as error:
        raise HostError("{0} cannot be written: {1}".format(path, error.strerror), subject="inventory") from error
    return True
