# Copyright: (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs in the guest (sent over SSH, standard library only): what its kernel sees, told as JSON.

This is the lab's own view of the truth, made from sysfs alone, and shares no code with the
collection. Requests come as JSON in the first argument:
  {"do": "units"}                          all SCSI disks
  {"do": "delete", "where": [[pci, target, lun], ...]}   forget devices
  {"do": "scan", "pci": [...], "expect": [[pci, target, lun], ...], "seconds": n}
A target is the SCSI target; behind a SAS adapter it is the phy.
"""

import glob
import json
import os
import re
import sys
import time


def text(path):
    try:
        with open(path, "rb") as handle:
            return handle.read().decode("utf-8", "replace").strip()
    except OSError:
        return None


def raw(path):
    try:
        with open(path, "rb") as handle:
            return handle.read().hex()
    except OSError:
        return None


def describe(folder):
    """One SCSI device: its identity pages as hexadecimal, and where it sits."""
    real = os.path.realpath(folder)
    hctl = os.path.basename(real)
    _host, _channel, target, lun = hctl.split(":")
    pci = re.findall(r"[0-9a-f]{4}:[0-9a-f]{2}:[0-9a-f]{2}\.[0-9a-f]", real)
    phy = None
    end = re.search(r"/(end_device-[0-9:]+)/", real)
    if end:
        phy = text("/sys/class/sas_device/%s/phy_identifier" % end.group(1))
    blocks = glob.glob(real + "/block/*")
    block = os.path.basename(blocks[0]) if blocks else None
    return {
        "hctl": hctl,
        "pci": pci[-1] if pci else None,
        "target": int(target if phy is None else phy),
        "lun": int(lun),
        "block": block,
        "bytes": int(text(blocks[0] + "/size")) * 512 if blocks else None,
        "vendor": text(real + "/vendor"),
        "model": text(real + "/model"),
        "revision": text(real + "/rev"),
        "state": text(real + "/state"),
        "wwid": text(real + "/wwid"),
        "vpd80": raw(real + "/vpd_pg80"),
        "vpd83": raw(real + "/vpd_pg83"),
        "links": links(block) if block else [],
    }


def links(block):
    major_minor = text("/sys/block/%s/dev" % block)
    data = text("/run/udev/data/b%s" % major_minor) or ""
    return sorted("/dev/" + line[2:] for line in data.splitlines() if line.startswith("S:"))


def units():
    found = [describe(path + "/device") for path in glob.glob("/sys/class/scsi_disk/*")]
    return sorted(found, key=lambda one: (one["pci"] or "", one["target"], one["lun"]))


def place(unit):
    return [unit["pci"], unit["target"], unit["lun"]]


def delete(where):
    """Forgets devices; those that hang in an error cannot be closed in order, which is no matter."""
    gone = [unit for unit in units() if place(unit) in where]
    for unit in gone:
        try:
            with open("/sys/class/scsi_device/%s/device/delete" % unit["hctl"], "w") as handle:
                handle.write("1")
        except OSError:
            pass
    return gone


def hosts(pci):
    found = []
    for path in glob.glob("/sys/class/scsi_host/host*"):
        if "/%s/" % pci in os.path.realpath(path):
            found.append(path)
    return found


def scan(pci, expect, seconds):
    """Scans adapters until the expected devices have block nodes; returns those still missing."""
    deadline = time.monotonic() + seconds
    while True:
        for address in pci:
            for host in hosts(address):
                with open(host + "/scan", "w") as handle:
                    handle.write("- - -")
        there = [place(unit) for unit in units() if unit["block"]]
        missing = [one for one in expect if one not in there]
        if not missing or time.monotonic() > deadline:
            return missing
        time.sleep(0.5)


def main(request):
    do = request.pop("do")
    return {"units": units, "delete": delete, "scan": scan}[do](**request)


if __name__ == "__main__":
    json.dump(main(json.loads(sys.argv[1])), sys.stdout)
