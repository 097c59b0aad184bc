# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Every member of a pool traced to a drive, bay and unit index. Pure.

A member is identified, in this order, by the device that its path leads to now, by the WWN in its path,
and by the unit name in its path. The last two also identify members whose drive is missing, through the
declared inventory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Dict, Iterator, List, Mapping, Optional, Sequence, Tuple

from ..declared import DeclaredDrive
from ..model import Drive
from ..names import parse_unit_name
from .tree import STAND_INS, Node, PoolTree, Scan, is_distributed

_WWN_LINK = re.compile(r"(?:wwn-0x|nvme-eui\.)([0-9a-f]{16,32})(?:-part([0-9]+))?")
_PARTITION = re.compile(r"(.*?[0-9])p[0-9]+|(/dev/[a-z]+)[0-9]+")


@dataclass(frozen=True)
class PoolMember:
    """One device of a pool. *serial* is empty and *index* -1 where the unit is unknown.

    *role*: C(member), C(incoming) (resilvering), C(outgoing) (being replaced) or C(spare).
    *serving* says whether it holds its data and answers, *put_off* whether its resilver is deferred until another ends.
    """

    name: str
    path: str
    guid: str
    state: str
    serving: bool
    serial: str = ""
    bay: str = ""
    index: int = -1
    enclosure: str = ""
    wwn: str = ""
    role: str = "member"
    read_errors: int = 0
    write_errors: int = 0
    checksum_errors: int = 0
    put_off: bool = False

    @property
    def distributed(self) -> bool:
        """Whether this is a distributed spare of a dRAID: space on its members, not a device, and part of the vdev."""
        return is_distributed(self.name)


@dataclass(frozen=True)
class PoolSlot:
    """One place in a vdev: usually one device; while it is replaced or spared, several."""

    serving: bool
    members: Tuple[PoolMember, ...]


@dataclass(frozen=True)
class PoolVdev:
    """A top-level vdev with its places. *redundancy* is how many may fail when all serve."""

    name: str
    kind: str
    group: str
    state: str
    redundancy: int
    slots: Tuple[PoolSlot, ...]

    @property
    def lost(self) -> int:
        """How many places do not serve now."""
        return sum(1 for slot in self.slots if not slot.serving)

    @property
    def members(self) -> Tuple[PoolMember, ...]:
        """All devices of all places, in order."""
        return tuple(member for slot in self.slots for member in slot.members)


@dataclass(frozen=True)
class Pool:
    """An imported pool, resolved. Access to the data of a *suspended* pool hangs.

    *scan* is the last scrub or resilver, or the one that runs now.
    """

    name: str
    guid: str
    state: str
    suspended: bool
    vdevs: Tuple[PoolVdev, ...]
    spares: Tuple[PoolMember, ...] = ()
    status: str = ""
    action: str = ""
    msgid: str = ""
    errors: int = 0
    scan: Scan = field(default_factory=Scan)


class Index:
    """Looks up units by device node, WWN and unit name.

    *node_of* maps member paths to the device nodes they lead to now (absent: not there).
    """

    def __init__(self, drives: Sequence[Drive], declared: Sequence[DeclaredDrive], node_of: Mapping[str, str]) -> None:
        self._node_of = node_of
        self._by_node: Dict[str, Tuple[str, int]] = {}
        # By WWN and partition number: 0 for a unit that is a whole logical unit, else a range's, from 1.
        self._by_wwn: Dict[Tuple[str, int], Tuple[str, int]] = {}
        self._by_name: Dict[Tuple[str, int], Tuple[str, int]] = {}
        self._bays: Dict[str, str] = {}
        self._wwns: Dict[Tuple[str, int], str] = {}
        for wanted in declared:
            self._add_declared(wanted)
        for drive in drives:
            self._add_found(drive)

    def _add_declared(self, drive: DeclaredDrive) -> None:
        self._bays[drive.serial] = drive.bay
        for index in range(drive.unit_count):
            self._by_name[(drive.bay, index)] = (drive.serial, index)
        for index, wwn in enumerate(drive.wwns):
            part = index + 1 if drive.wwns.count(wwn) > 1 else 0
            self._by_wwn[(_digits(wwn), part)] = (drive.serial, index)
            self._wwns[(drive.serial, index)] = wwn

    def _add_found(self, drive: Drive) -> None:
        label = drive.bay.label if drive.bay is not None else ""
        if label:
            self._bays[drive.serial] = label
        for unit in drive.units:
            key = (drive.serial, unit.index)
            # The disk under a range is not a unit: other ranges are on it too.
            nodes = [unit.node] + [path.node for path in unit.paths if unit.unit_kind != "range"]
            self._by_node.update({node: key for node in nodes if node})
            if unit.wwn:
                self._by_wwn[(_digits(unit.wwn), unit.index + 1 if unit.unit_kind == "range" else 0)] = key
                self._wwns[key] = unit.wwn
            if label:
                self._by_name.setdefault((label, unit.index), key)

    def find(self, path: str) -> Optional[Tuple[str, int]]:
        """Serial and unit index of the unit that *path* means, or None."""
        node = self._node_of.get(path, "")
        for candidate in (node, whole_device(node)):
            if candidate and candidate in self._by_node:
                return self._by_node[candidate]
        match = _WWN_LINK.fullmatch(path.rsplit("/", 1)[-1])
        if match:
            digits, part = match.group(1), int(match.group(2) or 0)
            for number in (0, part):
                if (digits, number) in self._by_wwn:
                    return self._by_wwn[(digits, number)]
        return self._by_name.get(parse_unit_name(path))

    def wwn(self, path: str, key: Optional[Tuple[str, int]]) -> str:
        """The WWN of the unit that *key* names; when its drive is missing, as far as *path* has it."""
        match = _WWN_LINK.fullmatch(path.rsplit("/", 1)[-1])
        spelled = ("eui." if "/nvme-" in path else "naa.") + match.group(1) if match else ""
        return self._wwns.get(key, spelled) if key else spelled

    def bay(self, serial: str) -> str:
        """The bay label of a drive, found or declared; empty when unknown."""
        return self._bays.get(serial, "")


