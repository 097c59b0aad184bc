# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""One drive of two logical units whose SMART is on, served from user space inside the guest.

The emulator's disks have no informational exceptions, so smartd lets them go. These answer the mode page
1Ch with exceptions enabled and the log page 2Fh without any (SPC-4 7.3.8 and 7.5.11), which is what
smartd needs to watch a SCSI disk. Both units report one serial number, as those of one drive do.
"""

from __future__ import annotations

import signal
import struct
import sys
from pathlib import Path

import range_disk
from range_disk import Disk, Refused, Unit, give

READY = Path("/run/lab-smart-disks.ready")
EXCEPTIONS_MODE, EXCEPTIONS_LOG = 0x1C, 0x2F


class SmartUnit(Unit):
    """A logical unit that reports that all is well."""

    def _command(self, cdb: bytes, buffers: list[memoryview]) -> None:
        if cdb[0] in (0x1A, 0x5A) and cdb[2] & 0x3F == EXCEPTIONS_MODE:
            page = bytes([EXCEPTIONS_MODE, 10, 0, 0]) + bytes(8)
            head = bytes([3 + len(page), 0, 0, 0]) if cdb[0] == 0x1A else struct.pack(">H6x", 6 + len(page))
            give(buffers, head + page)
        elif cdb[0] == 0x4D:
            give(buffers, self._log(cdb[2] & 0x3F), int.from_bytes(cdb[7:9], "big"))
        else:
            super()._command(cdb, buffers)

    @staticmethod
    def _log(number: int) -> bytes:
        pages = {
            0x00: bytes([0x00, EXCEPTIONS_LOG]),
            # Parameter 0: no additional sense code, 30 degrees.
            EXCEPTIONS_LOG: bytes([0, 0, 3, 4, 0, 0, 30, 0]),
        }
        if number not in pages:
            raise Refused(range_disk.NO_FIELD)
        return struct.pack(">BBH", number, 0, len(pages[number])) + pages[number]


def main() -> int:
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM})
    service = range_disk.Service()
    for lun in (0, 1):
        disk = Disk(
            name=f"smart{lun}", size=1 << 30, naa=f"5acf1e0000f0000{lun}", port="5acf1e1000f00000", lun=lun,
            serial=b"SMT0001".hex(),
        )  # fmt: skip
        unit = SmartUnit(disk)
        service.waiting.register(unit.handle, 1, unit)
        unit.show()
    READY.touch()
    signal.sigwait({signal.SIGTERM})
    return 0


if __name__ == "__main__":
    sys.exit(main())
