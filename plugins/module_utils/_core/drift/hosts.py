# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Findings on a host's settings and services, and on the names of its units. Pure."""

from __future__ import annotations

import json
import re
from typing import Any, Dict, List, Mapping, Sequence, Set, Tuple

from .. import onhost
from ..errors import CoreError
from ..host import hostid
from ..model import Drive, Finding
from ..names import DIRECTORY, parse_unit_name, udev_rules, unit_name
from ..plain import amount
from .codes import note

_LINK = re.compile(r'SYMLINK\+="disk/by-vdev/([^"$%]+?)(?:-part(?:%n|\$env\{DM_PART\}))?"')
# Of this collection's services, those that should run wherever they are enabled.
_RUNNING = ("evenkeel-health.service", "evenkeel-health-web.service", "evenkeel-drift.timer")
_IMPORTS = ("evenkeel-pool-import.service", "zfs-import-cache.service", "zfs-import-scan.service")


def read_services(text: str) -> Dict[str, Dict[str, str]]:
    """What C(systemctl show) says, by unit name: blocks of C(Key=value) with a blank line between."""
    found: Dict[str, Dict[str, str]] = {}
    for block in text.split("\n\n"):
        facts = dict(line.split("=", 1) for line in block.splitlines() if "=" in line)
        if facts.get("Id"):
            found[facts["Id"]] = facts
    return found


def service_findings(
    services: Mapping[str, Mapping[str, str]], declared: Sequence[str], health: str = ""
) -> List[Finding]:
    """Findings on services and timers: those *declared*, and this collection's where a role has set them up.

    *health* is the health service's configuration file as text.
    """
    wanted = set(declared) | {name for name in _RUNNING if _enabled(services.get(name, {}))}
    wanted |= _upkeep(services, health)
    found: List[Finding] = []
    for name in sorted(set(services) | wanted):
        found += _service(name, services.get(name, {}), name in wanted, name in declared)
    return found


def _enabled(facts: Mapping[str, str]) -> bool:
    return facts.get("UnitFileState", "").startswith("enabled")


def _there(facts: Mapping[str, str]) -> bool:
    return facts.get("LoadState", "not-found") == "loaded"


def _upkeep(services: Mapping[str, Mapping[str, str]], health: str) -> Set[str]:
    """Timers of upkeep that the health service's configuration asks for."""
    try:
        upkeep = dict(json.loads(health)["upkeep"]) if health else {}
    except (ValueError, KeyError, TypeError):
        return set()
    timers = {"evenkeel-scrub.timer": "scrub_days", "evenkeel-selftest-short.timer": "short_days",
              "evenkeel-selftest-long.timer": "long_days"}  # fmt: skip
    return {name for name, key in timers.items() if upkeep.get(key) and _there(services.get(name, {}))}


def _service(name: str, facts: Mapping[str, str], wanted: bool, declared: bool) -> List[Finding]:
    if not _there(facts):
        return [note("service_missing", facts.get("LoadState") or "missing", "runs", about=name)] if declared else []
    state = facts.get("ActiveState", "")
    if state == "failed":
        return [note("service_failed", "failed: {0}".format(facts.get("Result", "unknown")), "runs", about=name)]
    if not wanted:
        return []
    found: List[Finding] = []
    if state not in ("active", "activating", "reloading"):
        code = "timer_stopped" if name.endswith(".timer") else "service_stopped"
        found.append(note(code, state or "unknown", "active", about=name))
    if facts.get("UnitFileState", "") in ("disabled", "masked"):
        found.append(note("service_disabled", facts["UnitFileState"], "enabled", about=name))
    return found


def identity_findings(current: int, kept: int, declared: str) -> List[Finding]:
    """Findings on the host id: as OpenZFS uses it now, as the file keeps it, as declared (empty: not compared)."""
    found: List[Finding] = []
    now = hostid.spell(current) or "none"
    if declared and hostid.parse(declared) != current:
        found.append(note("hostid_differs", now, declared, about="host id"))
    if current and current != kept:
        words = "{0} in use, {1} in {2}".format(now, hostid.spell(kept) or "none", hostid.FILE)
        found.append(note("hostid_unkept", words, "the same after a boot", about="host id"))
    return found


def boot_findings(pool: str, cached: Sequence[str], services: Mapping[str, Mapping[str, str]]) -> List[Finding]:
    """Whether the next boot would import the declared, imported *pool*."""
    enabled = [name for name in _IMPORTS if _enabled(services.get(name, {}))]
    by_scan = "zfs-import-scan.service" in enabled and not cached
    if (pool in cached and set(enabled) - {"zfs-import-scan.service"}) or by_scan:
        return []
    what = "in the cache file" if pool in cached else "not in the cache file"
    there = "{0}; enabled: {1}".format(what, ", ".join(enabled) or "no import service")
    return [note("boot_import", there, "imported at boot", about="pool {0}".format(pool))]


