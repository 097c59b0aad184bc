# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs in the guest (sent over SSH, standard library only): what its kernel sees, told as JSON.

This is the lab's own view of the truth, made from sysfs alone, and shares no code with the
collection. Requests come as JSON in the first argument:
  {"do": "units"}                          all SCSI disks
  {"do": "delete", "where": [[pci, target, lun], ...]}   forget devices
  {"do": "scan", "pci": [...], "expect": [[pci, target, lun], ...], "seconds": n}
A target is the SCSI target; behind a SAS adapter it is the phy.
"""

from __future__ import annotations

import contextlib
import glob
import json
import os
import re
import subprocess
import sys
import time
from typing import Any

Unit = dict[str, Any]
Place = list[Any]


def text(path: str) -> str | None:
    try:
        with open(path, "rb") as handle:
            return handle.read().decode("utf-8", "replace").strip()
    except OSError:
        return None


def raw(path: str) -> str | None:
    try:
        with open(path, "rb") as handle:
            return handle.read().hex()
    except OSError:
        return None


def describe(folder: str) -> Unit:
    """One SCSI device: its identity pages as hexadecimal, and where it sits."""
    real = os.path.realpath(folder)
    hctl = os.path.basename(real)
    _host, _channel, target, lun = hctl.split(":")
    pci = re.findall(r"[0-9a-f]{4}:[0-9a-f]{2}:[0-9a-f]{2}\.[0-9a-f]", real)
    phy = None
    end = re.search(r"/(end_device-[0-9:]+)/", real)
    if end:
        phy = text(f"/sys/class/sas_device/{end.group(1)}/phy_identifier")
    blocks = glob.glob(real + "/block/*")
    block = os.path.basename(blocks[0]) if blocks else None
    return {
        "hctl": hctl,
        "pci": pci[-1] if pci else None,
        "target": int(target if phy is None else phy),
        "lun": int(lun),
        "block": block,
        "bytes": int(text(blocks[0] + "/size") or 0) * 512 if blocks else None,
        "vendor": text(real + "/vendor"),
        "model": text(real + "/model"),
        "firmware": text(real + "/rev"),
        "state": text(real + "/state"),
        "wwid": text(real + "/wwid"),
        "vpd80": raw(real + "/vpd_pg80"),
        "vpd83": raw(real + "/vpd_pg83"),
        "links": links(block) if block else [],
    }


def links(block: str) -> list[str]:
    major_minor = text(f"/sys/block/{block}/dev")
    data = text(f"/run/udev/data/b{major_minor}") or ""
    return sorted("/dev/" + line[2:] for line in data.splitlines() if line.startswith("S:"))


def units() -> list[Unit]:
    found = [describe(path + "/device") for path in glob.glob("/sys/class/scsi_disk/*")]
    return sorted(found, key=lambda one: (one["pci"] or "", one["target"], one["lun"]))


def place(unit: Unit) -> Place:
    return [unit["pci"], unit["target"], unit["lun"]]


def delete(where: list[Place]) -> list[Unit]:
    """Forgets devices; those that hang in an error cannot be closed in order, which is no matter."""
    gone = [unit for unit in units() if place(unit) in where]
    for unit in gone:
        with (
            contextlib.suppress(OSError),
            open(f"/sys/class/scsi_device/{unit['hctl']}/device/delete", "w") as handle,
        ):
            handle.write("1")
    return gone


def hosts(pci: str) -> list[str]:
    found = []
    for path in glob.glob("/sys/class/scsi_host/host*"):
        if f"/{pci}/" in os.path.realpath(path):
            found.append(path)
    return found


def known_phys(host: str) -> list[int]:
    """The phys on which a SAS adapter's driver has ever seen a drive since it started."""
    number = os.path.basename(host).removeprefix("host")
    ends = glob.glob(f"/sys/class/sas_device/end_device-{number}:*/phy_identifier")
    return [int(text(end) or -1) for end in ends]


def rediscover(pci: str) -> None:
    """Has the SAS adapter's driver look at all phys: a scan alone skips those that were empty."""
    here = [unit["hctl"] for unit in units() if unit["pci"] == pci and unit["state"] == "running"]
    if here:
        generic = os.listdir(f"/sys/class/scsi_device/{here[-1]}/device/scsi_generic")[0]
        subprocess.run(["sg_reset", "--host", f"/dev/{generic}"], check=False, capture_output=True)
        return
    driver = os.path.realpath(f"/sys/bus/pci/devices/{pci}/driver")
    for step in ("unbind", "bind"):
        with open(f"{driver}/{step}", "w") as handle:
            handle.write(pci)


def scan(pci: list[str], expect: list[Place], seconds: float) -> list[Place]:
    """Scans adapters until the expected devices have block nodes; returns those still missing."""
    for address in pci:
        for host in hosts(address):
            wanted = {place[1] for place in expect if place[0] == address}
            if os.path.exists(f"/sys/class/sas_host/{os.path.basename(host)}") and wanted - set(known_phys(host)):
                rediscover(address)
    deadline = time.monotonic() + seconds
    while True:
        for address in pci:
            for host in hosts(address):
                with contextlib.suppress(OSError), open(host + "/scan", "w") as handle:
                    handle.write("- - -")
        there = [place(unit) for unit in units() if unit["block"]]
        missing = [one for one in expect if one not in there]
        if not missing or time.monotonic() > deadline:
            return missing
        time.sleep(0.5)


def main(request: dict[str, Any]) -> object:
    do = request.pop("do")
    if do == "delete":
        return delete(**request)
    return scan(**request) if do == "scan" else units()


if __name__ == "__main__":
    json.dump(main(json.loads(sys.argv[1])), sys.stdout)
