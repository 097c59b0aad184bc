# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Records pool labels and what C(zdb -l) says of them, in a running lab machine.

Run from the repository's root: C(python -m tests.data.labels.capture LAB [--device DEVICE] [--case CASE ...]). It
makes pools in files, in the guest's memory, and touches no drive; of DEVICE, a member of a pool, it only reads the
label. Cases build on those above them, but for raidz2, multihost and draid. For each it leaves
C(OPENZFS-CASE.label) (256 KiB, through xz and base64) and C(OPENZFS-CASE.txt): the label's offset, then zdb's words.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from tests.lab.lab import Lab

FOLDER = Path(__file__).parent
FILES = " ".join(f"{letter}=/run/labels/{letter}" for letter in "ABCDEF")
# Case: commands, file to read, which of its labels.
CASES = {
    "raidz2": ("zpool create -f -O mountpoint=none records raidz2 $A $B $C $D mirror $E $F; zpool sync", "$B", 0),
    "mirror": ("true", "$F", 3),
    "exported": ("zpool export records", "$B", 1),
    "destroyed": ("zpool import -d /run/labels records; zpool destroy records", "$B", 0),
    "multihost": (
        "zpool create -f -O mountpoint=none -o multihost=on guarded mirror $A $B log $C spare $D; sleep 12",
        "$A",
        0,
    ),
    "log": ("true", "$C", 0),
    "spare": ("true", "$D", 0),
    "draid": (
        "zpool destroy guarded || true; zpool create -f -O mountpoint=none strewn draid1:2d:5c:1s $A $B $C $D $E",
        "$C",
        0,
    ),
}
READ = """
S=$(blockdev --getsize64 $P 2>/dev/null || stat -c %s $P); N=$((S / 262144))
case $L in 0) B=0 ;; 1) B=1 ;; 2) B=$((N - 2)) ;; 3) B=$((N - 1)) ;; esac
echo offset $((B * 262144)); zdb -l $P; echo ====
dd if=$P bs=262144 skip=$B count=1 status=none | xz -9 | base64
"""


def main() -> None:
    """Capture every case of the lab named on the command line."""
    parser = argparse.ArgumentParser(description="Record pool labels.")
    parser.add_argument("lab")
    parser.add_argument("--device")
    parser.add_argument("--case", action="append", choices=list(CASES), default=[])
    asked = parser.parse_args()
    lab = Lab(name=asked.lab)
    lab.run("modprobe zfs; mkdir -p /run/labels; truncate -s 128M /run/labels/{A,B,C,D,E,F}")
    version = lab.run("zpool version").out.split()[0].split("-")[1]
    cases = {**CASES, **({"disk": ("true", asked.device, 0)} if asked.device else {})}
    for case, (commands, part, number) in cases.items():
        if asked.case and case not in asked.case:
            continue
        lab.run(f"{FILES}; set -e; {commands}", timeout=600)
        told = lab.run(f"{FILES}; P={part}; L={number}; {READ}", timeout=300).out
        words, packed = told.split("====\n")
        (FOLDER / f"{version}-{case}.txt").write_text(words)
        (FOLDER / f"{version}-{case}.label").write_text(packed)
        print(case, flush=True)
    lab.run("for P in guarded strewn; do zpool destroy $P; done; rm -r /run/labels", check=False)


if __name__ == "__main__":
    main()
