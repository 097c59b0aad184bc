# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Drives in their bays: pull, push, move, one unit alone, speed limits and read errors."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from . import devices
from .errors import LabError
from .life import Life
from .parts import Drive, Limits, Port, ReadError, make_drive, with_drives
from .qmp import Qmp
from .state import Slot, State

_GUEST = Path(__file__).with_name("guest.py")

Which = int | str
"""A drive by its bay's number or its serial."""


class Bays(Life):
    """What can happen to the drives of a machine, running or not."""

    def slot(self, which: Which) -> Slot:
        """The drive in a bay, or the one of a serial, which may be out. Raises LabError."""
        slots = self.state.slots
        if isinstance(which, int):
            found = [slot for slot in slots if slot.drive.bay == which and slot.inside]
        else:
            found = [slot for slot in slots if slot.drive.serial == which]
        if len(found) != 1:
            what = f"bay {which}" if isinstance(which, int) else f"serial {which!r}"
            raise LabError(f"{what}: {len(found)} drives; name the bay of one that is inside, or a serial used once")
        return found[0]

    def drive(self, which: Which) -> Drive:
        """The drive in a bay or of a serial."""
        return self.slot(which).drive

    def guest_units(self) -> list[dict[str, Any]]:
        """All SCSI disks as the guest's kernel shows them (see guest.py), apart from any code under test."""
        found: list[dict[str, Any]] = self._guest(do="units")
        return found

    def guest_unit(self, which: Which, unit: int, path: int = 0) -> dict[str, Any]:
        """What the guest's kernel shows of one attached unit. Raises LabError when it is not there."""
        place = self._places(self.slot(which), [unit])[path]
        for one in self.guest_units():
            if [one["pci"], one["target"], one["lun"]] == place:
                return one
        raise LabError(f"the guest sees no unit {unit} of {which!r} at {place}")

    def new_drive(self, bay: int, serial: str, **keys: Any) -> Drive:
        """A new, empty drive for a bay, like the one last in it but for C(serial) and C(keys).

        Keys are those of a drive in a chassis file. Push it with C(push).
        """
        state = self.state
        known = [slot.drive for slot in state.slots if slot.drive.bay == bay]
        like = known[-1] if known else state.chassis.drives[0]
        same = ("vendor", "model", "firmware", "logical_block", "physical_block", "rotation_rate")
        data: dict[str, Any] = {name: getattr(like, name) for name in same}
        data.update(units=len(like.units), unit_size=like.units[0].size)
        inside = [slot.drive for slot in state.slots if slot.inside and slot.drive.bay != bay]
        port = keys.pop("port", None) or (known[-1].ports[0] if known else None)
        return make_drive(with_drives(state.chassis, inside), bay, serial, port, **{**data, **keys})

    # --- in and out

    def pull(self, which: Which, announce: bool = False) -> None:
        """Pulls a drive: all its units are gone at once.

        Behind virtio-scsi the guest is told. Behind the SAS adapter the drive just stops
        answering; with C(announce) the guest then forgets it, as when an adapter reports the loss.
        """
        with self._held():
            slot = self._inside(which)
            units = [unit.index for unit in slot.units()]
            self._detach(slot, units, announce)
            slot.inside = False

    def pull_unit(self, which: Which, unit: int, announce: bool = False) -> None:
        """Takes one unit of a drive away; its sibling stays."""
        with self._held():
            slot = self._inside(which)
            if unit not in [one.index for one in slot.units()]:
                raise LabError(f"unit {unit} of {which!r} is not attached")
            self._detach(slot, [unit], announce)
            slot.out.append(unit)

    def push(self, which: Which | Drive, bay: int | None = None, scan: bool = True) -> Drive:
        """Puts a drive in: one that was pulled (by serial), or a new one (see parts.make_drive).

        It goes into C(bay), else the bay it names. A bay that had a drive keeps its port. With
        C(scan) the guest looks for it, as when an adapter reports an arrival, and it is awaited.
        """
        with self._held() as state:
            slot = self._new(state, which) if isinstance(which, Drive) else self._pulled(state, which)
            ports = slot.drive.ports
            if bay is not None and bay != slot.drive.bay:
                ports = self._ports_of(state, bay)
            self._check_room(state, slot, bay if bay is not None else slot.drive.bay, ports)
            slot.drive = replace(slot.drive, bay=bay if bay is not None else slot.drive.bay, ports=ports)
            if slot not in state.slots:
                state.slots.append(slot)
                self._make_files(slot)
            slot.inside = True
            self._attach(slot, [unit.index for unit in slot.units()], scan)
            return slot.drive

    def push_unit(self, which: Which, unit: int, scan: bool = True) -> None:
        """Brings a unit back, or shows one that was absent from the start."""
        with self._held():
            slot = self._inside(which)
            if unit not in slot.out:
                raise LabError(f"unit {unit} of {which!r} is already attached")
            slot.out.remove(unit)
            self._attach(slot, [unit], scan)

    def move(self, which: Which, bay: int | None = None, port: Port | None = None) -> None:
        """Moves a drive to another bay, another adapter or target, or both.

        Without C(port) the drive takes the port that belongs to the bay.
        """
        with self._held() as state:
            slot = self._inside(which)
            if bay is None and port is None:
                raise LabError("move: name a bay, a port or both")
            ports = (port,) if port else self._ports_of(state, bay if bay is not None else slot.drive.bay)
            target = bay if bay is not None else slot.drive.bay
            self._check_room(state, slot, target, ports)
            units = [unit.index for unit in slot.units()]
            self._detach(slot, units, announce=True)
            wwns = slot.drive.port_wwns[: len(ports)]
            slot.drive = replace(slot.drive, bay=target, ports=ports, port_wwns=wwns)
            self._attach(slot, units, scan=True)

    # --- behaviour

    def limit(self, which: Which, limits: Limits, unit: int | None = None, shared: bool = False) -> None:
        """Sets a speed limit now: of one unit, of each unit, or with C(shared) of all units together."""
        with self._held() as state:
            slot = self.slot(which)
            slot.drive = replace(slot.drive, shared_limits=limits if shared else None)
            for one in slot.drive.units:
                if unit in (None, one.index):
                    slot.change_unit(replace(one, limits=Limits() if shared else limits))
            if self.running and slot.inside:
                with self.qmp() as qmp:
                    self._set_limits(qmp, state, only=slot)

    def hang(self, which: Which, unit: int) -> None:
        """A unit stops answering: a request may still pass, then each waits for hours."""
        self.limit(which, Limits(iops=1, bps=1), unit)

    def unhang(self, which: Which, unit: int) -> None:
        """A hung unit answers again, what waits first."""
        self.limit(which, Limits(), unit)

    def fail_reads(self, which: Which, unit: int, errors: Iterable[ReadError]) -> None:
        """Reads of these sectors fail from now on, in place of those named before; none clears them."""
        with self._held():
            slot = self.slot(which)
            old = self._blockdevs(slot, unit)
            slot.change_unit(replace(slot.drive.unit(unit), read_errors=tuple(errors)))
            slot.generations[unit] = slot.generations.get(unit, 0) + 1
            if not self.running or unit not in [one.index for one in slot.units()]:
                return
            new = self._blockdevs(slot, unit)
            with self.qmp() as qmp:
                for node in new[1:]:
                    qmp.exact("blockdev-add", node)
                for path in range(len(slot.drive.ports)):
                    device = f"/machine/peripheral/{devices.device_id(slot.key, unit, path)}"
                    qmp.call("qom-set", path=device, property="drive", value=new[-1]["node-name"])
                for node in reversed(old[1:]):
                    qmp.exact("blockdev-del", {"node-name": node["node-name"]})

    # --- inside

    def _inside(self, which: Which) -> Slot:
        slot = self.slot(which)
        if not slot.inside:
            raise LabError(f"{which!r} is not in the chassis")
        return slot

    def _pulled(self, state: State, serial: Which) -> Slot:
        found = [slot for slot in state.slots if not slot.inside and serial in (slot.drive.serial, slot.drive.bay)]
        if not found:
            raise LabError(f"no pulled drive has serial {serial!r} or comes from such a bay")
        # The bay's last drive, should several have been in it.
        return found[-1]

    @staticmethod
    def _new(state: State, drive: Drive) -> Slot:
        slot = state.add(drive)
        state.slots.remove(slot)
        return slot

    def _ports_of(self, state: State, bay: int) -> tuple[Port, ...]:
        """The port that belongs to a bay: that of the drive described for it, or last in it."""
        for drive in [*state.chassis.drives, *(slot.drive for slot in reversed(state.slots))]:
            if drive.bay == bay:
                return drive.ports[:1]
        raise LabError(f"bay {bay} has no port yet: name one")

    def _check_room(self, state: State, moving: Slot, bay: int, ports: Sequence[Port]) -> None:
        for slot in state.slots:
            if slot.inside and slot is not moving:
                if slot.drive.bay == bay:
                    raise LabError(f"bay {bay} holds {slot.drive.serial!r}: pull it first")
                if set(slot.drive.ports) & set(ports):
                    raise LabError(f"{ports} is taken by {slot.drive.serial!r} in bay {slot.drive.bay}")

    def _detach(self, slot: Slot, units: Sequence[int], announce: bool) -> None:
        if not self.running:
            return
        ids = [devices.device_id(slot.key, unit, path) for unit in units for path in range(len(slot.drive.ports))]
        with self.qmp() as qmp:
            qmp.unplug(ids)
            for unit in units:
                self._remove_nodes(qmp, slot, unit)
        if announce:
            self._guest(do="delete", where=self._places(slot, units))

    def _remove_nodes(self, qmp: Qmp, slot: Slot, unit: int) -> None:
        for node in reversed(self._blockdevs(slot, unit)):
            qmp.exact("blockdev-del", {"node-name": node["node-name"]})

    def _attach(self, slot: Slot, units: Sequence[int], scan: bool) -> None:
        if not self.running:
            return
        with self.qmp() as qmp:
            for unit in units:
                for node in self._blockdevs(slot, unit):
                    qmp.exact("blockdev-add", node)
            if scan:
                self._forget_stale(slot, units)
            for unit in units:
                for device in self._devices(slot, unit):
                    qmp.exact("device_add", device)
            self._set_limits(qmp, self.state, only=slot)
        if scan:
            self._scan(slot, units)

    def _forget_stale(self, slot: Slot, units: Sequence[int]) -> None:
        """The guest forgets what was at these places before; the drive's other units stay."""
        others = [unit.index for unit in slot.units() if unit.index not in units]
        live = self._places(slot, others)
        here = [place[:2] for place in self._places(slot, units)]
        stale = [[one["pci"], one["target"], one["lun"]] for one in self.guest_units()]
        self._guest(do="delete", where=[place for place in stale if place[:2] in here and place not in live])

    def _scan(self, slot: Slot, units: Sequence[int]) -> None:
        expect = self._places(slot, units)
        missing = self._guest(do="scan", pci=sorted({place[0] for place in expect}), expect=expect, seconds=60)
        if missing:
            raise LabError(f"the guest does not find {slot.drive.serial!r} at {missing}")
        self.run("udevadm settle -t 60")

    def _places(self, slot: Slot, units: Sequence[int]) -> list[list[Any]]:
        """Where the guest finds units: PCI address, target, LUN, for each unit and path."""
        chassis = self.state.chassis
        return [[chassis.adapter(port.adapter).pci, port.target, unit] for unit in units for port in slot.drive.ports]

    def _guest(self, **request: Any) -> Any:
        result = self.run(["python3", "-", json.dumps(request)], stdin=_GUEST.read_text(), timeout=180)
        return json.loads(result.out)
