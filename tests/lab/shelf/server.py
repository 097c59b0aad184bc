# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""An enclosure services process served from user space, inside the guest: real slots with real locate lights.

Runs beside C(range_disk.py) (see tests/lab/rangedisk/server.py), whose way into the kernel it uses. The
kernel's own ses driver reads pages 01h, 02h, 07h and sends page 02h back to switch lights (SES-3;
drivers/scsi/ses.c of Linux). Every change of a light is written to LOG with the time.

Options: number of slots, the enclosure's logical identifier, the prefix of slot names (hexadecimal).
"""

from __future__ import annotations

import signal
import struct
import sys
import time
from pathlib import Path

import range_disk
from range_disk import Disk, Refused, Unit, give

LOG = Path("/run/lab-shelf.log")
READY = Path("/run/lab-shelf.ready")
ARRAY_DEVICE, IDENT = 0x17, 0x02
ENCLOSURE, ENCLOSURE_SERVICES = 0x0D, 0x40


class Shelf(Unit):
    """One enclosure of slots. A light is bit RQST IDENT (control) or IDENT (status) of byte 2 of an element."""

    def __init__(self, disk: Disk, slots: int, identifier: str, prefix: bytes) -> None:
        super().__init__(disk)
        self.slots, self.identifier, self.prefix = slots, bytes.fromhex(identifier), prefix
        self.lit = [False] * slots

    def _command(self, cdb: bytes, buffers: list[memoryview]) -> None:
        if cdb[0] == 0x1C:
            pages = {0x00: self.supported, 0x01: self.configuration, 0x02: self.status, 0x07: self.names}
            if not cdb[1] & 1 or cdb[2] not in pages:
                raise Refused(range_disk.NO_FIELD)
            give(buffers, pages[cdb[2]](), int.from_bytes(cdb[3:5], "big"))
        elif cdb[0] == 0x1D:
            self.control(b"".join(bytes(buffer) for buffer in buffers))
        elif cdb[0] == 0x12 and not cdb[1] & 1:
            head = bytearray(range_disk.inquiry(self.disk))
            head[0], head[6] = ENCLOSURE, ENCLOSURE_SERVICES
            give(buffers, bytes(head), int.from_bytes(cdb[3:5], "big"))
        else:
            super()._command(cdb, buffers)

    def supported(self) -> bytes:
        return struct.pack(">BBH", 0, 0, 4) + bytes([0, 1, 2, 7])

    def configuration(self) -> bytes:
        """Page 01h: one enclosure, one type of element."""
        name = b"slots"
        about = bytes([0x11, 0, 1, 36]) + self.identifier + b"ACTWO".ljust(8) + b"SHELF".ljust(16) + b"0001"
        kind = bytes([ARRAY_DEVICE, self.slots, 0, len(name)]) + name
        body = bytes(4) + about + kind
        return struct.pack(">BBH", 1, 0, len(body)) + body

    def status(self) -> bytes:
        """Page 02h: an overall element and one for each slot, all well (status code 1)."""
        elements = bytes([1, 0, 0, 0]) + b"".join(bytes([1, 0, IDENT * lit, 0]) for lit in self.lit)
        return struct.pack(">BBH", 2, 0, 4 + len(elements)) + bytes(4) + elements

    def names(self) -> bytes:
        """Page 07h: the name of each slot."""
        texts = [b"all", *(self.prefix + b"%02d" % slot for slot in range(self.slots))]
        body = bytes(4) + b"".join(struct.pack(">HH", 0, len(text)) + text for text in texts)
        return struct.pack(">BBH", 7, 0, len(body)) + body

    def control(self, page: bytes) -> None:
        """Page 02h sent by the initiator: elements with SELECT set are obeyed."""
        for slot in range(self.slots):
            element = page[12 + 4 * slot : 16 + 4 * slot]
            if len(element) == 4 and element[0] & 0x80:
                lit = bool(element[2] & IDENT)
                if lit != self.lit[slot]:
                    self.lit[slot] = lit
                    with LOG.open("a") as log:
                        log.write(f"{time.time():.3f} {slot} {'on' if lit else 'off'}\n")


def main() -> int:
    slots, identifier, prefix = int(sys.argv[1]), sys.argv[2], bytes.fromhex(sys.argv[3])
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM})
    LOG.touch()
    service = range_disk.Service()
    disk = Disk(name="shelf0", size=1 << 20, naa="5acf1e0000e00000", port="5acf1e1000e00000")
    shelf = Shelf(disk, slots, identifier, prefix)
    service.waiting.register(shelf.handle, 1, shelf)
    shelf.show()
    READY.touch()
    signal.sigwait({signal.SIGTERM})
    return 0


if __name__ == "__main__":
    sys.exit(main())
