# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""What a person could have left on drives: one of everything, put on units of chassis C(shapes)."""

from __future__ import annotations

from tests.lab.lab import Lab

# Unit (serial, index) -> shell lines, where $D is its device, and the kinds of content that this makes.
LEFTOVERS: dict[tuple[str, int], tuple[str, set[str]]] = {
    ("SHP01", 0): (
        "mkfs.ext4 -q $D; mkdir -p '/srv/old data'; mount $D '/srv/old data'",
        {"filesystem", "mount"},
    ),
    ("SHP01", 1): (
        "printf 'label: gpt\\n,1GiB\\n' | sfdisk -q $D; udevadm settle; mkfs.ext4 -q ${D}1",
        {"partition_table", "filesystem"},
    ),
    ("SHP02", 0): ("zpool create old $D; zpool export old", {"partition_table", "pool_label"}),
    ("SHP02", 1): ("mkswap -q $D; swapon $D", {"filesystem", "swap"}),
    ("SHP03", 0): ("zpool create busy $D", {"partition_table", "pool_label", "open"}),
    ("SHP03", 1): ("pvcreate -q $D; vgcreate -q lab $D; lvcreate -q -n one -L 1G lab", {"lvm", "holder"}),
    ("SHP04", 0): ("mkfs.ext4 -q $D", {"filesystem"}),
    ("SHP04", 1): (
        # Read-only, or the kernel writes "clean" into its superblock some time after the last write (md(4)).
        "yes | mdadm -q --create /dev/md7 --level mirror --raid-devices 2 $D missing; mdadm -q --readonly /dev/md7",
        {"raid", "holder"},
    ),
    ("SHP05", 0): (
        "echo secret >/tmp/key; cryptsetup -q --pbkdf pbkdf2 --pbkdf-force-iterations 1000 luksFormat $D /tmp/key",
        {"crypt"},
    ),
    ("SHP10", 0): ("zpool create four $D; zpool destroy four", {"partition_table", "pool_label"}),
}


def leave_things(lab: Lab) -> None:
    """Put everything of LEFTOVERS on the drives, with the guest's own tools."""
    nodes = {
        (drive.serial, unit.index): "/dev/" + lab.guest_unit(drive.bay, unit.index)["block"]
        for drive in lab.chassis.drives
        for unit in drive.units
        if (drive.serial, unit.index) in LEFTOVERS
    }
    for key, (lines, _kinds) in LEFTOVERS.items():
        lab.run(f"set -e; D={nodes[key]}; {lines}", timeout=300)
    lab.run("udevadm settle")
