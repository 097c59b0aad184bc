# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Reads C(zpool status -P -p) as text (OpenZFS before 2.3, which has no JSON).

The same command with C(-g) prints GUIDs in the place of names, in the same order; `read`
joins the two.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Dict, Iterator, List, Tuple

from ..errors import DecodeError
from .tree import Node, PoolTree, Scan

ARGV = ("zpool", "status", "-P", "-p")
GUID_ARGV = ("zpool", "status", "-g", "-p")

_FIELD = re.compile(r" {0,5}([a-z]+): ?(.*)")
_GROUPS = {"special": "special", "dedup": "dedup", "logs": "logs", "cache": "cache", "spares": "spares"}
_INTERIOR = re.compile(r"(raidz|mirror|draid|replacing|spare|indirect)([123]?)(?::[0-9a-z:]*)?-[0-9]+")
_WAS = re.compile(r"was (\S+)")


@dataclass(frozen=True)
class _Line:
    depth: int
    name: str
    words: Tuple[str, ...]


def read(text: str, guid_text: str, guids: Dict[str, str]) -> Tuple[PoolTree, ...]:
    """All pools of the output, by name.

    *guid_text* is the output with C(-g); *guids* maps pool names to pool GUIDs. Raises
    DecodeError when the two outputs do not agree or are not of the known form.
    """
    named = _sections(text)
    numbered = _sections(guid_text)
    if [part["pool"] for part in named] != [part["pool"] for part in numbered]:
        raise DecodeError("two runs of zpool status list different pools; run again")
    pools = [_pool(part, other, guids) for part, other in zip(named, numbered)]
    return tuple(sorted(pools, key=lambda pool: pool.name))


def _sections(text: str) -> List[Dict[str, str]]:
    """One dictionary of field to text for each pool; the tree is under C(config)."""
    parts: List[Dict[str, str]] = []
    field = ""
    for line in text.splitlines():
        match = None if line.startswith("\t") else _FIELD.fullmatch(line)
        if match is None:
            if parts and field:
                parts[-1][field] += "\n" + line
            continue
        field = match.group(1)
        if field == "pool":
            parts.append({})
        elif not parts:
            raise DecodeError("zpool status printed {0!r} before any pool".format(line[:80]))
        parts[-1][field] = match.group(2)
    return parts


def _pool(part: Dict[str, str], numbered: Dict[str, str], guids: Dict[str, str]) -> PoolTree:
    name = part["pool"]
    lines = list(_tree_lines(part.get("config", "")))
    numbers = list(_tree_lines(numbered.get("config", "")))
    if [line.depth for line in lines] != [line.depth for line in numbers]:
        raise DecodeError("two runs of zpool status show different trees of pool {0}; run again".format(name))
    guid_of = [line.name if line.name.isdigit() else "" for line in numbers]
    return PoolTree(
        name=name,
        guid=guids.get(name, ""),
        state=part.get("state", "UNKNOWN"),
        groups=_groups(lines, guid_of),
        status=_words(part.get("status", "")),
        action=_words(part.get("action", "")),
        msgid=part.get("see", "").strip().rsplit("/", 1)[-1],
        errors=_errors(part.get("errors", "")),
        scan=_scan(_words(part.get("scan", ""))),
    )


def _tree_lines(config: str) -> Iterator[_Line]:
    for line in config.splitlines():
        body = line[1:] if line.startswith("\t") else line
        stripped = body.strip()
        if not stripped or stripped.startswith("NAME "):
            continue
        words = stripped.split()
        yield _Line((len(body) - len(body.lstrip(" "))) // 2, words[0], tuple(words[1:]))


def _groups(lines: List[_Line], guids: List[str]) -> Tuple[Tuple[str, Tuple[Node, ...]], ...]:
    found: List[Tuple[str, Tuple[Node, ...]]] = []
    start = 0
    while start < len(lines):
        end = start + 1
        while end < len(lines) and lines[end].depth > 0:
            end += 1
        head = lines[start]
        group = "data" if start == 0 else _GROUPS.get(head.name, head.name)
        found.append((group, _children(lines, guids, start + 1, end, 1)))
        start = end
    return tuple(found) or (("data", ()),)


def _children(lines: List[_Line], guids: List[str], start: int, end: int, depth: int) -> Tuple[Node, ...]:
    nodes: List[Node] = []
    at = start
    while at < end:
        stop = at + 1
        while stop < end and lines[stop].depth > depth:
            stop += 1
        node = replace(_node(lines[at], guids[at]), children=_children(lines, guids, at + 1, stop, depth + 1))
        nodes.append(node)
        at = stop
    return tuple(nodes)


def _node(line: _Line, guid: str) -> Node:
    interior = _INTERIOR.fullmatch(line.name)
    kind, parity = (interior.group(1), interior.group(2)) if interior else ("disk", "")
    state = line.words[0] if line.words else "UNKNOWN"
    numbers = [int(word) if word.isdigit() else 0 for word in line.words[1:4]] + [0, 0, 0]
    note = " ".join(line.words[4:]) if len(line.words) > 4 else ""
    was = _WAS.search(note)
    if kind in ("raidz",) and not parity:
        parity = "1"
    return Node(
        name=line.name,
        kind=kind,
        state=state,
        guid=guid,
        path=line.name if kind == "disk" and line.name.startswith("/") else "",
        parity=int(parity or 0) if kind in ("raidz", "draid") else 0,
        read_errors=numbers[0],
        write_errors=numbers[1],
        checksum_errors=numbers[2],
        was=was.group(1) if was else "",
        note=note,
        filling="resilver" in note,
        put_off="awaiting resilver" in note,
    )


def _words(text: str) -> str:
    return " ".join(text.split())


def _errors(text: str) -> int:
    match = re.match(r"\s*([0-9]+) data errors", text)
    if match:
        return int(match.group(1))
    return 0 if "No known data errors" in text or not text.strip() else 1


def _scan(text: str) -> Scan:
    """What the one-line summary tells; times are left 0, since the text has no time zone."""
    function = "resilver" if text.startswith("resilver") else "scrub" if text.startswith("scrub") else "none"
    if function == "none":
        return Scan(text=text)
    # What is none of the others has no end that it could tell.
    states = (" in progress", "scanning"), (" canceled", "canceled"), (" paused", "paused"), (" with ", "finished")
    state = next((state for word, state in states if word in text), "unknown")
    errors = re.search(r"with ([0-9]+) errors", text)
    return Scan(function=function, state=state, errors=int(errors.group(1)) if errors else 0, text=text)
