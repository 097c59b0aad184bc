# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Findings that people have accepted for now: with a reason, and until a date. Pure."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from typing import Any, List, Mapping, Optional, Sequence, Tuple

from ..errors import InputError
from ..model import Bay, Finding
from ..record import Accepted
from .codes import CODES, note

VARIABLE = "split_actuator_accepted"
_KEYS = ("code", "reason", "until", "bay", "serial", "index", "about")
_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_NEVER = ("acceptance_expired", "acceptance_unused", "drift_unchecked")


@dataclass(frozen=True)
class Acceptance:
    """Accepts findings of *code* until the end of the day *until* (UTC); empty fields match anything."""

    code: str
    reason: str
    until: str
    bay: str = ""
    serial: str = ""
    index: Optional[int] = None
    about: str = ""

    def matches(self, one: Finding) -> bool:
        """Whether this is about the finding."""
        return (
            one.code == self.code
            and self.bay in ("", one.bay)
            and self.serial in ("", one.serial)
            and self.index in (None, one.index)
            and self.about in ("", one.about)
        )

    @property
    def words(self) -> str:
        """Which findings it accepts, for people."""
        parts = [
            self.code,
            self.bay,
            self.serial,
            "" if self.index is None else "unit {0}".format(self.index),
            self.about,
        ]
        return " ".join(part for part in parts if part)


def read_accepted(data: Any, where: str = VARIABLE) -> Tuple[Acceptance, ...]:
    """The entries of C(split_actuator_accepted): C(code), C(reason), C(until), and optionally C(bay), C(serial),
    C(index), C(about) to narrow it down. Raises InputError naming key and value."""
    if not isinstance(data, (list, tuple)):
        raise InputError("{0!r} is not a list".format(data), subject=where)
    return tuple(_read(entry, "{0}[{1}]".format(where, number)) for number, entry in enumerate(data))


def _read(entry: Any, where: str) -> Acceptance:
    if not isinstance(entry, Mapping):
        raise InputError("{0!r} is not a dictionary".format(entry), subject=where)
    unknown = sorted(str(key) for key in entry if key not in _KEYS)
    if unknown:
        raise InputError(
            "unknown key {0}".format(", ".join(unknown)), subject=where, remedy="Allowed: {0}.".format(", ".join(_KEYS))
        )
    code = str(entry.get("code", ""))
    if code not in CODES or code in _NEVER:
        raise InputError(
            "{0!r} is not a code that can be accepted".format(code),
            subject=where + ".code",
            remedy="See docs/findings.md.",
        )
    reason = entry.get("reason")
    if not isinstance(reason, str) or not reason.strip():
        raise InputError("the reason is missing", subject=where + ".reason")
    bay = str(entry.get("bay", ""))
    return Acceptance(
        code=code,
        reason=reason.strip(),
        until=_date(entry.get("until"), where + ".until"),
        bay=Bay.parse(bay).label if bay else "",
        serial=str(entry.get("serial", "")),
        index=_index(entry.get("index"), where + ".index"),
        about=str(entry.get("about", "")),
    )


def _date(value: Any, where: str) -> str:
    # YAML reads an unquoted date as one.
    text = value.isoformat() if isinstance(value, date) else value
    try:
        if not isinstance(text, str) or not _DATE.fullmatch(text[:10]):
            raise ValueError(text)
        return date.fromisoformat(text[:10]).isoformat()
    except ValueError as error:
        raise InputError(
            "{0!r} is not a date".format(value), subject=where, remedy="Write it like 2026-12-31."
        ) from error


def _index(value: Any, where: str) -> Optional[int]:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise InputError("{0!r} is not a unit index".format(value), subject=where)
    return value


def apply(
    findings: Sequence[Finding], acceptances: Sequence[Acceptance], today: str
) -> Tuple[Tuple[Finding, ...], Tuple[Accepted, ...]]:
    """The findings that count on *today* (ISO date), and those that are accepted.

    An expired acceptance accepts nothing and is a finding itself, as is one that matches no finding.
    """
    counting: List[Finding] = []
    accepted: List[Accepted] = []
    for one in findings:
        valid = [entry for entry in acceptances if entry.until >= today and entry.matches(one)]
        if valid:
            accepted.append(Accepted(one, valid[0].reason, valid[0].until))
        else:
            counting.append(one)
    for entry in acceptances:
        used = any(entry.matches(one) for one in findings)
        if used and entry.until < today:
            found = "accepted until {0}: {1}".format(entry.until, entry.reason)
            counting.append(note("acceptance_expired", found, "fixed by then", about=entry.words))
        elif not used:
            counting.append(note("acceptance_unused", "no such finding exists", entry.reason, about=entry.words))
    return tuple(counting), tuple(accepted)