def version_findings(tools: str, module: str, programs: Mapping[str, str], version: str) -> List[Finding]:
    """Findings on versions: OpenZFS's tools and module; the programs on the host and this collection's *version*."""
    found: List[Finding] = []
    if tools and module and _numbers(tools) != _numbers(module):
        found.append(
            note("zfs_versions_differ", "module {0}".format(module), "tools {0}".format(tools), about="OpenZFS")
        )
    for name, there in sorted(programs.items()):
        if there != version:
            found.append(
                note("program_outdated", "version {0}".format(there), "version {0}".format(version),
                     about="program {0}".format(name))
            )  # fmt: skip
    return found


def _numbers(version: str) -> str:
    match = re.search(r"[0-9]+(?:\.[0-9]+)+", version)
    return match.group(0) if match else version


def kept_findings(text: str, declared: onhost.Inventory) -> List[Finding]:
    """Whether the inventory that is kept on the host (*text*) is the *declared* one. No finding where none is kept."""
    if not text or not declared.host:
        return []
    try:
        same = onhost.to_text(onhost.from_text(text)) == onhost.to_text(declared)
        there = "another inventory"
    except CoreError as error:
        same, there = False, str(error)
    return [] if same else [note("inventory_outdated", there, "the declared inventory", about=onhost.PATH)]


def name_findings(
    drives: Sequence[Drive], names: Mapping[str, str], found: Sequence[Drive], rules: Any, aliases: Any
) -> List[Finding]:
    """Findings on the names that the host has.

    *drives* are the declared ones, completed; *names* says where each name in OpenZFS's directory points;
    *found* are the drives of the host. *rules* is the rules file's text, *aliases* that of OpenZFS's alias
    file; None where there is no such file.
    """
    findings = _leading(drives, names, found) + _stray(drives, names)
    findings += _rules(drives, rules)
    if aliases is not None and aliases.strip():
        findings.append(note("names_contested", "/etc/zfs/vdev_id.conf exists", "no such file", about=DIRECTORY))
    return findings


def _leading(drives: Sequence[Drive], names: Mapping[str, str], found: Sequence[Drive]) -> List[Finding]:
    nodes: Dict[str, Tuple[Drive, int]] = {
        node: (drive, unit.index)
        for drive in found
        for unit in drive.units
        for node in [unit.node, *(path.node for path in unit.paths if unit.unit_kind != "range")]
        if node
    }
    findings = []
    for drive in drives:
        label = drive.bay.label if drive.bay else ""
        for unit in drive.units:
            name = unit_name(label, unit.index)
            leads = names.get(name, "")
            other = nodes.get(leads)
            if other and (other[0].serial, other[1]) != (drive.serial, unit.index):
                findings.append(
                    note("name_misleads", "{0} points to {1} unit {2}".format(name, other[0].label, other[1]),
                         "{0} points to this unit".format(name), serial=drive.serial, bay=label, index=unit.index)
                )  # fmt: skip
    return findings


def _stray(drives: Sequence[Drive], names: Mapping[str, str]) -> List[Finding]:
    known = {(drive.bay.label if drive.bay else "", unit.index) for drive in drives for unit in drive.units}
    stray = sorted(name for name in names if parse_unit_name(name)[0] and parse_unit_name(name) not in known)
    whole = [name for name in stray if "-part" not in name]
    return [
        note("name_stray", "points to {0}".format(names[name]), "no such name", about="{0}/{1}".format(DIRECTORY, name))
        for name in whole
    ]


def _rules(drives: Sequence[Drive], rules: Any) -> List[Finding]:
    """There must be rules for the units whose designator is known, and no others."""
    wanted = {line for line in udev_rules(drives).splitlines() if "SYMLINK" in line}
    if not wanted:
        return []
    if rules is None:
        return [note("rules_missing", "no such file", "names for " + amount(len(drives), "drive"), about="udev rules")]
    there = {line for line in rules.splitlines() if "SYMLINK" in line}
    missing = _names_of(wanted - there)
    known = _names_of(wanted) | {unit_name(d.bay.label, unit.index) for d in drives if d.bay for unit in d.units}
    stale = _names_of(there) - known
    changed = sorted(missing | stale)
    if not changed:
        return []
    words = "different rules for {0}".format(", ".join(changed))
    return [note("rules_differ", words, "as declared", about="udev rules")]


def _names_of(lines: Set[str]) -> Set[str]:
    return {match.group(1) for match in map(_LINK.search, lines) if match}
