# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""A pool as OpenZFS reports it: a tree of nodes, read by `status_json` or `status_text`.

Numbers are integers (bytes, counts, seconds since the epoch); GUIDs are decimal strings,
since they exceed what JSON readers hold exactly.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Iterator, Optional, Tuple

# States in which a leaf answers reads (zpoolconcepts(7), "Device Failure and Recovery").
SERVING = ("ONLINE", "DEGRADED", "INUSE", "AVAIL")
# Interior nodes that stand in for one member while it is replaced or spared.
STAND_INS = ("replacing", "spare")


@dataclass(frozen=True)
class Node:
    """One node of a pool's tree.

    *kind*: C(raidz), C(mirror), C(draid), C(disk), C(file), C(replacing), C(spare), C(indirect)
    or C(missing). *parity* is the number of members that may fail (raidz, dRAID) or 0.
    *path* is a leaf's device as ZFS stores it. *was* is the former path of an absent leaf.
    *filling* is true for a leaf that a resilver has not completed yet, *put_off* for one that waits for another
    resilver to end before its own begins.
    """

    name: str
    kind: str
    state: str
    guid: str = ""
    path: str = ""
    parity: int = 0
    read_errors: int = 0
    write_errors: int = 0
    checksum_errors: int = 0
    was: str = ""
    note: str = ""
    phys_path: str = ""
    filling: bool = False
    put_off: bool = False
    children: Tuple[Node, ...] = ()

    @property
    def is_leaf(self) -> bool:
        """Whether this is a device, not a group of them."""
        return not self.children

    @property
    def serving(self) -> bool:
        """Whether reads of this node's data succeed from it (for a stand-in: from any child)."""
        if self.children:
            return any(child.serving for child in self.children)
        return self.state in SERVING

    def leaves(self) -> Iterator[Node]:
        """The devices below (or the node itself), in order."""
        if not self.children:
            yield self
        for child in self.children:
            yield from child.leaves()

    @property
    def redundancy(self) -> int:
        """How many members of this top-level vdev may fail."""
        return len(self.children) - 1 if self.kind == "mirror" else self.parity


@dataclass(frozen=True)
class Scan:
    """The last or running scrub or resilver. *function*: C(scrub), C(resilver) or C(none)."""

    function: str = "none"
    state: str = "none"
    started: int = 0
    ended: int = 0
    examined: int = 0
    issued: int = 0
    total: int = 0
    errors: int = 0
    text: str = ""

    @property
    def running(self) -> bool:
        """Whether it is at work now."""
        return self.state == "scanning"

    @property
    def resilvering(self) -> bool:
        """Whether a resilver is at work now."""
        return self.running and self.function == "resilver"


@dataclass(frozen=True)
class PoolTree:
    """One imported pool.

    *state* is the pool's own state; a SUSPENDED pool may still list its leaves as ONLINE.
    *groups* pairs a class (C(data), C(special), C(dedup), C(logs), C(cache), C(spares)) with its
    top-level nodes.
    """

    name: str
    guid: str
    state: str
    groups: Tuple[Tuple[str, Tuple[Node, ...]], ...]
    status: str = ""
    action: str = ""
    msgid: str = ""
    errors: int = 0
    scan: Optional[Scan] = None

    def group(self, name: str) -> Tuple[Node, ...]:
        """The top-level nodes of one class; empty when there are none."""
        return dict(self.groups).get(name, ())
