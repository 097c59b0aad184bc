# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Records what discovery reads on this host: run as root on any Linux with udev, Python's own library only.

python3 capture.py >tree.json writes one JSON object: C(tree) is the device tree in umockdev's format
(sysfs attributes as bytes, udev's properties), C(links) are the links below /dev/disk with their targets,
C(mountinfo) and C(swaps) are the files of /proc. Nothing is interpreted.
"""

import json
import os
import subprocess
import sys

# Attributes of a block device that matter here, with those of directories below it.
BLOCK = ("dev", "size", "start", "partition", "ro", "removable", "wwid", "nsid", "serial", "dm/uuid", "dm/name")
UNUSED = ("SUBSYSTEM=", "DEVPATH=", "USEC_INITIALIZED=", "PCI_", "MODALIAS=", "TAGS=", "CURRENT_TAGS=", "DISKSEQ=")
QUEUE = ("queue/logical_block_size", "queue/physical_block_size", "queue/rotational")
SCSI = ("type", "vendor", "model", "rev", "state", "wwid", "vpd_pg0", "vpd_pg80", "vpd_pg83", "vpd_pg89", "vpd_pgb1")
OTHER = {
    "sas_device": ("bay_identifier", "enclosure_identifier", "phy_identifier", "sas_address"),
    "scsi_host": ("proc_name",),
    "scsi_disk": ("protection_type", "protection_mode"),
    "enclosure": ("id", "components"),
    "pci": ("class",),
    "nvme": ("model", "serial", "firmware_rev", "subsysnqn"),
}


def read(path):
    try:
        with open(path, "rb") as file:
            return file.read(65536)
    except OSError:
        return None


def properties():
    """udev's database: sysfs path to property lines."""
    output = subprocess.run(["udevadm", "info", "--export-db"], stdout=subprocess.PIPE, check=True).stdout
    found = {}
    for block in output.decode("utf-8", "surrogateescape").split("\n\n"):
        lines = block.split("\n")
        if lines and lines[0].startswith("P: "):
            path = lines[0][3:]
            # Names from udev's hardware database are no part of the device.
            lines = [line[3:] for line in lines if line.startswith("E: ") and "_FROM_DATABASE=" not in line]
            found[path] = [line for line in lines if not line.startswith(UNUSED)]
    return found


def wanted(base, subsystem):
    """Names of the attributes to record of a device."""
    if subsystem == "block":
        names = list(BLOCK + QUEUE)
        ranges = os.path.join(base, "queue/independent_access_ranges")
        if os.path.isdir(ranges):
            for number in sorted(os.listdir(ranges)):
                base_name = "queue/independent_access_ranges/{0}/".format(number)
                names += [base_name + "sector", base_name + "nr_sectors"]
        for folder in ("holders", "slaves"):
            below = os.path.join(base, folder)
            names += [os.path.join(folder, name, "dev") for name in (os.listdir(below) if os.path.isdir(below) else ())]
        return names
    if subsystem == "scsi":
        return list(SCSI)
    names = list(OTHER.get(subsystem, ()))
    if subsystem == "enclosure":
        for slot in sorted(os.listdir(base)):
            names += [os.path.join(slot, one) for one in ("slot", "type", "status")]
    return names


def record(path, subsystem, props):
    """One device in umockdev's format."""
    base = "/sys" + path
    lines = ["P: " + path, "E: SUBSYSTEM=" + subsystem]
    if subsystem == "block":
        lines.append("N: " + os.path.basename(path))
    lines += ["E: " + line for line in props]
    for name in wanted(base, subsystem):
        value = read(os.path.join(base, name))
        if value is not None:
            lines.append("H: {0}={1}".format(name, value.hex().upper()))
    for name in pointers(base, subsystem):
        if os.path.islink(os.path.join(base, name)):
            lines.append("L: {0}={1}".format(name, os.readlink(os.path.join(base, name))))
    return "\n".join(lines) + "\n"


def pointers(base, subsystem):
    """Names of the symbolic links to record of a device."""
    if subsystem == "enclosure":
        return [os.path.join(slot, "device") for slot in sorted(os.listdir(base))]
    return {"block": ["device"], "pci": ["driver"]}.get(subsystem, [])


def devices():
    """The devices to record: all block devices, and what they hang on."""
    found = {}
    for folder, subsystem in [("/sys/class/" + name, name) for name in ("block", *OTHER) if name != "pci"] + [
        ("/sys/bus/scsi/devices", "scsi")
    ]:
        for name in sorted(os.listdir(folder)) if os.path.isdir(folder) else []:
            path = os.path.realpath(os.path.join(folder, name))[len("/sys") :]
            # Hosts and targets are on the bus too; only devices have four numbers.
            if subsystem != "scsi" or name.count(":") == 3:
                found[path] = subsystem
    for path in list(found):
        parts = path.split("/")
        for end in range(4, len(parts)):
            if parts[end - 1].count(":") == 2 and "." in parts[end - 1]:
                found["/".join(parts[:end])] = "pci"
    return found


def main():
    props = properties()
    links = {}
    for folder, _folders, files in os.walk("/dev/disk"):
        for name in files:
            link = os.path.join(folder, name)
            links[link[len("/dev/") :]] = os.readlink(link)
    json.dump(
        {
            "tree": "\n".join(record(path, kind, props.get(path, [])) for path, kind in sorted(devices().items())),
            "links": links,
            "mountinfo": read("/proc/self/mountinfo").decode("utf-8", "surrogateescape"),
            "swaps": read("/proc/swaps").decode("utf-8", "surrogateescape"),
        },
        sys.stdout,
        indent=0,
        sort_keys=True,
    )


if __name__ == "__main__":
    main()
