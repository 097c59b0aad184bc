# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""SCSI disks served from user space, inside the guest: what the emulator's own disks cannot report.

The kernel's TCMU hands every SCSI command to this program, its loopback target shows the disks to
the same kernel (include/uapi/linux/target_core_user.h; Documentation/target/tcmu-design.rst). INQUIRY
and its pages are answered here, so a disk can say anything: access ranges (VPD page B9h), any bytes
as vendor, product and serial number, target-device designators, protection information.

The file CONFIG is a list of disks. On SIGHUP it is read again: new disks are added, missing ones
removed. READY then holds their names. Contents are sparse files.
"""

from __future__ import annotations

import ctypes
import json
import mmap
import os
import selectors
import signal
import socket
import struct
import sys
import threading
import traceback
from dataclasses import dataclass, field
from pathlib import Path

CONFIG = Path("/etc/lab-range-disks.json")
READY = Path("/run/lab-range-disks.ready")
FILES = Path("/var/lib/lab-range-disks")
TARGET = Path("/sys/kernel/config/target")
GOOD, CHECK = 0, 2
SUPPORTED = (512, 1024, 2048, 4096)
ILLEGAL, NO_COMMAND, NO_FIELD, PAST_END = 5, 0x2000, 0x2400, 0x2100
PR_SET_IO_FLUSHER = 57  # include/uapi/linux/prctl.h


@dataclass(frozen=True)
class Disk:
    """One disk. *vendor*, *product*, *firmware* and *serial* are hexadecimal, since they may be any bytes.

    *ranges* are (number, first block, blocks); *naa* is the logical unit's designator and may be empty,
    *target* the target device's; *port* the loopback target's, shared by the LUNs of one target.
    *protection* is the T10 protection type, 0 for none. With a *block* that Linux does not support (520, say) the
    kernel shows no capacity.
    """

    name: str
    size: int
    naa: str
    port: str
    serial: str = ""
    vendor: str = b"ACTWO".hex()
    product: str = b"ACTW-D9".hex()
    firmware: str = b"0042".hex()
    lun: int = 0
    block: int = 512
    target: str = ""
    protection: int = 0
    ranges: list[list[int]] = field(default_factory=list)

    @property
    def blocks(self) -> int:
        return self.size // self.block


class Refused(Exception):
    """A command ends with CHECK CONDITION: sense key, and additional sense code with qualifier."""

    def __init__(self, code: int) -> None:
        super().__init__(hex(code))
        self.sense = bytes([0x70, 0, ILLEGAL, 0, 0, 0, 0, 10, 0, 0, 0, 0, code >> 8, code & 0xFF, 0, 0, 0, 0])


# --- what the disk says of itself


def padded(text: str, length: int) -> bytes:
    return bytes.fromhex(text)[:length].ljust(length)


def inquiry(disk: Disk) -> bytes:
    head = bytes([0, 0, 7, 2, 31, 1 if disk.protection else 0, 0, 2])
    return head + padded(disk.vendor, 8) + padded(disk.product, 16) + padded(disk.firmware, 4)


def designators(disk: Disk) -> bytes:
    """Page 83h: association 0 NAA, 1 NAA (the port), 2 NAA (the target device)."""
    found = b""
    for association, naa in ((0, disk.naa), (1, disk.port), (2, disk.target)):
        if naa:
            raw = bytes.fromhex(naa)
            # The names of port and target device are told to be SAS's (protocol identifier 6, PIV set).
            named = association > 0
            found += bytes([0x61 if named else 1, 0x80 * named | association << 4 | 3, 0, len(raw)]) + raw
    return found


def cpr(disk: Disk) -> bytes:
    """Page B9h behind its first four bytes (SBC-5): 60 bytes, then 32 for each range."""
    found = bytes(60)
    for number, start, count in disk.ranges:
        found += struct.pack(">BB6xQQ8x", number, 1, start, count)
    return found


def page(disk: Disk, number: int) -> bytes:
    pages = {
        0x80: bytes.fromhex(disk.serial),
        0x83: designators(disk),
        0xB0: bytes(60),
        0xB1: struct.pack(">H", 7200) + bytes(58),
    }
    if disk.ranges:
        pages[0xB9] = cpr(disk)
    pages[0x00] = bytes(sorted([0, *pages]))
    if number not in pages:
        raise Refused(NO_FIELD)
    return struct.pack(">BBH", 0, number, len(pages[number])) + pages[number]


def capacity16(disk: Disk) -> bytes:
    exponent = 3 if disk.block == 512 else 0
    protection = (disk.protection - 1) << 1 | 1 if disk.protection else 0
    return struct.pack(">QIBB18x", disk.blocks - 1, disk.block, protection, exponent)


def mode_pages(long: bool) -> bytes:
    """The caching page, with a write cache that is on."""
    caching = bytes([0x08, 0x12, 0x04]) + bytes(17)
    head = struct.pack(">HBBHH", 6 + len(caching), 0, 0x10, 0, 0) if long else bytes([3 + len(caching), 0, 0x10, 0])
    return head + caching


# --- commands


class Unit:
    """A disk with its content and its ring of commands."""

    def __init__(self, disk: Disk) -> None:
        self.disk = disk
        FILES.mkdir(parents=True, exist_ok=True)
        self.file = os.open(FILES / disk.name, os.O_RDWR | os.O_CREAT, 0o600)
        os.ftruncate(self.file, disk.size)
        self.core = TARGET / "core/user_7" / disk.name
        self.core.mkdir(parents=True)
        block = disk.block if disk.block in SUPPORTED else 512
        (self.core / "control").write_text(f"dev_config=lab/{disk.name},dev_size={disk.size},hw_block_size={block}")
        (self.core / "enable").write_text("1")
        # The kernel would give up on a command that is not answered after 30 s; real adapters wait for ever.
        (self.core / "attrib/cmd_time_out").write_text("0")
        uio = next(one for one in Path("/sys/class/uio").iterdir() if name_of(one) == disk.name)
        self.handle = os.open(f"/dev/{uio.name}", os.O_RDWR)
        self.map = mmap.mmap(self.handle, int((uio / "maps/map0/size").read_text(), 16))
        self.view = memoryview(self.map)
        self.open = True
        self.ring, self.ring_size = struct.unpack_from("II", self.map, 4)

    def serve(self) -> None:
        """Answer all commands that are waiting."""
        try:
            os.read(self.handle, 4)
        except OSError:
            return  # withdrawn meanwhile
        self.answer()

    def answer(self) -> None:
        """Answer what is in the ring."""
        tail = struct.unpack_from("I", self.map, 64)[0]
        while tail != struct.unpack_from("I", self.map, 12)[0]:
            entry = self.ring + tail
            head = struct.unpack_from("I", self.map, entry)[0]
            if head & 7 == 1:
                self._answer(entry)
            tail = (tail + (head & ~7)) % self.ring_size
            struct.pack_into("I", self.map, 64, tail)
        os.write(self.handle, bytes(4))

    def _answer(self, entry: int) -> None:
        count = struct.unpack_from("I", self.map, entry + 8)[0]
        cdb_at = struct.unpack_from("Q", self.map, entry + 24)[0]
        cdb = bytes(self.map[cdb_at : cdb_at + 32])
        places = [struct.unpack_from("QQ", self.map, entry + 48 + 16 * number) for number in range(count)]
        buffers = [self.view[start : start + length] for start, length in places]
        status, sense = GOOD, b""
        try:
            self._command(cdb, buffers)
        except Refused as refused:
            status, sense = CHECK, refused.sense
        self.map[entry + 8 : entry + 16] = bytes([status, 0, 0, 0, 0, 0, 0, 0])
        self.map[entry + 16 : entry + 112] = sense.ljust(96, b"\0")

    def _command(self, cdb: bytes, buffers: list[memoryview]) -> None:
        operation, disk = cdb[0], self.disk
        if operation in (0x08, 0x28, 0xA8, 0x88, 0x0A, 0x2A, 0xAA, 0x8A):
            self._transfer(cdb, buffers)
        elif operation in (0x35, 0x91):
            os.fdatasync(self.file)
        elif operation == 0x12:
            give(buffers, page(disk, cdb[2]) if cdb[1] & 1 else inquiry(disk), int.from_bytes(cdb[3:5], "big"))
        elif operation == 0x25:
            give(buffers, struct.pack(">II", min(disk.blocks - 1, 0xFFFFFFFF), disk.block))
        elif operation == 0x9E and cdb[1] & 31 == 0x10:
            give(buffers, capacity16(disk), int.from_bytes(cdb[10:14], "big"))
        elif operation in (0x1A, 0x5A):
            give(buffers, mode_pages(operation == 0x5A))
        elif operation not in (0x00, 0x1B):
            raise Refused(NO_COMMAND)

    def _transfer(self, cdb: bytes, buffers: list[memoryview]) -> None:
        form = {0: (1, 4, 4, 5), 1: (2, 6, 7, 9), 4: (2, 10, 10, 14), 5: (2, 6, 6, 10)}[cdb[0] >> 5]
        block = int.from_bytes(cdb[form[0] : form[1]], "big")
        count = int.from_bytes(cdb[form[2] : form[3]], "big")
        if cdb[0] < 0x20:
            block, count = block & 0x1FFFFF, count or 256
        if block + count > self.disk.blocks:
            raise Refused(PAST_END)
        if not count:
            return
        at, length = block * self.disk.block, count * self.disk.block
        clipped, left = [], length
        for buffer in buffers:
            clipped.append(buffer[:left])
            left -= len(clipped[-1])
        if cdb[0] & 0xF == 0x8:
            os.preadv(self.file, clipped, at)
        else:
            os.pwritev(self.file, clipped, at)
            if cdb[0] >= 0x20 and cdb[1] & 8:
                os.fdatasync(self.file)

    # --- shown to the kernel, and withdrawn

    @property
    def _target(self) -> Path:
        return TARGET / "loopback" / f"naa.{self.disk.port}" / "tpgt_1"

    def show(self) -> None:
        """Connect the disk; the kernel asks it questions before this returns."""
        self._target.mkdir(parents=True, exist_ok=True)
        nexus = self._target / "nexus"
        try:
            nexus.read_text()
        except OSError:
            nexus.write_text("naa.6001405" + self.disk.port[-9:])
        lun = self._target / f"lun/lun_{self.disk.lun}"
        lun.mkdir()
        (lun / "disk").symlink_to(self.core)

    def withdraw(self) -> None:
        """Pull the disk: the kernel loses it, its content stays."""
        lun = self._target / f"lun/lun_{self.disk.lun}"
        (lun / "disk").unlink()
        lun.rmdir()
        if not list((self._target / "lun").glob("lun_*")):
            (self._target / "nexus").write_text("NULL")
            self._target.rmdir()
            self._target.parent.rmdir()

    def close(self) -> None:
        """Let go of what was withdrawn."""
        self.open = False
        self.core.rmdir()
        self.view.release()
        self.map.close()
        os.close(self.handle)
        os.close(self.file)


def name_of(uio: Path) -> str:
    # tcm-user/7/NAME/lab/NAME
    return (uio / "name").read_text().strip().rsplit("/", 1)[-1]


def give(buffers: list[memoryview], data: bytes, most: int = 255) -> None:
    data = data[:most]
    for buffer in buffers:
        part = data[: len(buffer)]
        buffer[: len(part)] = part
        data = data[len(part) :]


# --- the service


class Service:
    """All disks of the configuration."""

    def __init__(self) -> None:
        self.units: dict[str, Unit] = {}
        self.waiting = selectors.DefaultSelector()
        self.closing = threading.Lock()
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        # Or writing to a disk's file could wait for the kernel to write out the disk, which waits for this (prctl(2)).
        ctypes.CDLL(None, use_errno=True).prctl(PR_SET_IO_FLUSHER, 1, 0, 0, 0)
        try:
            while True:
                self._round(self.waiting.select(0.2))
        finally:
            # Only an error ends the loop, and disks that answer nothing must not look served.
            traceback.print_exc()
            os._exit(1)

    def _round(self, ready: list[tuple[selectors.SelectorKey, int]]) -> None:
        for key, _events in ready:
            with self.closing:
                if key.data.open:
                    key.data.serve()

    def sync(self) -> None:
        """Show the disks of the configuration, and no others."""
        wanted = {one["name"]: Disk(**one) for one in json.loads(CONFIG.read_text())}
        for name in [name for name, unit in self.units.items() if wanted.get(name) != unit.disk]:
            unit = self.units.pop(name)
            # The kernel still writes out its cache as it loses the disk.
            unit.withdraw()
            with self.closing:
                self.waiting.unregister(unit.handle)
                unit.close()
        for name in [name for name in wanted if name not in self.units]:
            unit = self.units[name] = Unit(wanted[name])
            self.waiting.register(unit.handle, selectors.EVENT_READ, unit)
            unit.show()
        READY.write_text("".join(name + "\n" for name in sorted(self.units)))


def notify(state: str) -> None:
    """Tell systemd (sd_notify(3))."""
    if address := os.environ.get("NOTIFY_SOCKET"):
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
            channel.connect("\0" + address[1:] if address[0] == "@" else address)
            channel.send(state.encode())


def main() -> int:
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGHUP, signal.SIGTERM})
    service = Service()
    service.sync()
    notify("READY=1")
    while signal.sigwait({signal.SIGHUP, signal.SIGTERM}) == signal.SIGHUP:
        service.sync()
    return 0


if __name__ == "__main__":
    sys.exit(main())
