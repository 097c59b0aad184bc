# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The record of a drift run on a host, which reports, comparisons and later runs read. Pure.

M(drift_info) returns it, and the playbook C(drift) keeps the latest one of each host on the controller as
C(<split_actuator_report_dir>/<host>.json). What another module returns too (drives, pool) stays plain data
in exactly that module's form, so that reading a thousand records is fast.
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
    """A finding that people have accepted for now: it does not count up to and including the date *until*."""

    finding: Finding
    reason: str
    until: str


@dataclass(frozen=True)
class Event:
    """A change of a finding. *event*: C(found) or C(cleared); *subject* as `Finding.subject` words it."""

    at: str
    code: str
    subject: str
    event: str


@dataclass(frozen=True)
class HostRecord:
    """One host as it was compared.

    *checked_at* is ISO 8601 in UTC. *findings* count, *accepted* do not. *drives* are as M(drive_info) returns
    them, *pool* is the declared pool (else the only one) as M(pool_info) returns it; None when there is none.
    *declared* is C(split_actuator_drives), *bays* are all bays of the chassis in order. *layout* is the planned
    layout, None without one. *guarantees* has C(drives) and C(enclosures) (how many of them may fail by the layout)
    and C(sentences). *margin* is the pool's present one; None when it is not known. *settings* holds what is compared
    between servers of one class, see `drift.fleet`: a flat mapping of text to text. *trial* is the last trial's
    result, None without one. *scrubs* has the second (Unix time) at which a scrub last finished, by pool GUID: a pool
    itself reports its last scan only.
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
            "its format has version {0!r}, not {1}".format(found, SCHEMA),
            subject=where,
            remedy="Run the playbook drift again: this collection writes version {0}.".format(SCHEMA),
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
        raise DecodeError("it is not valid JSON: {0}".format(error), subject=where) from error
    return from_data(data, where)
