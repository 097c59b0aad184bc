# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Starts and ends the emulator, and finds out whether hardware acceleration works."""

from __future__ import annotations

import contextlib
import json
import os
import select
import shutil
import signal
import socket
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .devices import adapter_device
from .errors import LabError
from .image import Image
from .parts import Chassis
from .paths import Tell, cache_dir, locked

PROGRAM = "qemu-system-x86_64"
_EMULATED = "tcg,thread=multi"


@dataclass(frozen=True)
class Process:
    """A process, told apart from a later one with the same number by its start time."""

    pid: int
    started: int

    @classmethod
    def of(cls, pid: int) -> Process:
        started = _start_time(pid)
        if started is None:
            raise LabError(f"process {pid} is gone")
        return cls(pid, started)

    def alive(self) -> bool:
        return _start_time(self.pid) == self.started

    def end(self, number: int, timeout: float = 60.0) -> None:
        """Sends a signal to this process and no other, and waits for its end."""
        self._until_gone(timeout, number)

    def wait(self, timeout: float) -> None:
        """Waits for the end. Raises LabError after C(timeout) seconds."""
        self._until_gone(timeout)

    def _until_gone(self, timeout: float, number: int = 0) -> None:
        """Waits for the end of all its threads: until then its files are still locked."""
        try:
            handle = os.pidfd_open(self.pid)
        except ProcessLookupError:
            return
        try:
            # The handle is to whatever has the number now; if that is ours, it stays ours.
            if not self.alive():
                return
            signal.pidfd_send_signal(handle, number)
            if not select.select([handle], [], [], timeout)[0]:
                raise LabError(f"the emulator, process {self.pid}, has not ended after {timeout:.0f} s")
        finally:
            os.close(handle)
            _reap(self.pid)


@dataclass(frozen=True)
class Machine:
    """Everything the emulator is started with but the drives."""

    chassis: Chassis
    image: Image
    root: Path
    folder: Path
    sockets: Path
    port: int
    accel: str
    hostid: str
    machine_id: str


def machine_argv(machine: Machine, blockdevs: Sequence[dict[str, Any]], devices: Sequence[dict[str, Any]]) -> list[str]:
    """The emulator's command line. It starts paused, so that limits can be set first (pure)."""
    chassis = machine.chassis
    outside = "off" if chassis.outside else "on"
    argv = [
        PROGRAM, "-name", f"lab-{chassis.name}", "-nodefaults", "-no-user-config", "-display", "none",
        "-S", "-machine", "q35", "-accel", machine.accel, "-cpu", _cpu(machine.accel),
        "-smp", str(chassis.cpus), "-m", str(chassis.memory),
        "-kernel", str(machine.image.kernel), "-initrd", str(machine.image.initrd),
        "-append", kernel_line(machine),
        "-chardev", f"file,id=console,append=on,path={_quoted(machine.folder / 'serial.log')}",
        "-serial", "chardev:console",
        "-qmp", f"unix:{_quoted(machine.sockets / 'qmp')},server=on,wait=off",
        "-device", "virtio-rng-pci",
        "-netdev", f"user,id=net0,restrict={outside},hostfwd=tcp:127.0.0.1:{machine.port}-:22",
        "-device", "virtio-net-pci,netdev=net0,romfile=",
        "-blockdev", json.dumps(_root_blockdev(machine.root)),
        "-device", json.dumps({"driver": "virtio-blk-pci", "id": "root", "drive": "root"}),
    ]  # fmt: skip
    for adapter in chassis.adapters:
        argv += ["-device", json.dumps(adapter_device(adapter))]
    for blockdev in blockdevs:
        argv += ["-blockdev", json.dumps(blockdev)]
    for device in devices:
        argv += ["-device", json.dumps(device)]
    return argv


def kernel_line(machine: Machine) -> str:
    """The kernel's command line, which also carries the identity of a fresh root (pure)."""
    return " ".join([
        "root=/dev/vda", "rw", "console=ttyS0", "quiet", "panic=10", "mitigations=off", "net.ifnames=0",
        "systemd.show_status=0", f"systemd.machine_id={machine.machine_id}",
        f"lab.hostname={machine.chassis.name}", f"lab.hostid={machine.hostid}",
    ])  # fmt: skip


