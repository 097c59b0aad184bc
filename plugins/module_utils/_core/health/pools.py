# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Reads pools for the metrics: state, members, margins, space, scans.

OpenZFS's tools take a lock that a stuck pool may hold for ever. The kernel's own counters do not:
C(/proc/spl/kstat/zfs/<pool>/state) shows SUSPENDED while C(zpool status) hangs (module/zfs/spa_stats.c).
"""

from __future__ import annotations

import re
import time
from typing import Dict, List, Mapping, Optional, Pattern, Sequence, Tuple

from ..declared import DeclaredDrive
from ..host.links import nodes_of
from ..host.run import Runner, checked
from ..host.sysfs import names_in, read_text
from ..identity.text import clean_text
from ..model import Drive
from ..zfs.pools import read_pools
from ..zfs.report import holding
from ..zfs.report import margins as margins_of
from ..zfs.resolve import Index, Pool, PoolVdev, paths_in, resolve
from ..zfs.tree import PoolTree, Scan
from .snapshot import PoolReading, ScanReading, Space

KSTAT = "/proc/spl/kstat/zfs"
SPACE_ARGV = ("zpool", "list", "-v", "-H", "-p")
# Columns: name, size, alloc, free, ckpoint, expandsz, frag, cap, dedup, health, altroot. With -o the
# columns of a pool change and those of its vdevs do not (OpenZFS 2.3.9), so the default is taken.
_COLUMNS, _FRAGMENTATION = 8, 6

_PERCENT = re.compile(r"([0-9]+(?:\.[0-9]+)?)% done")
# ctime(3), as print_scan_status of OpenZFS 2.1 writes it.
_TIME = r"[A-Z][a-z]{2} ([A-Z][a-z]{2} +[0-9]+ [0-9:]{8} [0-9]{4})"
_STARTED, _ENDED = re.compile(r" (?:in progress since|started on) " + _TIME), re.compile(r" on " + _TIME)


def read_states(root: str = KSTAT) -> Dict[str, str]:
    """Pool name to state, in lower case, from the kernel's counters; takes no lock of a pool."""
    found = {name: read_text("{0}/{1}/state".format(root, name)) for name in names_in(root)}
    return {clean_text(name): clean_text(state).lower() for name, state in found.items() if state}


def read(runner: Runner, drives: Sequence[Drive], declared: Sequence[DeclaredDrive]) -> Tuple[PoolReading, ...]:
    """All imported pools, resolved to *drives*. May hang when a pool hangs; raises CoreError."""
    trees = read_pools(runner)
    if not trees:
        return ()
    space = parse_space(checked(runner, SPACE_ARGV))
    index = Index(drives, declared, nodes_of(paths_in(trees)))
    return tuple(reading(tree, resolve(tree, index), space.get(tree.name, {})) for tree in trees)


def reading(tree: PoolTree, pool: Pool, space: Mapping[str, Space]) -> PoolReading:
    """The reading of a resolved pool; *space* is by vdev name, the pool's own under an empty name."""
    margins = margins_of(pool)
    scan = read_scan(tree.scan or Scan())
    return PoolReading(
        pool=pool,
        margin=margins.pool,
        vdev_margins=dict(zip([vdev.name for vdev in holding(pool)], margins.vdevs)),
        drive_margins=dict(margins.drives),
        # In a chassis with one enclosure, bays do not name it.
        enclosure_margins={name: margin for name, margin in margins.enclosures.items() if name},
        siblings={vdev.name: _siblings(vdev) for vdev in pool.vdevs},
        space=space.get("", Space()),
        vdev_space={vdev.name: space[vdev.name] for vdev in pool.vdevs if vdev.name in space},
        scan=scan,
        last_scrub=scan.ended if scan.function == "scrub" and (tree.scan or Scan()).state == "finished" else None,
    )


def _siblings(vdev: PoolVdev) -> int:
    """How many drives have more than one unit in the vdev. Units that share a place are not counted twice."""
    places: Dict[str, set[Tuple[int, int]]] = {}
    for number, slot in enumerate(vdev.slots):
        for member in slot.members:
            if member.serial:
                places.setdefault(member.serial, set()).add((number, member.index))
    return sum(
        1
        for found in places.values()
        if len({number for number, _index in found}) > 1 and len({index for _number, index in found}) > 1
    )


def read_scan(scan: Scan) -> ScanReading:
    """Progress and times of a scan, from numbers (OpenZFS 2.3) or from its text (before)."""
    progress: Optional[float] = None
    percent = _PERCENT.search(scan.text)
    if scan.running:
        if scan.total:
            progress = min(scan.issued / scan.total, 1.0)
        elif percent:
            progress = min(float(percent.group(1)) / 100.0, 1.0)
    return ScanReading(
        function=clean_text(scan.function),
        running=scan.running,
        progress=progress,
        started=scan.started or _text_time(_STARTED, scan.text),
        ended=scan.ended or _text_time(_ENDED, scan.text) if scan.state in ("finished", "canceled") else None,
        errors=scan.errors,
    )


def _text_time(where: Pattern[str], text: str) -> Optional[int]:
    """A moment in a scan's text, which is in the host's own time zone, as this process reads it."""
    match = where.search(text)
    if match is None:
        return None
    try:
        return int(time.mktime(time.strptime(" ".join(match.group(1).split()), "%b %d %H:%M:%S %Y")))
    except (ValueError, OverflowError):
        return None


def parse_space(text: str) -> Dict[str, Dict[str, Space]]:
    """Bytes by pool and vdev from C(zpool list -v -H -p): rows of a pool's vdevs and devices begin with a tab.

    The pool's own are under an empty name. Numbers that OpenZFS does not report (C(-)) are 0.
    """
    found: Dict[str, Dict[str, Space]] = {}
    current: Dict[str, Space] = {}
    for line in text.splitlines():
        words: List[str] = line.lstrip("\t").split("\t")
        if len(words) < _COLUMNS:
            continue
        size, allocated, free = (int(word) if word.isdigit() else 0 for word in words[1:4])
        space = Space(size, allocated, free, _share(words[_FRAGMENTATION]))
        if line.startswith("\t"):
            current.setdefault(words[0], space)
        else:
            current = found.setdefault(words[0], {})
            current[""] = space
    return found


def _share(word: str) -> Optional[float]:
    digits = word.rstrip("%")
    return int(digits) / 100.0 if digits.isdigit() else None
