# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Reads C(zpool status -P -p) as text (OpenZFS before 2.3, which has no JSON).

The same command with C(-g) prints GUIDs in place of names, in the same order; `read`
joins the two.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Dict, List, Optional, Set, Tuple

from ..errors import DecodeError
from .tree import UNKNOWN_STATE, Node, PoolTree, Scan, kind_of, unfinished, without_echo

ARGV = ("zpool", "status", "-P", "-p")
GUID_ARGV = ("zpool", "status", "-g", "-p")

_FIELD = re.compile(r" {0,5}([a-z]+): ?(.*)")
_GROUPS = {"special": "special", "dedup": "dedup", "logs": "logs", "cache": "cache", "spares": "spares"}
_WAS = re.compile(r"was (\S+)")
_CANCELED = re.compile(r"resilver \((\S+)\) canceled on (.+)")
_FINISHED = re.compile(
    r"(?:scrub repaired|resilvered) \S+ in (?:([0-9]{1,5}) days )?([0-9:]{8}) with [0-9]+ errors on (.+)"
)
_DATE = "%a %b %d %H:%M:%S %Y"
_SHARE = re.compile(r"([0-9]+(?:\.[0-9]+)?)% done")
# Far deeper than any pool: root, vdev, replacing or spare, device.
_DEEPEST = 16


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
    if [part.one("pool") for part in named] != [part.one("pool") for part in numbered]:
        raise DecodeError("two runs of zpool status list different pools; run again")
    pools = [_pool(part, other, guids) for part, other in zip(named, numbered)]
    return tuple(sorted(pools, key=lambda pool: pool.name))


@dataclass
class _Section:
    """The output for one pool: the texts of each field, in order. The tree is under C(config)."""

    texts: Dict[str, List[str]]

    def one(self, field: str, otherwise: str = "") -> str:
        """The text of a field that occurs once."""
        return self.texts[field][-1] if field in self.texts else otherwise

    def all(self, field: str) -> List[str]:
        """The texts of a field that may occur several times."""
        return self.texts.get(field, [])


def _sections(text: str) -> List[_Section]:
    parts: List[_Section] = []
    last: List[str] = []
    for line in text.splitlines():
        match = None if line.startswith("\t") else _FIELD.fullmatch(line)
        if match is None:
            if last:
                last[-1] += "\n" + line
            continue
        field = match.group(1)
        if field == "pool":
            parts.append(_Section({}))
        elif not parts:
            raise DecodeError("zpool status printed {0!r} before any pool".format(line[:80]))
        last = parts[-1].texts.setdefault(field, [])
        last.append(match.group(2))
    return parts


def _pool(part: _Section, numbered: _Section, guids: Dict[str, str]) -> PoolTree:
    name = part.one("pool")
    lines = _tree_lines(part.one("config"))
    numbers = _tree_lines(numbered.one("config"))
    if [line.depth for line in lines] != [line.depth for line in numbers]:
        raise DecodeError("two runs of zpool status show different trees of pool {0}; run again".format(name))
    guid_of = [line.name if line.name.isdigit() else "" for line in numbers]
    cut_off = _cut_off([_words(one) for one in part.all("scan")])
    return PoolTree(
        name=name,
        guid=guids.get(name, ""),
        state=_words(part.one("state")) or UNKNOWN_STATE,
        groups=tuple(
            (group, tuple(unfinished(top) if top.name in cut_off else top for top in tops))
            for group, tops in _groups(lines, guid_of)
        ),
        status=_words(part.one("status")),
        action=_words(part.one("action")),
        msgid=part.one("see").strip().rsplit("/", 1)[-1],
        errors=_errors(part.one("errors")),
        scan=_latest([_scan(_words(one)) for one in part.all("scan")]),
    )