def _root_blockdev(path: Path) -> dict[str, Any]:
    cache = {"direct": False, "no-flush": True}
    return {
        "driver": "qcow2",
        "node-name": "root",
        "discard": "unmap",
        "cache": cache,
        "file": {"driver": "file", "node-name": "root-file", "filename": str(path), "cache": cache},
    }


def start(argv: Sequence[str], log: Path, tied: bool = False) -> Process:
    """Starts the emulator in a session of its own. Raises LabError.

    It outlives this process, unless it is C(tied) to the calling thread.
    """
    if tied:
        argv = ["setpriv", "--pdeathsig", "KILL", "--", *argv]
    with log.open("ab") as output:
        actions = [
            (os.POSIX_SPAWN_OPEN, 0, os.devnull, os.O_RDONLY, 0),
            (os.POSIX_SPAWN_DUP2, output.fileno(), 1),
            (os.POSIX_SPAWN_DUP2, output.fileno(), 2),
        ]
        try:
            pid = os.posix_spawnp(argv[0], list(argv), os.environ, file_actions=actions, setsid=True)
        except FileNotFoundError:
            raise LabError(f"{argv[0]} is missing here. tests/lab/packages.txt lists the Debian packages.") from None
    return Process.of(pid)


def free_port() -> int:
    """A TCP port of 127.0.0.1 that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def is_free(port: int) -> bool:
    """Whether C(port) can be listened on."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return False
        return True


def accelerator(image: Image, tell: Tell) -> str:
    """The best accelerator that works here: C(kvm) only where it starts a kernel.

    The device node alone proves nothing (inside another virtual machine it may be there and
    fail), so the image's kernel is run for a moment. The answer holds until the next boot.
    """
    if not os.access("/dev/kvm", os.R_OK | os.W_OK):
        return _EMULATED
    boot = Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    remembered = cache_dir() / f"accelerator-{boot}"
    with locked(cache_dir() / "accelerator.lock", tell, "the trial of hardware acceleration"):
        if not remembered.exists():
            works = _kvm_works(image)
            tell(f"hardware acceleration {'works' if works else 'does not work here: emulating (slower)'}")
            remembered.write_text("kvm" if works else _EMULATED)
        return remembered.read_text()


def _kvm_works(image: Image) -> bool:
    """Whether a kernel under kvm gets as far as looking for its root and ends by itself."""
    with tempfile.TemporaryDirectory() as folder:
        console = Path(folder) / "console"
        argv = [
            PROGRAM, "-nodefaults", "-no-user-config", "-display", "none", "-no-reboot",
            "-machine", "q35", "-accel", "kvm", "-cpu", "host", "-smp", "2", "-m", "512",
            "-kernel", str(image.kernel), "-append", "console=ttyS0 panic=-1 root=/dev/none",
            "-serial", f"file:{_quoted(console)}",
        ]  # fmt: skip
        try:
            done = subprocess.run(argv, capture_output=True, timeout=30, check=False, stdin=subprocess.DEVNULL)
        except (subprocess.TimeoutExpired, FileNotFoundError):
            return False
        return done.returncode == 0 and b"Unable to mount root fs" in console.read_bytes()


def _cpu(accel: str) -> str:
    # Five-level page tables only cost time when they are emulated.
    return "host" if accel == "kvm" else "max,la57=off"


def _quoted(path: Path) -> str:
    """A path inside an option list, where a comma is written twice."""
    return str(path).replace(",", ",,")


def _start_time(pid: int) -> int | None:
    """When the process began, in clock ticks since the host's boot; None when it is no more."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        threads = len(list(Path(f"/proc/{pid}/task").iterdir()))
    except OSError:
        return None
    # The first thread may have ended while others still hold the disks.
    gone = fields[0] == "X" or (fields[0] == "Z" and threads == 1)
    return None if gone else int(fields[19])


def _reap(pid: int) -> None:
    """Takes leave of a child of this process, so that it does not stay as a zombie."""
    with contextlib.suppress(ChildProcessError):
        os.waitpid(pid, os.WNOHANG)


def required_tools() -> list[str]:
    """The programs that are missing here."""
    return [tool for tool in (PROGRAM, "qemu-img", "ssh", "ssh-keygen", "setpriv") if shutil.which(tool) is None]
