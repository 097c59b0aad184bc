# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""How far a resilver or scrub is, with an estimate that says what it is based on. Pure."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Optional

from ..zfs.tree import Scan

_DONE = re.compile(r"([0-9.]+)% done")
_LEFT = re.compile(r"(?:([0-9]+) days )?([0-9]{2}):([0-9]{2}):([0-9]{2}) to go")
# Earlier than this the pace says nothing: OpenZFS first reads metadata (common practice).
_LEAST_SHARE, _LEAST_SECONDS = 0.01, 60


@dataclass(frozen=True)
class Progress:
    """*share* done, from 0 to 1; *seconds_left* at the pace so far, None while it cannot be estimated."""

    running: bool = False
    share: float = 0.0
    seconds_left: Optional[int] = None


def progress(scan: Optional[Scan], now: float) -> Progress:
    """The progress of a running scan; *now* in seconds since the epoch."""
    if scan is None or not scan.running:
        return Progress()
    if scan.total <= 0:
        return _from_text(scan.text)
    share = min(1.0, scan.issued / scan.total)
    elapsed = now - scan.started
    if share < _LEAST_SHARE or elapsed < _LEAST_SECONDS:
        return Progress(True, share)
    return Progress(True, share, int(elapsed * (1 - share) / share))


def _from_text(text: str) -> Progress:
    """From the status text, for an OpenZFS that prints no numbers for programs."""
    done, left = _DONE.search(text), _LEFT.search(text)
    share = min(1.0, float(done.group(1)) / 100) if done else 0.0
    if left is None or share < _LEAST_SHARE:
        return Progress(True, share)
    days, hours, minutes, seconds = (int(part or 0) for part in left.groups())
    return Progress(True, share, ((days * 24 + hours) * 60 + minutes) * 60 + seconds)


def words(one: Progress) -> str:
    """For people."""
    if not one.running:
        return "not running"
    done = "{0:.1f} % done".format(100 * one.share)
    if one.seconds_left is None:
        return done + ", too early to estimate how long it will take"
    return "{0}, about {1} left at the pace so far".format(done, span(one.seconds_left))


def span(seconds: int) -> str:
    """A time span for people, to two digits at most."""
    if seconds < 90:
        return "{0} s".format(seconds)
    if seconds < 5400:
        return "{0} min".format(round(seconds / 60))
    if seconds < 48 * 3600:
        return "{0:.1f} h".format(seconds / 3600)
    return "{0:.1f} days".format(seconds / 86400)
