# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The life of one lab machine: its state directory, power on and off, and the way in."""

from __future__ import annotations

import secrets
import shutil
import signal
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import yaml

from . import devices, disks, parts, qemu
from .errors import GuestError, LabError, QmpError
from .image import Image, image_for, login_key
from .parts import Chassis
from .paths import Tell, locked, socket_dir, state_dir, tell_nobody
from .qmp import Qmp
from .ssh import Result, Ssh
from .state import Slot, State

# Long, for a shared host gives an emulated machine little: 40 s when it is idle.
BOOT_SECONDS = 900.0


class Life:
    """A lab machine named after its chassis or C(name), kept in C(folder).

    With C(tied) the emulator ends when the thread that started it does, however it ends.
    Every public method reads the state anew and holds the lab's lock while it changes it, so
    several processes can use one lab.
    """

    def __init__(
        self,
        chassis: Chassis | str | Path | None = None,
        name: str | None = None,
        folder: Path | None = None,
        tell: Tell = tell_nobody,
        tied: bool = False,
    ) -> None:
        self._wanted = parts.load(chassis) if isinstance(chassis, (str, Path)) else chassis
        if self._wanted is None and name is None and folder is None:
            raise LabError("say which lab: a chassis, a name or a folder")
        self.folder = folder or state_dir(name or (self._wanted.name if self._wanted else ""))
        self.tell = tell
        self._tied = tied
        self._depth = 0
        self._state: State | None = State.load(self.folder)

    # --- state

    @property
    def state(self) -> State:
        """What is remembered. Raises LabError when there is no such lab."""
        if self._depth == 0:
            self._state = State.load(self.folder)
        return self._must_exist()

    def _must_exist(self) -> State:
        if self._state is None:
            self._state = State.load(self.folder)
        if self._state is None:
            raise LabError(f"there is no lab in {self.folder}. Start it with: python3 -m tests.lab up CHASSIS.yml")
        return self._state

    @property
    def chassis(self) -> Chassis:
        """The machine with the drives that are in it now."""
        return parts.with_drives(self.state.chassis, (slot.drive for slot in self.state.slots if slot.inside))

    @property
    def running(self) -> bool:
        """Whether the emulator runs."""
        state = self._state if self._depth else State.load(self.folder)
        return state is not None and state.process is not None and state.process.alive()

    @contextmanager
    def _held(self) -> Iterator[State]:
        """Holds the lab's lock; the state is read before and written afterwards, even on failure."""
        if self._depth:
            self._depth += 1
            try:
                yield self.state
            finally:
                self._depth -= 1
            return
        self._must_exist()
        with locked(self.folder / "lock", self.tell, f"the lab in {self.folder}"):
            state = self.state
            self._depth = 1
            try:
                yield state
            finally:
                self._depth = 0
                if (self.folder / "lab.json").exists():
                    state.save(self.folder)

    # --- power

    def up(self) -> None:
        """Makes the lab if there is none, boots it if it is off, and waits until it can be reached."""
        self._make()
        if self.running:
            self.wait_ssh()
        else:
            self.boot()

    def boot(self, deadline: float = BOOT_SECONDS) -> None:
        """Powers on with the drives and the root that are there, and waits for the guest."""
        with self._held() as state:
            begun = time.monotonic()
            self._power_on(state)
            with self._or_off(state), self.qmp() as qmp:
                self._set_limits(qmp, state)
                qmp.call("cont")
            self.wait_ssh(deadline)
            self.tell(f"{state.chassis.name} is up after {time.monotonic() - begun:.0f} s, port {state.port}")

    def stop(self) -> None:
        """Shuts the guest down in order; a guest that does not follow is cut off."""
        with self._held() as state:
            if not self.running or state.process is None:
                return
            self.tell(f"shutting {state.chassis.name} down")
            with suppress(GuestError):
                self.ssh().run("systemctl poweroff", 30)
            try:
                state.process.wait(120)
            except LabError:
                self.tell("it does not follow: cutting its power")
            self._forget_process(state)

    def power_cut(self) -> None:
        """Cuts the power: the emulator is killed; what the guest had not flushed is lost."""
        with self._held() as state:
            self._forget_process(state)

    def down(self, keep: bool = False) -> None:
        """Ends the machine; without C(keep) its disks and its state go as well, at once.

        It waits for nobody: another process that is booting this lab just now fails.
        """
        if not self.folder.exists():
            return
        state = State.load(self.folder)
        if state is not None and keep:
            self.stop()
        elif state is not None:
            self.ssh().close()
            if state.process is not None:
                state.process.end(signal.SIGKILL)
        shutil.rmtree(socket_dir(self.folder), ignore_errors=True)
        if not keep:
            shutil.rmtree(self.folder)
            self._state = None

    def fresh_root(self, release: str | None = None, hostid: str | None = None, boot: bool = True) -> None:
        """Puts the operating system's disk back to a new installation, as after a reinstall.

        The host identity is new (C(hostid): 8 hexadecimal digits, or C(none) for no file), and so
        is the machine id. Drives stay as they are. A running guest is shut down first.
        """
        image = image_for(release or self.state.release, self.tell)
        self.stop()
        with self._held() as state:
            state.release = image.release
            state.image = str(image.folder)
            state.hostid = hostid or secrets.token_hex(4)
            state.machine_id = secrets.token_hex(16)
            # The old root may belong to a checkpoint, so it stays while there is one.
            if not list(self.folder.glob("checkpoint-*.json")):
                (self.folder / state.root).unlink(missing_ok=True)
            state.root = f"root-{secrets.token_hex(4)}.qcow2"
            disks.overlay(self.folder / state.root, image.root)
            if boot:
                self.boot()

    # --- the way in

    def ssh(self) -> Ssh:
        """The way into the guest."""
        port = self.state.port
        return Ssh(port, login_key(), self.folder / "known_hosts", socket_dir(self.folder) / f"ssh-{port}")

    def run(
        self, command: str | Sequence[str], check: bool = True, timeout: float = 120.0, stdin: str | None = None
    ) -> Result:
        """Runs a command as root in the guest. With C(check), raises GuestError when it fails."""
        result = self.ssh().run(command, timeout, stdin)
        return result.check() if check else result

    def wait_ssh(self, seconds: float = BOOT_SECONDS) -> None:
        """Waits until the guest can be reached, its devices are settled and its services are up."""
        begun = time.monotonic()
        told = 0.0

        def waiting() -> None:
            nonlocal told
            if time.monotonic() - begun > told + 10:
                told = time.monotonic() - begun
                self.tell(f"  waiting for the guest: {told:.0f} s")

        try:
            self.ssh().wait(begun + seconds, lambda: self.running, waiting)
            self.run("udevadm settle -t 120; systemctl is-system-running --wait", check=False, timeout=seconds)
        except LabError as error:
            raise LabError(f"{error}\n{self._last_words()}") from None

    @contextmanager
    def qmp(self) -> Iterator[Qmp]:
        """A connection to the emulator. Raises QmpError when it does not run."""
        if not self.running:
            raise QmpError(f"the lab in {self.folder} is not running")
        with Qmp(socket_dir(self.folder) / "qmp", lambda: self.running) as qmp:
            yield qmp

    # --- inside

    def _make(self) -> None:
        """Makes the state directory and the disks of a new lab."""
        if State.load(self.folder) is not None:
            known = State.load(self.folder)
            if self._wanted is not None and known is not None and known.chassis != self._wanted:
                raise LabError(
                    f"the lab in {self.folder} has another chassis than asked for. "
                    "End it first (python3 -m tests.lab down), or use another name."
                )
            return
        if self._wanted is None:
            raise LabError(f"there is no lab in {self.folder}, and no chassis to make it from")
        if missing := qemu.required_tools():
            raise LabError(f"missing here: {', '.join(missing)}. tests/lab/packages.txt lists the Debian packages.")
        image = image_for(self._wanted.release, self.tell)
        (self.folder / "drives").mkdir(parents=True, exist_ok=True)
        with locked(self.folder / "lock", self.tell, f"the lab in {self.folder}"):
            if State.load(self.folder) is not None:
                return
            state = State(self._wanted, image.release, secrets.token_hex(4), secrets.token_hex(16), str(image.folder))
            for drive in self._wanted.drives:
                self._make_files(state.add(drive))
            (self.folder / state.root).unlink(missing_ok=True)
            disks.overlay(self.folder / state.root, image.root)
            state.save(self.folder)

    def _make_files(self, slot: Slot) -> None:
        for unit in slot.drive.units:
            path = self._file(slot, unit.index)
            path.unlink(missing_ok=True)
            disks.create(path, unit.size)

    def _file(self, slot: Slot, unit: int) -> Path:
        """The backing file of a unit."""
        return self.folder / "drives" / f"{slot.key}u{unit}.qcow2"

    @contextmanager
    def _or_off(self, state: State) -> Iterator[None]:
        """Whatever goes wrong inside, no emulator stays behind half started."""
        try:
            yield
        except BaseException:
            self._forget_process(state)
            raise

    def _power_on(self, state: State) -> None:
        """Starts the emulator, paused."""
        if self.running:
            raise LabError(f"{state.chassis.name} is already running")
        image = Image(state.release, Path(state.image)) if state.image else image_for(state.release, self.tell)
        if not image.root.exists():
            raise LabError(
                f"the root image {image.folder} is gone. Give the lab a new root: fresh-root, or down and up"
            )
        if not state.port or not qemu.is_free(state.port):
            state.port = qemu.free_port()
        machine = qemu.Machine(
            state.chassis, image, self.folder / state.root, self.folder, socket_dir(self.folder), state.port,
            qemu.accelerator(image, self.tell), state.hostid, state.machine_id,
        )  # fmt: skip
        (self.folder / "known_hosts").write_text(f"[127.0.0.1]:{state.port} {image.host_key}\n")
        self.write_inventory(self.folder / "inventory.yml")
        (machine.sockets / "qmp").unlink(missing_ok=True)
        blockdevs: list[dict[str, Any]] = []
        plugged: list[dict[str, Any]] = []
        for slot in state.slots:
            for unit in slot.units():
                blockdevs += self._blockdevs(slot, unit.index)
                plugged += self._devices(slot, unit.index)
        self.tell(f"booting {state.chassis.name} ({state.release}, {machine.accel.split(',')[0]})")
        argv = qemu.machine_argv(machine, blockdevs, plugged)
        with self._or_off(state):
            try:
                state.process = qemu.start(argv, self.folder / "emulator.log", self._tied)
                state.save(self.folder)
                with self.qmp():
                    pass
            except LabError as error:
                raise LabError(f"the emulator does not start: {error}\n{self._last_words()}") from None

    def _blockdevs(self, slot: Slot, unit: int) -> list[dict[str, Any]]:
        """The nodes behind a unit, lowest first."""
        nodes = [devices.disk_blockdev(slot.key, unit, str(self._file(slot, unit)))]
        if errors := slot.drive.unit(unit).read_errors:
            nodes.append(devices.fault_blockdev(slot.key, unit, slot.generations.get(unit, 0), errors))
        return nodes

    def _devices(self, slot: Slot, unit: int) -> list[dict[str, Any]]:
        """A unit's devices, one for each path."""
        node = self._blockdevs(slot, unit)[-1]["node-name"]
        return [
            devices.unit_device(slot.drive, slot.key, slot.drive.unit(unit), path, node)
            for path in range(len(slot.drive.ports))
        ]

    def _set_limits(self, qmp: Qmp, state: State, only: Slot | None = None) -> None:
        """Sets the speed limits of attached units; those without limits are left alone."""
        for slot in [only] if only else state.slots:
            shared = slot.drive.shared_limits
            for unit in slot.units():
                limits = shared or unit.limits
                if limits.iops or limits.bps or only:
                    group = devices.throttle_group(slot.key, None if shared else unit.index)
                    for path in range(len(slot.drive.ports)):
                        device = devices.device_id(slot.key, unit.index, path)
                        qmp.exact("block_set_io_throttle", devices.throttle(device, group, limits.iops, limits.bps))

    def _forget_process(self, state: State) -> None:
        """Kills the emulator if it still runs."""
        self.ssh().close()
        if state.process is not None:
            state.process.end(signal.SIGKILL)
        state.process = None
        state.save(self.folder)

    def _last_words(self) -> str:
        """The ends of the logs, for error messages."""
        words = []
        for name in ("emulator.log", "serial.log"):
            path = self.folder / name
            lines = path.read_text(errors="replace").splitlines() if path.exists() else []
            words += [f"end of {path}:", *(f"  {line}" for line in lines[-12:])]
        return "\n".join(words)

    def write_inventory(self, path: Path) -> None:
        """Writes an Ansible inventory with this machine in it."""
        ssh = self.ssh()
        host = {
            "ansible_host": "127.0.0.1",
            "ansible_port": ssh.port,
            "ansible_user": "root",
            "ansible_python_interpreter": "/usr/bin/python3",
            "ansible_ssh_args": " ".join(ssh.options()),
            "ansible_pipelining": True,
        }
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(yaml.safe_dump({"all": {"hosts": {self.state.chassis.name: host}}}, width=1000))
