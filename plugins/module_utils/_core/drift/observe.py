# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Reads from a host everything that a drift run needs, as plain data; it compares nothing.

The comparison may happen elsewhere: the controller compares a hundred hosts with the library loaded once. For the
same reason this part imports little. It runs one command each for the versions, states and properties of all pools,
and one for all services; none for a single unit.
"""

from __future__ import annotations

import os
import re
import time
import zipfile
from typing import Any, Dict, Iterable, List, Sequence

from ..errors import CoreError
from ..host import hostid
from ..host.links import nodes_of
from ..host.run import Result, Runner
from ..host.sight import see
from ..host.stable import leads_to
from ..host.sysfs import names_in, read_text
from ..plain import to_plain
from ..zfs import status_json

VERSION_ARGV = ("zpool", "version")
JSON_ARGV = status_json.ARGV
TEXT_ARGVS = (
    ("zpool", "status", "-P", "-p"),
    ("zpool", "status", "-g", "-p"),
    ("zpool", "list", "-H", "-p", "-o", "name,guid"),
)
POOL_ARGV = ("zpool", "get", "-H", "-p", "-o", "name,property,value", "all")
ROOT_ARGV = ("zfs", "get", "-H", "-p", "-d", "0", "-o", "name,property,value")
SERVICE_ARGV = (
    "systemctl",
    "show",
    "--no-pager",
    "--property=Id,LoadState,ActiveState,UnitFileState,Result",
)

# The root dataset is created with its pool: "creation" gives the pool's age.
ROOT_PROPERTIES = ("acltype", "atime", "compression", "creation", "dnodesize", "encryption", "recordsize", "xattr")

KSTAT = "/proc/spl/kstat/zfs"
UNITS_DIRECTORY = "/dev/disk/by-vdev"
STATE_FILE = "/var/lib/evenkeel/split_actuator/drift.json"
FILES = {
    "rules": "/etc/udev/rules.d/70-evenkeel-units.rules",
    "inventory": "/etc/evenkeel/split_actuator/inventory.json",
    "health": "/etc/evenkeel/split_actuator/health.json",
    "scrubs": "/var/lib/evenkeel/health/scrubs.json",
    "aliases": "/etc/zfs/vdev_id.conf",
    "trial": "/var/lib/evenkeel/split_actuator/trial.json",
    "state": STATE_FILE,
}
CACHE_FILE = "/etc/zfs/zpool.cache"
PROGRAMS = {"health": "/usr/local/lib/evenkeel/health.pyz", "drift": "/usr/local/lib/evenkeel/drift.pyz"}
SERVICES = (
    "evenkeel-health.service",
    "evenkeel-health-web.service",
    "evenkeel-scrub.timer",
    "evenkeel-selftest-short.timer",
    "evenkeel-selftest-long.timer",
    "evenkeel-drift.timer",
    "evenkeel-pool-import.service",
    "zfs-import-cache.service",
    "zfs-import-scan.service",
    "smartmontools.service",
)
MOST_BYTES = 4 << 20

_GENERATION = re.compile(r"zfs-([0-9]+)\.([0-9]+)")
_PATH = re.compile(r"/dev/[A-Za-z0-9_./:+@=-]+")
_VERSION = re.compile(rb'^VERSION = "([0-9A-Za-z.+-]{1,40})"$', re.MULTILINE)


class Commands:
    """Runs commands and keeps their answers, for `Replay`."""

    def __init__(self, runner: Runner) -> None:
        self._runner = runner
        self.answers: List[Dict[str, Any]] = []

    def __call__(self, argv: Sequence[str]) -> Result:
        """The answer; a program that is not installed answers 127 as in a shell."""
        try:
            result = self._runner(argv)
        except CoreError as error:
            result = Result(127, "", str(error))
        self.answers.append({"argv": list(argv), "rc": result.rc, "out": result.stdout, "err": result.stderr})
        return result


def observe(
    runner: Runner, services: Sequence[str] = (), root_properties: Sequence[str] = (), pools: bool = True
) -> Dict[str, Any]:
    """Everything that a drift run needs from this host. Raises MissingLibraryError without pyudev, HostError without
    sysfs.

    *services* are read in addition to the known ones, *root_properties* in addition to the usual properties of the
    pools' root datasets. Without *pools* no command is started.
    """
    commands = Commands(runner)
    states = {name: read_text("{0}/{1}/state".format(KSTAT, name)) for name in names_in(KSTAT)}
    states = {name: state for name, state in states.items() if state}
    suspended = "SUSPENDED" in states.values()
    if pools:
        if os.path.exists("/sys/module/zfs") and not suspended:
            _ask_pools(commands, sorted(states), sorted({*ROOT_PROPERTIES, *root_properties}))
        commands((*SERVICE_ARGV, *dict.fromkeys((*SERVICES, *services))))
    return {
        "at": time.time(),
        "uid": os.geteuid(),
        "sight": to_plain(see()),
        "names": _names(),
        "nodes": _nodes(one["out"] for one in commands.answers if one["argv"][:2] == ["zpool", "status"]),
        "states": states,
        "zfs": os.path.exists("/sys/module/zfs"),
        "commands": commands.answers,
        "files": {name: _text(path) for name, path in FILES.items() if os.path.exists(path)},
        "cache": _cached(sorted(states)),
        "programs": {name: program_version(path) for name, path in PROGRAMS.items() if os.path.exists(path)},
        "hostid": hostid.current(),
        "hostid_kept": hostid.in_file(),
        "kernel": os.uname().release,
        "system": _system(),
        "module": read_text("/sys/module/zfs/version"),
    }


def _ask_pools(commands: Commands, pools: Sequence[str], root_properties: Sequence[str]) -> None:
    version = _GENERATION.search(commands(VERSION_ARGV).stdout)
    if version is None:
        return
    if (int(version.group(1)), int(version.group(2))) >= (2, 3):
        answer = commands(JSON_ARGV)
        as_text = answer.rc == 0 and not status_json.fit(answer.stdout)
    else:
        as_text = True
    for argv in TEXT_ARGVS if as_text else ():
        commands(argv)
    if pools:
        commands(POOL_ARGV)
        commands((*ROOT_ARGV, ",".join(root_properties), *pools))


def _names() -> Dict[str, str]:
    links = {name: leads_to("{0}/{1}".format(UNITS_DIRECTORY, name)) for name in names_in(UNITS_DIRECTORY)}
    return {name: node for name, node in links.items() if node}


def _nodes(outputs: Iterable[str]) -> Dict[str, str]:
    """Every device path in the output of C(zpool status), and the node that it points to now."""
    return nodes_of({path for text in outputs for path in _PATH.findall(text)})


def _text(path: str) -> str:
    try:
        with open(path, encoding="utf-8", errors="replace") as file:
            return file.read(MOST_BYTES)
    except OSError:
        return ""


def _cached(pools: Sequence[str]) -> List[str]:
    """The pools that the cache file names."""
    try:
        with open(CACHE_FILE, "rb") as file:
            content = file.read(MOST_BYTES)
    except OSError:
        return []
    return [name for name in pools if name.encode() + b"\0" in content]


def program_version(path: str) -> str:
    """The version of a program that was packed from this collection; C(unknown) when it has none."""
    try:
        with zipfile.ZipFile(path) as archive:
            for name in archive.namelist():
                match = _VERSION.search(archive.read(name)) if name.endswith("/_core/version.py") else None
                if match:
                    return match.group(1).decode("ascii")
    except (OSError, zipfile.BadZipFile, KeyError, ValueError):
        pass
    return "unknown"


def _system() -> str:
    """The release of the operating system, as os-release(5) has it."""
    for line in _text("/etc/os-release").splitlines():
        key, _equals, value = line.partition("=")
        if key == "PRETTY_NAME":
            return value.strip('"')
    return "unknown"
