# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""A pool as OpenZFS reports it: a tree of nodes, read by `status_json` or `status_text`.

Numbers are integers (bytes, counts, seconds since the epoch); GUIDs are decimal strings,
since JSON readers do not hold numbers of that size exactly.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Iterator, Optional, Tuple

# The states in which a node answers reads (zpoolconcepts(7), "Device Failure and Recovery"); in others it does not.
SERVING = ("ONLINE", "DEGRADED", "INUSE", "AVAIL")
# State or kind of a node where OpenZFS reports none, or reports that it does not know.
UNKNOWN_STATE, UNKNOWN_KIND = "UNKNOWN", "unknown"
_VDEV = re.compile(r"(raidz|mirror|draid|replacing|spare|indirect)([123]?)(?::[0-9a-z:]*)?-[0-9]+")
_DISTRIBUTED = re.compile(r"draid[123]-[0-9]+-[0-9]+")
# Interior nodes that stand in for one member while it is replaced or spared.
STAND_INS = ("replacing", "spare")


def kind_of(name: str) -> Tuple[str, int]:
    """Kind and parity that a node's name spells (zpoolconcepts(7)); an empty kind for what may be a device.

    OpenZFS makes these names itself and names devices by their paths, so the two cannot be confused.
    """
    found = _VDEV.fullmatch(name)
    if found is None:
        return ("draid_spare" if is_distributed(name) else "", 0)
    kind, parity = found.groups()
    return (kind, int(parity or 1) if kind in ("raidz", "draid") else 0)


def is_distributed(name: str) -> bool:
    """Whether this is the name of a distributed spare: dRAID's parity, its vdev, the spare's number."""
    return bool(_DISTRIBUTED.fullmatch(name))


@dataclass(frozen=True)
class Node:
    """One node of a pool's tree.

    *kind*: C(raidz), C(mirror), C(draid), C(disk), C(file), C(replacing), C(spare), C(indirect),
    C(missing), C(draid_spare) (a distributed spare of a dRAID) or C(unknown). *state*: the word that
    C(zpool status) prints in its text form, whichever form was read. *parity* is the number of members that may fail
    (raidz, dRAID) or 0.
    *path* is a leaf's device as ZFS stores it. *was* is the former path of a missing leaf.
    *resilvering* is true for a leaf whose resilver is not complete, *put_off* for one whose resilver is deferred until
    another ends.
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
    resilvering: bool = False
    put_off: bool = False
    children: Tuple[Node, ...] = ()

    @property
    def is_leaf(self) -> bool:
        """Whether this is a device, not a group of them."""
        return not self.children

    @property
    def serving(self) -> bool:
        """Whether reads of this node's data succeed from it (for a stand-in: from any child)."""
        if not self.children:
            return self.state in SERVING
        # Two stand-in nodes of one name differ in their members only: JSON gives the second the first one's state.
        well = self.state != UNKNOWN_STATE if self.kind in STAND_INS else self.state in SERVING
        return well and any(child.serving for child in self.children)

    @property
    def complete(self) -> bool:
        """Whether OpenZFS reported kind and state of this node and of all below."""
        known = self.state != UNKNOWN_STATE and self.kind != UNKNOWN_KIND
        return known and all(child.complete for child in self.children)

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


def without_echo(top: Node) -> Node:
    """The top-level node with only those members marked as resilvering that are.

    A distributed spare is space on the members of its dRAID. While it resilvers, OpenZFS counts what is written for
    it at these members too and prints C((resilvering)) beside them, in text and JSON alike (2.3.9), though they hold
    all their own data.
    """
    if top.kind != "draid" or not any(leaf.kind == "draid_spare" and leaf.resilvering for leaf in top.leaves()):
        return top
    return replace(
        top,
        children=tuple(
            child if child.kind in STAND_INS else replace(child, resilvering=child.put_off) for child in top.children
        ),
    )


def unfinished(top: Node) -> Node:
    """The top-level node with everything that stands in for a member marked as resilvering: it is not complete.

    Neither text nor JSON says so of a distributed spare whose sequential resilver was canceled: C(ONLINE) (2.3.9).
    """

    def of_place(place: Node) -> Node:
        members = [
            replace(one, resilvering=position > 0 or one.kind == "draid_spare")
            for position, one in enumerate(place.children)
        ]
        return replace(place, children=tuple(members)) if place.kind in STAND_INS else place

    return replace(top, children=tuple(map(of_place, top.children)))


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
        """Whether it is running now."""
        return self.state == "scanning"

    @property
    def resilvering(self) -> bool:
        """Whether a resilver is running now."""
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

    @property
    def complete(self) -> bool:
        """Whether OpenZFS reported the state of the pool, and kind and state of every node."""
        return self.state != UNKNOWN_STATE and all(node.complete for _group, nodes in self.groups for node in nodes)

    def group(self, name: str) -> Tuple[Node, ...]:
        """The top-level nodes of one class; empty when there are none."""
        return dict(self.groups).get(name, ())
