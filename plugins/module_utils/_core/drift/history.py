# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Since when a finding exists, and what appeared and disappeared: the state that drift runs keep. Pure."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from typing import Any, Dict, Iterable, List, Tuple

from ..errors import InputError
from ..model import Finding
from ..plain import from_plain, to_plain
from ..record import Event, HostRecord

VERSION = 1
MOST_EVENTS = 500


@dataclass(frozen=True)
class Open:
    """A finding that existed at the last drift run."""

    since: str
    code: str
    subject: str


@dataclass(frozen=True)
class State:
    """What drift runs remember: the findings that exist, by `key`, and the latest *events*, oldest first.

    *scrubs* are as in `record.HostRecord`.
    """

    open: Dict[str, Open] = field(default_factory=dict)
    events: Tuple[Event, ...] = ()
    scrubs: Dict[str, int] = field(default_factory=dict)


def key(one: Finding) -> str:
    """What identifies a finding: code and subject. A drive is the same in whatever bay it is."""
    index = "" if one.index is None else str(one.index)
    return "|".join((one.code, one.serial or one.bay, index, one.about))


def advance(state: State, findings: Iterable[Finding], at: str) -> State:
    """The state after a drift run found *findings* at the moment *at*; of too many events the oldest are dropped."""
    there: Dict[str, Open] = {}
    events: List[Event] = list(state.events)
    for one in findings:
        name = key(one)
        if name in there:
            continue
        there[name] = state.open.get(name) or Open(at, one.code, one.subject)
        if name not in state.open:
            events.append(Event(at, one.code, one.subject, "found"))
    for name, gone in state.open.items():
        if name not in there:
            events.append(Event(at, gone.code, gone.subject, "cleared"))
    return State(there, tuple(events[-MOST_EVENTS:]), state.scrubs)


def dated(findings: Iterable[Finding], state: State) -> Tuple[Finding, ...]:
    """The findings with the time since when they exist, from a state that knows them."""
    return tuple(replace(one, since=state.open[key(one)].since) if key(one) in state.open else one for one in findings)


def from_record(record: HostRecord) -> State:
    """The state that an earlier record of the same host implies."""
    known = [*record.findings, *(one.finding for one in record.accepted)]
    there = {key(one): Open(one.since or record.checked_at, one.code, one.subject) for one in known}
    return State(there, record.history, record.scrubs)


def to_text(state: State) -> str:
    """The state file's content."""
    return json.dumps({"version": VERSION, **to_plain(state)}, sort_keys=True, separators=(",", ":")) + "\n"


def from_text(text: str) -> State:
    """The state in a file's *text*; a damaged or unknown one reads as empty: it is only history."""
    try:
        data: Any = json.loads(text)
        if data.pop("version") != VERSION:
            return State()
        return from_plain(State, data, "state")
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError, InputError):
        return State()
