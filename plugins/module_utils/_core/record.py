# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""What one check of a host leaves: the record that reports, comparisons and later checks read. Pure.

M(drift_info) returns it, and the playbook C(check) keeps the latest one of each host on the controller as
C(<split_actuator_report_dir>/<host>.json). What another module returns too (drives, pool) stays plain data
in exactly that module's shape, so that a thousand records are read in little time.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import datetime, timezone
from typing import Any, Dict, Optional, Tuple

from .errors import DecodeError, InputError
from .model import Finding, Layout
from .plain import from_plain, to_plain

SCHEMA = 1
_MOMENT = "%Y-%m-%dT%H:%M:%SZ"


@dataclass(frozen=True)
class Accepted:
    """A finding that people have accepted for now: it does not count before *until* (a date, inclusive) is over."""

    finding: Finding
    reason: str
    until: str


@dataclass(frozen=True)
class Event:
    """A moment in a finding's life. *event*: C(found) or C(cleared); *subject* as `Finding.subject` says it."""

    at: str
    code: str
    subject: str
    event: str


@dataclass(frozen=True)
class HostRecord:
    """One host as it was checked.

    *checked_at* is ISO 8601 in UTC. *findings* count, *accepted* do not. *drives* are as M(drive_info) returns
    them, *pool* is the declared pool (else the only one) as M(pool_info) returns it; None when there is none.
    *declared* is C(split_actuator_drives), *bays* are all bays of the chassis in order. *layout* is what the
    declaration asks for, None where it does not tell. *guarantees* has C(drives) and C(enclosures) (how many of
    them may fail by the layout) and C(sentences). *margin* is the pool's now; None when it is not known.
    *settings* holds what is compared between alike servers, see `drift.fleet`: a flat mapping of text to text.
    *trial* is the last trial's result, None without one. *scrubs* has the second (Unix time) at which a scrub was last
    known to have finished, by pool GUID: a pool itself tells its last scan only.
    """

    host: str
    checked_at: str
    findings: Tuple[Finding, ...] = ()
    accepted: Tuple[Accepted, ...] = ()
    drives: Tuple[Dict[str, Any], ...] = ()
    declared: Dict[str, Any] = field(default_factory=dict)
    bays: Tuple[str, ...] = ()
    layout: Optional[Layout] = None
    guarantees: Dict[str, Any] = field(default_factory=dict)
    pool: Optional[Dict[str, Any]] = None
    margin: Optional[int] = None
    settings: Dict[str, str] = field(default_factory=dict)
    history: Tuple[Event, ...] = ()
    trial: Optional[Dict[str, Any]] = None
    scrubs: Dict[str, int] = field(default_factory=dict)
    schema: int = SCHEMA


def moment(seconds: float) -> str:
    """Wall-clock *seconds* as the records spell a moment: C(2026-11-25T20:49:40Z)."""
    return datetime.fromtimestamp(seconds, timezone.utc).strftime(_MOMENT)


def to_data(record: HostRecord) -> Dict[str, Any]:
    """The record as plain data."""
    data: Dict[str, Any] = to_plain(record)
    return data


def from_data(data: Any, where: str = "record") -> HostRecord:
    """The record in plain *data*. Raises InputError for damaged data, and for another version of its form."""
    found = data.get("schema") if isinstance(data, dict) else None
    if found != SCHEMA:
        raise InputError(
            "its form has version {0!r}, not {1}".format(found, SCHEMA),
            subject=where,
            remedy="Run check again: this collection writes version {0}.".format(SCHEMA),
        )
    return from_plain(HostRecord, data, where)


def to_text(record: HostRecord) -> str:
    """A record file's content."""
    return json.dumps(to_data(record), sort_keys=True, separators=(",", ":")) + "\n"


def from_text(text: str, where: str = "record") -> HostRecord:
    """The record in a file's *text*. Raises DecodeError or InputError."""
    try:
        data = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise DecodeError("it is no JSON: {0}".format(error), subject=where) from error
    return from_data(data, where)
