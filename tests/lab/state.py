# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""What a lab remembers between commands: lab.json in its state directory.

Beside it lie root*.qcow2, drives/*.qcow2, serial.log, emulator.log, known_hosts and
inventory.yml. Removing the directory forgets the lab, once its emulator is not running.
"""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from .parts import Adapter, Chassis, Drive, Limits, Port, ReadError, Unit
from .qemu import Process


@dataclass
class Slot:
    """A drive the lab owns. Its *key* is never used again; *inside* tells whether it is in its bay.

    *out* are units that are not attached though the drive is inside; *generations* counts each
    unit's changes of read errors.
    """

    key: str
    drive: Drive
    inside: bool = True
    out: list[int] = field(default_factory=list)
    generations: dict[int, int] = field(default_factory=dict)

    def units(self) -> list[Unit]:
        """The attached units."""
        return [unit for unit in self.drive.units if self.inside and unit.index not in self.out]

    def change_unit(self, unit: Unit) -> None:
        units = tuple(unit if one.index == unit.index else one for one in self.drive.units)
        self.drive = replace(self.drive, units=units)


@dataclass
class State:
    """Everything remembered. *root* is the file of the root disk: a checkpoint keeps an older one."""

    chassis: Chassis
    release: str
    hostid: str
    machine_id: str
    # The folder of the root image that the root disk lies over: recipes change, its kernel must not.
    image: str = ""
    root: str = "root.qcow2"
    port: int = 0
    process: Process | None = None
    slots: list[Slot] = field(default_factory=list)
    made: int = 0

    def add(self, drive: Drive) -> Slot:
        """Takes a drive in under a new key."""
        self.made += 1
        slot = Slot(f"k{self.made}", drive, out=[unit.index for unit in drive.units if not unit.present])
        self.slots.append(slot)
        return slot

    def save(self, folder: Path) -> None:
        """Writes the state at once or not at all."""
        temporary = folder / "lab.json.new"
        temporary.write_text(json.dumps(asdict(self), indent=1))
        os.replace(temporary, folder / "lab.json")

    @classmethod
    def load(cls, folder: Path) -> State | None:
        """The state in a folder, or None when there is none."""
        try:
            data = json.loads((folder / "lab.json").read_text())
        except FileNotFoundError:
            return None
        return cls(
            _chassis(data["chassis"]),
            data["release"],
            data["hostid"],
            data["machine_id"],
            data.get("image", ""),
            data.get("root", "root.qcow2"),
            data["port"],
            Process(**data["process"]) if data["process"] else None,
            [slot_from(one) for one in data["slots"]],
            data["made"],
        )


def _chassis(data: dict[str, Any]) -> Chassis:
    adapters = tuple(Adapter(**one) for one in data.pop("adapters"))
    drives = tuple(_drive(one) for one in data.pop("drives"))
    return Chassis(adapters=adapters, drives=drives, **data)


def _drive(data: dict[str, Any]) -> Drive:
    shared = data.pop("shared_limits")
    return Drive(
        ports=tuple(Port(**one) for one in data.pop("ports")),
        units=tuple(_unit(one) for one in data.pop("units")),
        port_wwns=tuple(data.pop("port_wwns")),
        shared_limits=Limits(**shared) if shared else None,
        **data,
    )


def _unit(data: dict[str, Any]) -> Unit:
    errors = tuple(ReadError(**one) for one in data.pop("read_errors"))
    return Unit(limits=Limits(**data.pop("limits")), read_errors=errors, **data)


def slot_from(data: dict[str, Any]) -> Slot:
    """A slot from its plain form."""
    generations = {int(unit): number for unit, number in data["generations"].items()}
    return Slot(data["key"], _drive(data["drive"]), data["inside"], data["out"], generations)
