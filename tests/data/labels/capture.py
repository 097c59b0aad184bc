# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Records pool labels and what C(zdb -l) says of them, in a running lab machine with at least four drives.

Run from the repository's root: C(python -m tests.data.labels.capture LAB). It makes pools on the drives of the
lab, so give it one that has no use. For each case it leaves C(OPENZFS-CASE.label) (256 KiB, through xz
and base64) and C(OPENZFS-CASE.txt): the label's offset, then zdb's words.
"""

from __future__ import annotations

import sys
from pathlib import Path

from tests.lab.lab import Lab

FOLDER = Path(__file__).parent
# Units by letter: (bay, unit). One partition each, made beforehand: zpool itself would lose races with udev.
UNITS = {"A": (0, 0), "B": (1, 0), "C": (2, 0), "D": (3, 0), "F": (0, 1), "G": (1, 1)}
# Case: commands, partition to read, which of its labels.
CASES = {
    "raidz2": ("zpool create -f -O mountpoint=none archive raidz2 $A $B $C $D mirror $F $G; zpool sync", "$B", 0),
    "mirror": ("true", "$G", 3),
    "exported": ("zpool export archive", "$B", 1),
    "destroyed": ("zpool import -d /dev archive; zpool destroy archive", "$B", 0),
    "multihost": (
        "zpool create -f -O mountpoint=none -o multihost=on guarded mirror $A $B log $C spare $D; sleep 12",
        "$A",
        0,
    ),
    "log": ("true", "$C", 0),
    "spare": ("true", "$D", 0),
}
READ = """
S=$(blockdev --getsize64 $P); N=$((S / 262144))
case $L in 0) B=0 ;; 1) B=1 ;; 2) B=$((N - 2)) ;; 3) B=$((N - 1)) ;; esac
echo offset $((B * 262144)); zdb -l $P; echo ====
dd if=$P bs=262144 skip=$B count=1 iflag=direct status=none | xz -9 | base64
"""


def main() -> None:
    """Capture every case of the lab named on the command line."""
    lab = Lab(name=sys.argv[1])
    lab.run("modprobe zfs")
    version = lab.run("zpool version").out.split()[0].split("-")[1]
    nodes = {name: f"/dev/{lab.guest_unit(bay, unit)['block']}" for name, (bay, unit) in UNITS.items()}
    for node in nodes.values():
        lab.run(f"wipefs -qa {node}; echo ',,' | sfdisk -q -X gpt {node}", timeout=300)
    lab.run("udevadm settle -t 300", timeout=400)
    units = " ".join(f"{name}={node}1" for name, node in nodes.items())
    for case, (commands, part, number) in CASES.items():
        lab.run(f"{units}; set -e; {commands}", timeout=600)
        told = lab.run(f"{units}; P={part}; L={number}; {READ}", timeout=300).out
        words, packed = told.split("====\n")
        (FOLDER / f"{version}-{case}.txt").write_text(words)
        (FOLDER / f"{version}-{case}.label").write_text(packed)
        print(case, flush=True)
    lab.run("zpool destroy guarded")


if __name__ == "__main__":
    main()