def _tree_lines(config: str) -> List[_Line]:
    """The rows below the header. Only the first row can be the header: a pool may be called NAME."""
    lines: List[_Line] = []
    for line in config.splitlines():
        body = line[1:] if line.startswith("\t") else line
        words = body.split()
        if words:
            lines.append(_Line((len(body) - len(body.lstrip(" "))) // 2, words[0], tuple(words[1:])))
    return lines[1:] if lines and lines[0].name == "NAME" and lines[0].words[:1] == ("STATE",) else lines


def _groups(lines: List[_Line], guids: List[str]) -> Tuple[Tuple[str, Tuple[Node, ...]], ...]:
    found: List[Tuple[str, Tuple[Node, ...]]] = []
    start = 0
    while start < len(lines):
        end = start + 1
        while end < len(lines) and lines[end].depth > 0:
            end += 1
        head = lines[start]
        group = "data" if start == 0 else _GROUPS.get(head.name, head.name)
        found.append((group, tuple(map(without_echo, _children(lines, guids, start + 1, end, 1)))))
        start = end
    return tuple(found) or (("data", ()),)


def _children(lines: List[_Line], guids: List[str], start: int, end: int, depth: int) -> Tuple[Node, ...]:
    if depth > _DEEPEST:
        raise DecodeError("zpool status printed a tree of more than {0} levels".format(_DEEPEST))
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
    spelled, parity = kind_of(line.name)
    state = line.words[0] if line.words else UNKNOWN_STATE
    rest = line.words[1:]
    # Spares have no counters: words follow their state directly.
    counted = len(rest) >= 3 and all(map(_is_number, rest[:3]))
    numbers = [int(word) for word in rest[:3]] if counted else [0, 0, 0]
    note = " ".join(rest[3:] if counted else rest)
    was = _WAS.search(note)
    formerly = was.group(1) if was else ""
    return Node(
        name=line.name,
        kind=spelled or "disk",
        state=state,
        guid=guid,
        path="" if spelled else line.name if line.name.startswith("/") else formerly,
        parity=parity,
        read_errors=numbers[0],
        write_errors=numbers[1],
        checksum_errors=numbers[2],
        was=formerly,
        note=note,
        resilvering="(resilvering)" in note or "awaiting resilver" in note,
        put_off="awaiting resilver" in note,
    )


def _is_number(word: str) -> bool:
    """Whether this is a count: ASCII digits, at most as many as 64 bits need."""
    return word.isdigit() and word.isascii() and len(word) <= 20


def _words(text: str) -> str:
    return " ".join(text.split())


def _errors(text: str) -> int:
    match = re.match(r"\s*([0-9]{1,20}) data errors", text)
    if match:
        return int(match.group(1))
    return 0 if "No known data errors" in text or not text.strip() else 1


def _scan(text: str) -> Scan:
    """What the one-line summary says; times stay 0, since the text has no time zone."""
    function = "resilver" if text.startswith("resilver") else "scrub" if text.startswith("scrub") else "none"
    if function == "none":
        return Scan(text=text)
    # Any other text does not say how the scan ended.
    states = (" in progress", "scanning"), (" canceled", "canceled"), (" paused", "paused"), (" with ", "finished")
    state = next((state for word, state in states if word in text), "unknown")
    errors = re.search(r"with ([0-9]{1,20}) errors", text)
    return Scan(function=function, state=state, errors=int(errors.group(1)) if errors else 0, text=text)


def _cut_off(scans: List[str]) -> Set[str]:
    """The vdevs whose sequential resilver was canceled, where no full scan since has restored the rest."""
    begun = [
        _begun(found.group(1), found.group(2), found.group(3)) for found in map(_FINISHED.fullmatch, scans) if found
    ]
    canceled = [found for found in map(_CANCELED.fullmatch, scans) if found]
    return {
        found.group(1)
        for found in canceled
        if not any(when is not None and when >= (_time(found.group(2)) or datetime.max) for when in begun)
    }


def _begun(days: Optional[str], clock: str, ended: str) -> Optional[datetime]:
    when = _time(ended)
    hours, minutes, seconds = (int(part) for part in clock.split(":"))
    took = timedelta(days=int(days or 0), hours=hours, minutes=minutes, seconds=seconds)
    return when - took if when else None


def _time(words: str) -> Optional[datetime]:
    # In the host's own time zone and language: only times of one output can be compared.
    try:
        return datetime.strptime(words, _DATE)
    except ValueError:
        return None


def _latest(scans: List[Scan]) -> Scan:
    """The scan that counts where there are several: dRAID has a line for each resilvering vdev, besides the scrub's.

    A running one comes first, a resilver before a scrub, the least done before the others. Of finished ones it is the
    scrub: JSON has no other then, and it is the only record of when the whole pool was last read.
    """
    running = [one for one in scans if one.running]
    if running:
        return min(running, key=lambda one: (one.function != "resilver", _share(one.text)))
    scrubs = [one for one in scans if one.function == "scrub"]
    return (scrubs or scans or [Scan()])[-1]


def _share(text: str) -> float:
    found = _SHARE.search(text)
    return float(found.group(1)) if found else 0.0
