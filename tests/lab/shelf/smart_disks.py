# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Drives of two logical units whose SMART is on, served from user space inside the guest.

The emulator's disks have no informational exceptions, so smartd lets them go, and no self-tests. These answer the
mode page 1Ch with exceptions enabled and the log page 2Fh without any, keep the results of self-tests on the log page
10h, and tell their power-on time on page 15h (SPC-4; page 15h SBC-3; checked by the real smartctl). Both units of a
drive report one serial number.

Options: how many drives (1), and for how many seconds a self-test runs (20). In FOLDER every self-test that was
started is noted in C(tests): the moment, the unit (SERIAL.LUN) and the self-test code. Files that a test makes there:
C(asleep-UNIT): the unit stands by, and commands that would wake it are noted in C(woken); C(hang-UNIT): it answers no
log page until the file is gone; C(broken-UNIT): it predicts a failure; C(degrees-UNIT): how warm it is (30).
"""

from __future__ import annotations

import selectors
import signal
import struct
import sys
import time
from pathlib import Path

import range_disk
from range_disk import Disk, Refused, Unit, give

FOLDER = Path("/run/lab-smart")
READY = Path("/run/lab-smart-disks.ready")
EXCEPTIONS_MODE, EXCEPTIONS_LOG, TESTS_LOG, SCAN_LOG = 0x1C, 0x2F, 0x10, 0x15
TEST_UNIT_READY, REQUEST_SENSE, INQUIRY, REPORT_LUNS, SEND_DIAGNOSTIC, LOG_SENSE = 0x00, 0x03, 0x12, 0xA0, 0x1D, 0x4D
NOT_WAKING = (TEST_UNIT_READY, REQUEST_SENSE, INQUIRY, REPORT_LUNS)
RUNNING, PASSED = 15, 0
HOURS = 1000


class Hanging(Exception):
    """The command is not answered now."""


class SmartUnit(Unit):
    """A logical unit that reports that all is well, unless it is told otherwise."""

    def __init__(self, disk: Disk, seconds: float) -> None:
        super().__init__(disk)
        self.name = "{0}.{1}".format(bytes.fromhex(disk.serial).decode(), disk.lun)
        self.seconds = seconds
        self.tests: list[tuple[int, float]] = []
        self.hanging = False

    def told(self, what: str) -> bool:
        return (FOLDER / f"{what}-{self.name}").exists()

    def note(self, file: str, what: str) -> None:
        with (FOLDER / file).open("a") as log:
            log.write(f"{time.time():.3f} {self.name} {what}\n")

    def answer(self) -> None:
        try:
            super().answer()
            self.hanging = False
        except Hanging:
            self.hanging = True  # the command stays in the ring

    def _command(self, cdb: bytes, buffers: list[memoryview]) -> None:
        operation = cdb[0]
        if self.told("asleep") and operation not in NOT_WAKING:
            self.note("woken", f"{operation:02x}")
        if operation == LOG_SENSE and self.told("hang"):
            raise Hanging
        if operation == REQUEST_SENSE:
            # 5Eh/04h: standby condition activated by command.
            code = b"\x5e\x04" if self.told("asleep") else b"\0\0"
            give(buffers, bytes([0x70, 0, 0, 0, 0, 0, 0, 10, 0, 0, 0, 0]) + code + bytes(4), cdb[4])
        elif operation in (0x1A, 0x5A) and cdb[2] & 0x3F == EXCEPTIONS_MODE:
            page = bytes([EXCEPTIONS_MODE, 10, 0, 0]) + bytes(8)
            head = bytes([3 + len(page), 0, 0, 0]) if operation == 0x1A else struct.pack(">H6x", 6 + len(page))
            give(buffers, head + page)
        elif operation == LOG_SENSE:
            give(buffers, self._log(cdb[2] & 0x3F), int.from_bytes(cdb[7:9], "big"))
        elif operation == SEND_DIAGNOSTIC:
            self._test(cdb[1] >> 5)
        else:
            super()._command(cdb, buffers)

    def _test(self, code: int) -> None:
        if code not in (1, 2):
            raise Refused(range_disk.NO_FIELD)
        self.note("tests", str(code))
        self.tests.insert(0, (code, time.monotonic()))

    def _log(self, number: int) -> bytes:
        pages = {
            0x00: bytes([0x00, TESTS_LOG, SCAN_LOG, EXCEPTIONS_LOG]),
            TESTS_LOG: self._results(),
            # Background scan: parameter 0 has the minutes that the drive has been powered, and that none runs.
            SCAN_LOG: struct.pack(">HBBIBBHHH", 0, 3, 12, 60 * HOURS, 0, 0, 0, 0, 0),
            # Parameter 0: the additional sense code (5Dh: failure prediction threshold exceeded), degrees Celsius.
            EXCEPTIONS_LOG: bytes(
                [0, 0, 3, 4, 0x5D if self.told("broken") else 0, 0x10 * self.told("broken"), self._degrees(), 0]
            ),
        }
        if number not in pages:
            raise Refused(range_disk.NO_FIELD)
        return struct.pack(">BBH", number, 0, len(pages[number])) + pages[number]

    def _degrees(self) -> int:
        try:
            return int((FOLDER / f"degrees-{self.name}").read_text())
        except FileNotFoundError:
            return 30

    def _results(self) -> bytes:
        """Twenty parameters of 20 bytes, the newest test first."""
        found = b""
        for number in range(20):
            entry = struct.pack(">HBB", number + 1, 3, 16)
            if number < len(self.tests):
                code, begun = self.tests[number]
                running = number == 0 and time.monotonic() - begun < self.seconds
                result = RUNNING if running else PASSED
                entry += struct.pack(">BBHQ4x", code << 5 | result, 0, HOURS, 0xFFFFFFFFFFFFFFFF)
            found += entry.ljust(20, b"\0")
        return found


class Service(range_disk.Service):
    """Serves commands, and again those that were left hanging."""

    def _round(self, ready: list[tuple[selectors.SelectorKey, int]]) -> None:
        super()._round(ready)
        # A list: units are added meanwhile by the thread that shows them.
        for unit in [key.data for key in list(self.waiting.get_map().values())]:
            if unit.hanging:
                unit.answer()


def main() -> int:
    drives = int(sys.argv[1]) if len(sys.argv) > 1 else 1
    seconds = float(sys.argv[2]) if len(sys.argv) > 2 else 20.0
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM})
    FOLDER.mkdir(exist_ok=True)
    service = Service()
    for drive in range(drives):
        for lun in (0, 1):
            disk = Disk(
                name=f"smart{drive}{lun}", size=1 << 30, naa=f"5acf1e0000f00{drive:02x}{lun}",
                port=f"5acf1e1000f00{drive:02x}0", lun=lun, serial=f"SMT{drive + 1:04d}".encode().hex(),
            )  # fmt: skip
            unit = SmartUnit(disk, seconds)
            service.waiting.register(unit.handle, selectors.EVENT_READ, unit)
            unit.show()
    READY.touch()
    signal.sigwait({signal.SIGTERM})
    return 0


if __name__ == "__main__":
    sys.exit(main())
