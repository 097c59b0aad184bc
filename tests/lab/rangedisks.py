# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Disks with access ranges in a lab machine, served inside the guest by C(rangedisk/server.py).

They survive a boot: a systemd unit serves them again, before pools are imported.
"""

from __future__ import annotations

import json
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from tests.lab.lab import Lab
from tests.lab.rangedisk.server import CONFIG, FILES, READY, Disk

FOLDER = Path(__file__).with_name("rangedisk")
PROGRAM = "/opt/lab/range_disk.py"
UNIT = "lab-range-disks.service"
GB = 10**9
# Every byte that a shell, udev's rules, a format, HTML or a terminal could take for more than text.
HOSTILE: dict[str, Any] = {
    "vendor": b'A"$(x)\n'.hex(),
    "product": b"<b>%n\x80{}'`;|".hex(),
    "serial": b"S\"'\n$(reboot)`id`%s\xff<i>{HCTL}\x1b[2J".hex(),
}
DIGEST = """
import hashlib, os, sys
for path in sys.argv[1:]:
    file, found, at = os.open(path, os.O_RDONLY), hashlib.sha256(), 0
    while True:
        try:
            at = os.lseek(file, at, os.SEEK_DATA)
        except OSError:
            break
        end = os.lseek(file, at, os.SEEK_HOLE)
        while at < end:
            data = os.pread(file, min(1 << 20, end - at), at)
            for offset in range(0, len(data), 4096):
                block = data[offset : offset + 4096]
                if block.strip(b"\\0"):
                    found.update(b"%d " % (at + offset) + block)
            at += len(data)
    print(found.hexdigest())
"""


def equal_ranges(blocks: int, parts: int) -> list[list[int]]:
    """Page B9h's content for as many equal ranges: (number, first block, blocks)."""
    edges = [blocks * number // parts for number in range(parts + 1)]
    return [[number, edges[number], edges[number + 1] - edges[number]] for number in range(parts)]


def range_disk(number: int, parts: int = 2, size: int = 200 * GB, **more: object) -> Disk:
    """A disk named C(r<number>), serial C(ACR<number>), with equal ranges; *more* are fields of Disk."""
    block = more.get("block", 512)
    assert isinstance(block, int)
    size -= size % block
    facts: dict[str, object] = {
        "name": f"r{number}",
        "size": size,
        "naa": f"5acf1e00000{number:05x}",
        "port": f"5acf1e10000{number:05x}",
        "serial": f"ACR{number:04d}".encode().hex(),
        "ranges": equal_ranges(size // block, parts) if parts > 1 else [],
        **more,
    }
    return Disk(**facts)  # type: ignore[arg-type]


@dataclass
class RangeDisks:
    """The range disks of one lab machine."""

    lab: Lab

    def install(self) -> None:
        """Put program and service into the guest; no disk is shown yet."""
        self.lab.run(["mkdir", "-p", str(Path(PROGRAM).parent)])
        self.lab.ssh().copy_to(FOLDER / "server.py", PROGRAM)
        self.lab.ssh().copy_to(FOLDER / UNIT, f"/etc/systemd/system/{UNIT}")
        self._write([])
        self.lab.run(f"systemctl daemon-reload && systemctl enable -q --now {UNIT}", timeout=300)

    def show(self, disks: Sequence[Disk]) -> dict[str, str]:
        """Have exactly these disks; returns their device nodes by name. A disk that is left out is pulled."""
        self._write(disks)
        self.lab.run(f"rm -f {READY} && systemctl reload {UNIT}")
        wanted = "".join(sorted(disk.name + "\n" for disk in disks))
        deadline = time.monotonic() + 300
        while self.lab.run(f"cat {READY}", check=False).out != wanted:
            assert time.monotonic() < deadline, self.lab.run(f"journalctl -n 50 -u {UNIT}").out
            time.sleep(0.5)
        self.lab.run("udevadm settle -t 120", timeout=150)
        return self.nodes(disks)

    def nodes(self, disks: Sequence[Disk]) -> dict[str, str]:
        """The device node of each disk, found by the target port in the kernel's own configuration."""
        listing = self.lab.run(
            "for link in /sys/kernel/config/target/loopback/naa.*/tpgt_1; do"
            " port=${link%/tpgt_1}; port=${port##*/naa.};"
            " address=$(cat $link/address);"
            " for unit in /sys/class/scsi_device/$address:*; do"
            " echo $port ${unit##*:} $(ls $unit/device/block 2>/dev/null); done; done"
        ).out
        found = {tuple(line.split()[:2]): line.split()[2] for line in listing.splitlines() if len(line.split()) == 3}
        return {disk.name: "/dev/" + found[disk.port, str(disk.lun)] for disk in disks}

    def digests(self, disks: Sequence[Disk]) -> list[str]:
        """SHA-256 over where and what the data of each disk is, read from its file, not through the kernel's disk.

        Holes and zeros do not count.
        """
        self.lab.run("sync", timeout=300)
        paths = [str(FILES / disk.name) for disk in disks]
        return self.lab.run(["python3", "-", *paths], timeout=600, stdin=DIGEST).out.split()

    def _write(self, disks: Sequence[Disk]) -> None:
        text = json.dumps([asdict(disk) for disk in disks])
        self.lab.run(f"cat > {CONFIG}.new && mv {CONFIG}.new {CONFIG} && sync", stdin=text)


def smart_drives(lab: Lab, drives: int = 1, test_seconds: float = 20) -> None:
    """Shows drives SMT0001 and on, of two units whose SMART is on (see shelf/smart_disks.py), until the guest ends."""
    lab.run("mkdir -p /opt/lab; modprobe -a target_core_user tcm_loop")
    lab.ssh().copy_to(FOLDER / "server.py", PROGRAM)
    lab.ssh().copy_to(FOLDER.parent / "shelf" / "smart_disks.py", "/opt/lab/smart_disks.py")
    serve = f"python3 /opt/lab/smart_disks.py {drives} {test_seconds:g}"
    lab.run(f"systemd-run --quiet --unit=lab-smart --setenv=PYTHONPATH=/opt/lab {serve}")
    lab.run("for i in $(seq 500); do test -e /run/lab-smart-disks.ready && exit; sleep 0.2; done; exit 1", timeout=300)
    lab.run("udevadm settle -t 120", timeout=200)