def _digits(wwn: str) -> str:
    return wwn.split(".", 1)[-1]


def whole_device(node: str) -> str:
    """The disk of a partition node: C(/dev/sda1) to C(/dev/sda); other nodes unchanged."""
    match = _PARTITION.fullmatch(node)
    return (match.group(1) or match.group(2)) if match else node


def paths_in(trees: Sequence[PoolTree]) -> Tuple[str, ...]:
    """Every device path that the pools mention, for the caller to resolve in one go."""
    found: List[str] = []
    for tree in trees:
        for _group, nodes in tree.groups:
            for node in nodes:
                found += [path for leaf in node.leaves() for path in (leaf.path, leaf.was) if path]
    return tuple(dict.fromkeys(found))


def resolve(tree: PoolTree, index: Index) -> Pool:
    """The pool with every member resolved."""
    vdevs = [_vdev(node, group, index) for group, nodes in tree.groups if group not in ("spares",) for node in nodes]
    return Pool(
        name=tree.name,
        guid=tree.guid,
        state=tree.state,
        suspended=tree.state == "SUSPENDED",
        vdevs=tuple(vdevs),
        spares=tuple(_member(node, "spare", index) for node in tree.group("spares")),
        status=tree.status,
        action=tree.action,
        msgid=tree.msgid,
        errors=tree.errors,
        scan=tree.scan or Scan(),
    )


def _vdev(node: Node, group: str, index: Index) -> PoolVdev:
    places = node.children or (node,)
    return PoolVdev(
        name=node.name,
        kind=node.kind if node.children else "stripe",
        group=group,
        state=node.state,
        redundancy=node.redundancy,
        slots=tuple(_slot(place, index) for place in places),
    )


def _slot(node: Node, index: Index) -> PoolSlot:
    members = tuple(_slot_members(node, "member", index))
    return PoolSlot(serving=any(member.serving for member in members), members=members)


def _slot_members(node: Node, role: str, index: Index) -> Iterator[PoolMember]:
    if node.kind not in STAND_INS:
        for leaf in node.leaves():
            yield _member(leaf, role, index)
        return
    for position, child in enumerate(node.children):
        inner = "outgoing" if position == 0 else "incoming" if node.kind == "replacing" else "spare"
        yield from _slot_members(child, inner, index)


def _member(leaf: Node, role: str, index: Index) -> PoolMember:
    path = leaf.path or leaf.was or (leaf.name if leaf.name.startswith("/") else "")
    found = index.find(path) or index.find(leaf.was)
    key = found or ("", -1)
    bay = index.bay(key[0])
    return PoolMember(
        name="{0}.{1}".format(bay, key[1]) if bay else leaf.name,
        path=path,
        guid=leaf.guid,
        state=leaf.state,
        # A resilvering device becomes a member in its own right when its resilver is complete.
        serving=leaf.serving and not leaf.resilvering and role != "incoming",
        serial=key[0],
        bay=bay,
        index=key[1],
        enclosure=bay.rsplit("-", 1)[0] if "-" in bay else "",
        wwn=index.wwn(path, found),
        role=role,
        read_errors=leaf.read_errors,
        write_errors=leaf.write_errors,
        checksum_errors=leaf.checksum_errors,
        put_off=leaf.put_off,
    )
