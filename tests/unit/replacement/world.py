# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""A host in memory that answers the steps of a replacement: drives, a pool that zpool's commands change, notes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.discover import Wanted
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.replacement_notes import (
    ReplacementNote,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.run import Result
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Bay, Content, Drive, Unit
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.access import Access, Holding
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.labels import Label
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.tree import Node, PoolTree, Scan

from .pools import BY, guid, leaf, tree

SIZE = 10**12
POOL = "777"


def drive(bay: int, serial: str = "", size: int = SIZE, units: int = 2, source: str = "map") -> Drive:
    name = serial or f"ACT{bay}"
    return Drive(
        key=name,
        serial=name,
        bay=Bay("", bay),
        bay_source=source,
        expected_units=2,
        units=tuple(
            Unit(
                index, wwn=f"naa.{name}{index}", size=size, node=f"/dev/{name}{index}",
                links=(f"{BY}bay{bay:02d}.{index}", f"/dev/disk/by-id/wwn-{name}{index}"),
            )
            for index in range(units)
        ),
    )  # fmt: skip


@dataclass
class World:
    """What is there, and what was done; `tree` is changed as OpenZFS would."""

    drives: list[Drive]
    tree: PoolTree
    contents: dict[tuple[str, int], list[Content]] = field(default_factory=dict)
    labels: dict[tuple[str, int], tuple[str, str]] = field(default_factory=dict)  # leaf GUID, pool GUID
    halves: list[str] = field(default_factory=list)
    notes: list[ReplacementNote] = field(default_factory=list)
    ran: list[tuple[str, ...]] = field(default_factory=list)
    fail_at: int = -1

    @classmethod
    def built(cls, count: int = 6) -> World:
        world = cls([drive(bay) for bay in range(count)], tree(count))
        for bay in range(count):
            for index in (0, 1):
                world.labels[f"ACT{bay}", index] = (guid(bay, index), POOL)
        return world

    def pull(self, bay: int) -> None:
        gone = next(one for one in self.drives if one.bay == Bay("", bay))
        self.drives.remove(gone)
        guids = {
            self.labels[gone.serial, unit.index][0] for unit in gone.units if (gone.serial, unit.index) in self.labels
        }
        self.change(
            lambda node: replace(node, state="REMOVED") if node.guid in guids and node.state == "ONLINE" else node
        )

    def change(self, how) -> None:
        def walk(node: Node) -> Node:
            node = replace(node, children=tuple(map(walk, node.children)))
            return how(node) if not node.children else node

        self.tree = replace(
            self.tree, groups=tuple((name, tuple(map(walk, nodes))) for name, nodes in self.tree.groups)
        )

    def filled(self) -> None:
        """The resilver is done."""

        def walk(node: Node) -> Node:
            if node.kind == "replacing":
                return node.children[-1]
            return replace(node, children=tuple(map(walk, node.children)))

        self.tree = replace(
            self.tree, groups=tuple((name, tuple(map(walk, nodes))) for name, nodes in self.tree.groups), scan=Scan()
        )

    # --- zpool

    def run(self, argv: Sequence[str]) -> Result:
        words = tuple(argv)
        if words[0] == "udevadm":
            return Result(0, "", "")
        if words[:2] == ("zpool", "get"):
            return Result(0, "enabled\n", "")
        if len(self.ran) == self.fail_at:
            raise KeyboardInterrupt  # cut off
        self.ran.append(words)
        if words[:2] == ("zpool", "offline"):
            self._state(words[3], "OFFLINE")
        elif words[:2] == ("zpool", "online"):
            self._state(words[3], "ONLINE")
        elif words[:2] == ("zpool", "replace"):
            self._replace(words[3], words[4])
        elif words[:2] == ("zpool", "detach"):
            self._detach(words[3])
        return Result(0, "", "")

    def _state(self, which: str, state: str) -> None:
        self.change(lambda node: replace(node, state=state) if node.guid == which else node)

    def _replace(self, which: str, path: str) -> None:
        name, index = next((one.serial, unit.index) for one in self.drives for unit in one.units if path in unit.links)
        new = Node(path + "-part1", "disk", "ONLINE", f"9{len(self.ran)}", path + "-part1")
        self.labels[name, index] = (new.guid, POOL)
        self.change(
            lambda node: (
                Node("replacing-0", "replacing", "DEGRADED", "5", children=(node, new)) if node.guid == which else node
            )
        )
        self.tree = replace(self.tree, scan=Scan("resilver", "scanning", issued=1, total=4))

    def _detach(self, which: str) -> None:
        def walk(node: Node) -> Node:
            if node.kind == "replacing" and any(child.guid == which for child in node.children):
                return node.children[0]
            return replace(node, children=tuple(map(walk, node.children)))

        self.tree = replace(
            self.tree, groups=tuple((name, tuple(map(walk, nodes))) for name, nodes in self.tree.groups)
        )
        self.tree = replace(self.tree, scan=Scan())


class FakeAccess(Access):
    """The world as an action reaches it."""

    def __init__(self, world: World) -> None:
        super().__init__(world.run, Wanted())
        self.world = world

    def drives(self) -> Sequence[Drive]:
        return tuple(self.world.drives)

    def contents(self, keys: Iterable[tuple[str, int]]) -> Mapping[tuple[str, int], Sequence[Content]]:
        return {key: self.world.contents.get(key, []) for key in keys}

    def partitions(self, unit: Unit) -> tuple[tuple[str, int], ...]:
        return () if unit.node else (("", 0),)

    def nodes_of(self, paths: Iterable[str]) -> dict[str, str]:
        links = {link: unit.node for one in self.world.drives for unit in one.units for link in unit.links}
        return {path: links[path.removesuffix("-part1")] for path in paths if path.removesuffix("-part1") in links}

    def half_made(self, units: Iterable[Unit]) -> tuple[str, ...]:
        return tuple(unit.node for unit in units if unit.node in self.world.halves)

    def labels(self) -> dict[tuple[str, int], Holding]:
        there = {(one.serial, unit.index): unit for one in self.world.drives for unit in one.units}
        return {
            key: Holding(there[key], there[key].node, 1, Label("active", leaf_guid, "archive", pool))
            for key, (leaf_guid, pool) in self.world.labels.items()
            if key in there
        }

    def replacements(self) -> tuple[ReplacementNote, ...]:
        return tuple(self.world.notes)

    def note_replacement(self, note: ReplacementNote) -> None:
        self.forget_replacement(note)
        self.world.notes.append(note)

    def forget_replacement(self, note: ReplacementNote) -> None:
        self.world.notes = [one for one in self.world.notes if one.leaves != note.leaves]

    @contextmanager
    def patience(self) -> Iterator[None]:
        yield


__all__ = ["POOL", "SIZE", "FakeAccess", "World", "drive", "leaf"]
