# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Which of udev's links are a stable name of one unit, best first.

Only links made from the unit's bay and index, its own designator, or its path qualify, and only while they point to
it. A link made from a serial number never does: all units of a drive share it, so the link points to whichever of
them udev handled last.
"""

from __future__ import annotations

import os
import re
from typing import Container, Dict, FrozenSet, Iterable, List, Mapping, Set, Tuple

BAY_LINK = re.compile(r"/dev/disk/by-vdev/((?:[a-z][a-z0-9_]{0,15}-)?bay[0-9]{1,4}\.[0-9]{1,2})(?:-part[0-9]+)?")
# What `_rank` may accept begins so; other links are not worth a system call.
_CANDIDATES = (
    "/dev/disk/by-vdev/",
    "/dev/disk/by-path/",
    *("/dev/disk/by-id/" + start for start in ("wwn-0x", "nvme-", "dm-uuid-mpath-")),
)
_PART = re.compile(r"-part[0-9]+$")
_PATH_LINK = re.compile(r"/dev/disk/by-path/[A-Za-z0-9:._+-]+")


def read_links(claimed: Iterable[str]) -> Dict[str, str]:
    """Where those of *claimed* that could be a stable name point now, by link; missing links are left out."""
    found = {link: leads_to(link) for link in claimed if link.startswith(_CANDIDATES)}
    return {link: node for link, node in found.items() if node}


def stable_links(
    node: str, claimed: Iterable[str], name: str, leads: Mapping[str, str], contested: Container[str] = ()
) -> Tuple[str, ...]:
    """The links among *claimed* that name the device at *node*, best first.

    *name* is the unit's own designator (C(naa....)). *leads* says where links point, see `read_links`.
    *contested* links, which other devices claim too, do not count wherever they point at the moment.
    """
    ranked: List[Tuple[int, str]] = []
    for link in claimed:
        rank = _rank(link, name)
        if rank >= 0 and link not in contested and leads.get(link) == node:
            ranked.append((rank, link))
    return tuple(link for _place, link in sorted(ranked))


def _rank(link: str, name: str) -> int:
    """The place of a link's kind in the order of preference; -1 for one that is not a stable name."""
    if BAY_LINK.fullmatch(link):
        return 0
    if name and link.startswith("/dev/disk/by-id/"):
        spelled = _PART.sub("", link[len("/dev/disk/by-id/") :])
        if spelled in _spellings(name):
            return 1
    return 2 if _PATH_LINK.fullmatch(link) else -1


def _spellings(name: str) -> Tuple[str, ...]:
    """How udev spells a designator in by-id: the disk, a namespace, the multipath map (scsi_id's type digit)."""
    kind, _dot, digits = name.partition(".")
    scsi_id = {"naa": "3", "eui": "2"}.get(kind, "")
    return ("wwn-0x" + digits, "nvme-" + name) + (("dm-uuid-mpath-" + scsi_id + digits,) if scsi_id else ())


def leads_to(link: str) -> str:
    """The device node that a udev link points to; empty when it is not a link."""
    try:
        target = os.readlink(link)
    except OSError:
        return ""
    if link.startswith("/dev/disk/by-") and link.count("/") == 4 and target.startswith("../../"):
        plain = target[6:]
        if "/" not in plain and not plain.startswith("."):
            return "/dev/" + plain  # as udev writes them
    return os.path.normpath(os.path.join(os.path.dirname(link), target))


def claimed_twice(claims: Iterable[Iterable[str]]) -> FrozenSet[str]:
    """Links that more than one device claims; *claims* has the links of each device."""
    seen: Set[str] = set()
    twice: Set[str] = set()
    for links in claims:
        for link in links:
            (twice if link in seen else seen).add(link)
    return frozenset(twice)
