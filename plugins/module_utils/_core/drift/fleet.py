# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""What differs between servers of one class, and what no server can see alone. Pure."""

from __future__ import annotations

from collections import Counter
from typing import Dict, List, Mapping, Sequence, Tuple

from ..model import Finding
from ..record import HostRecord
from .codes import note

IDENTITY = ("class", "hostid", "pool.guid")
"""Settings that identify a server: not compared as the others are."""
LEAST = 2


def fleet_findings(records: Sequence[HostRecord]) -> Dict[str, List[Finding]]:
    """Findings by host, from comparing the records of all hosts; hosts without one are left out."""
    found: Dict[str, List[Finding]] = {}
    for host, one in [*_differences(records), *between(records)]:
        found.setdefault(host, []).append(one)
    return found


def between(records: Sequence[HostRecord]) -> List[Tuple[str, Finding]]:
    """What no server can see alone, by host; reads the fields C(settings), C(drives) and C(declared)."""
    return [*_shared(records), *_elsewhere(records)]


def classes(records: Sequence[HostRecord]) -> Dict[str, List[HostRecord]]:
    """The records by class, which is the setting C(class)."""
    found: Dict[str, List[HostRecord]] = {}
    for one in records:
        found.setdefault(one.settings.get("class", ""), []).append(one)
    return found


def _differences(records: Sequence[HostRecord]) -> List[Tuple[str, Finding]]:
    return [pair for alike in classes(records).values() if len(alike) >= LEAST for pair in _compare(alike)]


def _compare(alike: Sequence[HostRecord]) -> List[Tuple[str, Finding]]:
    found = []
    for setting in sorted({name for one in alike for name in one.settings} - set(IDENTITY)):
        values = {one.host: one.settings.get(setting, "") for one in alike}
        if len(set(values.values())) == 1:
            continue
        counts = Counter(values.values())
        most = max(counts.values())
        usual = [value for value, count in counts.items() if count == most]
        for host, value in sorted(values.items()):
            if len(usual) > 1 or value != usual[0]:
                declared = _others(values, host, usual)
                found.append((host, note("fleet_differs", value or "none", declared, about=setting)))
    return found


def _others(values: Mapping[str, str], host: str, usual: Sequence[str]) -> str:
    """What the other servers have, for people."""
    if len(usual) == 1:
        count = sum(1 for value in values.values() if value == usual[0])
        return "{0}, as on {1} of {2} servers of the class".format(usual[0] or "none", count, len(values))
    others = Counter(value for name, value in values.items() if value != values[host])
    return ", ".join("{0} on {1}".format(value or "none", count) for value, count in sorted(others.items()))


def _shared(records: Sequence[HostRecord]) -> List[Tuple[str, Finding]]:
    found = []
    for setting, code in (("hostid", "hostid_shared"), ("pool.guid", "pool_shared")):
        owners: Dict[str, List[str]] = {}
        for one in records:
            if one.settings.get(setting):
                owners.setdefault(one.settings[setting], []).append(one.host)
        for value, hosts in owners.items():
            for host in hosts if len(hosts) > 1 else ():
                others = ", ".join(sorted(set(hosts) - {host}))
                about = "host id" if setting == "hostid" else "pool GUID {0}".format(value)
                found.append((host, note(code, "{0}, also on {1}".format(value, others), "on one server", about=about)))
    return found


def _elsewhere(records: Sequence[HostRecord]) -> List[Tuple[str, Finding]]:
    where: Dict[str, List[Tuple[str, str]]] = {}
    for one in records:
        for drive in one.drives:
            if drive.get("serial"):
                where.setdefault(str(drive["serial"]), []).append((one.host, _bay(drive)))
    found = []
    for one in records:
        here = {str(drive.get("serial", "")) for drive in one.drives}
        for bay, entry in one.declared.items():
            serial = str(entry.get("serial", ""))
            if serial not in here and serial in where:
                host, place = where[serial][0]
                there = "in {0} of {1}".format(place or "an unknown bay", host)
                found.append((one.host, note("drive_elsewhere", there, str(bay), serial=serial, bay=str(bay))))
    return found


def _bay(drive: Mapping[str, object]) -> str:
    bay = drive.get("bay")
    if not isinstance(bay, Mapping):
        return str(bay or "")
    name = "bay{0:02d}".format(int(str(bay.get("slot", 0))))
    return "{0}-{1}".format(bay["enclosure"], name) if bay.get("enclosure") else name
