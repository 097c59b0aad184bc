# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""A small maximum flow (Dinic), for networks of a few hundred edges and integer capacities."""

from __future__ import annotations

from collections import deque
from typing import Dict, Hashable, List


class Network:
    """A directed network whose nodes are any hashable names."""

    def __init__(self) -> None:
        self._number: Dict[Hashable, int] = {}
        self._edges: List[List[int]] = []  # node -> edge numbers
        self._head: List[int] = []
        self._room: List[int] = []
        self._full: List[int] = []

    def _node(self, name: Hashable) -> int:
        number = self._number.get(name)
        if number is None:
            number = self._number[name] = len(self._edges)
            self._edges.append([])
        return number

    def edge(self, tail: Hashable, head: Hashable, room: int) -> int:
        """A new edge; its number serves `used`."""
        start, end = self._node(tail), self._node(head)
        number = len(self._head)
        self._edges[start].append(number)
        self._edges[end].append(number + 1)
        self._head += [end, start]
        self._room += [room, 0]
        self._full += [room, 0]
        return number

    def used(self, number: int) -> int:
        """The flow on an edge."""
        return self._full[number] - self._room[number]

    def maximum(self, source: Hashable, sink: Hashable) -> int:
        """The largest flow from *source* to *sink*."""
        start, end = self._node(source), self._node(sink)
        total = 0
        while True:
            depth = self._depths(start, end)
            if depth[end] < 0:
                return total
            cursor = [0] * len(self._edges)
            while True:
                pushed = self._augment(start, end, depth, cursor)
                if not pushed:
                    break
                total += pushed

    def _depths(self, start: int, end: int) -> List[int]:
        depth = [-1] * len(self._edges)
        depth[start] = 0
        queue = deque([start])
        while queue and depth[end] < 0:
            node = queue.popleft()
            for number in self._edges[node]:
                after = self._head[number]
                if self._room[number] and depth[after] < 0:
                    depth[after] = depth[node] + 1
                    queue.append(after)
        return depth

    def _augment(self, start: int, end: int, depth: List[int], cursor: List[int]) -> int:
        # Depth first along rising levels, without recursion: a path is a list of edges.
        path: List[int] = []
        node = start
        while node != end:
            number = self._advance(node, depth, cursor)
            if number >= 0:
                path.append(number)
                node = self._head[number]
            elif path:
                node = self._head[path.pop() ^ 1]
                cursor[node] += 1
            else:
                return 0
        pushed = min(self._room[number] for number in path)
        for number in path:
            self._room[number] -= pushed
            self._room[number ^ 1] += pushed
        return pushed

    def _advance(self, node: int, depth: List[int], cursor: List[int]) -> int:
        edges = self._edges[node]
        while cursor[node] < len(edges):
            number = edges[cursor[node]]
            if self._room[number] and depth[self._head[number]] == depth[node] + 1:
                return number
            cursor[node] += 1
        return -1
