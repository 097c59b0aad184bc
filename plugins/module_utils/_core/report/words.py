# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Words and figures as the pages show them. Pure."""

from __future__ import annotations

import re
from datetime import datetime, timezone
from typing import Optional, Sequence, Tuple

from ..identity.text import clean_text
from ..plain import amount
from ..record import HostRecord

TAIL = 4
_TB = 10**12
_PARTS = re.compile(r"(\d+)")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

GOOD, WATCH, BAD = "good", "watch", "bad"
STANDINGS = {GOOD: "Sound", WATCH: "Needs attention", BAD: "At risk"}


def mark(number: int) -> str:
    """The letters of vdev *number*: C(A) to C(Z), then C(AA)."""
    letters = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def tail(serial: str) -> str:
    """The last digits of a serial number."""
    return serial[-TAIL:]


def size(count: int) -> str:
    """Bytes in terabytes of 10^12, as drives are sold; empty when not known."""
    return "{0:g} TB".format(round(count / _TB, 2)) if count else ""


def both(count: int) -> str:
    """*count* units of one drive, in words."""
    return {1: "one unit", 2: "both units"}.get(count, "{0} units".format(count))


def date(moment: str) -> str:
    """C(24 Nov 2026, 05:30 UTC) of a record's moment; other text stays as it is."""
    try:
        at = datetime.strptime(moment, "%Y-%m-%dT%H:%M:%SZ")
    except ValueError:
        return moment
    return "{0} {1} {2}, {3:02d}:{4:02d} UTC".format(at.day, _MONTHS[at.month - 1], at.year, at.hour, at.minute)


def unix_date(seconds: float) -> str:
    """The same of seconds since the epoch."""
    return date(datetime.fromtimestamp(seconds, timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ"))


def days_between(earlier: str, later: str) -> int:
    """Whole days between two moments; 0 when one of them is not a moment."""
    try:
        first, last = (datetime.strptime(text, "%Y-%m-%dT%H:%M:%SZ") for text in (earlier, later))
    except ValueError:
        return 0
    return max(0, (last - first).days)


def natural(text: str) -> Tuple[Tuple[int, int, str], ...]:
    """A sort key under which ebb9 comes before ebb10."""
    return tuple((0, int(part), "") if part.isdigit() else (1, 0, part) for part in _PARTS.split(text) if part)


def file_name(host: str) -> str:
    """The name of a host's page: the host's name, as far as it is safe in a file name."""
    return "{0}.html".format(clean_text(host) or "unnamed")


def standing(record: HostRecord) -> str:
    """C(good), C(watch) or C(bad): by the margin now, compared with what the layout promises, and by findings."""
    if record.pool is None:
        return WATCH
    if record.pool.get("suspended") or record.margin is None or record.margin <= 0:
        return BAD
    severities = {one.severity for one in record.findings}
    weakened = record.margin < (promised(record) or 0)
    return WATCH if weakened or severities & {"error", "warning"} else GOOD


def promised(record: HostRecord) -> Optional[int]:
    """How many drive failures the layout survives; None where that is not known."""
    found = record.guarantees.get("drives")
    return found if isinstance(found, int) else None


def verdict(record: HostRecord) -> str:
    """The state of the server's pool in one sentence."""
    if record.pool is None:
        return "No pool is imported."
    name = "The pool {0}".format(record.pool["name"])
    if record.pool.get("suspended"):
        return "{0} is suspended: no reads or writes until its drives are back.".format(name)
    if record.margin is None:
        return "How many drive failures {0} survives is not known.".format(name[0].lower() + name[1:])
    if record.margin < 0:
        return "{0} cannot serve all its data: more members are missing than its parity covers.".format(name)
    if record.margin == 0:
        return "{0} may lose data when the next drive fails.".format(name)
    meant = promised(record)
    if meant is not None and record.margin < meant:
        return "{0} now survives {1}; its layout is planned for {2}.".format(
            name, amount(record.margin, "drive failure"), meant
        )
    return "{0} survives the failure of any {1}.".format(
        name, "drive" if record.margin == 1 else amount(record.margin, "drive")
    )


def visits(record: HostRecord) -> Tuple[str, ...]:
    """A sentence for each drive of the pool that somebody should look at."""
    lines = []
    for visit in (record.pool or {}).get("visit", ()):
        lines.append(
            "Visit {0}, serial {1}: {2}.".format(
                visit["bay"] or "a bay that is not known", visit["serial"] or "unknown", _units(visit["units"])
            )
        )
    return tuple(lines)


def _units(units: Sequence[Sequence[str]]) -> str:
    states = [state for _name, state in units]
    if len(set(states)) == 1 and len(states) > 1:
        return "{0} {1}".format(both(len(states)), states[0].lower())
    return ", ".join("{0} {1}".format(name, state.lower()) for name, state in units)
