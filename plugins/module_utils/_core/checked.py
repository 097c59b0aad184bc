# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The findings of the last scheduled drift run, kept on the host for the health service.

The drift run writes this file at its end; the collector publishes its findings as metrics, with the age of the run.
"""

from __future__ import annotations

import json
import os
import stat
from dataclasses import dataclass, fields
from typing import Any, Dict, Optional, Sequence, Tuple

from .errors import DecodeError, HostError, InputError
from .host.files import write_atomically
from .model import Finding
from .plain import from_plain, to_plain

PATH = "/var/lib/evenkeel/split_actuator/findings.json"
VERSION = 1
MOST_BYTES = 4 << 20
_FINDING = tuple(one.name for one in fields(Finding))


@dataclass(frozen=True)
class Checked:
    """The last drift run: when it ended (wall-clock seconds), the seconds between runs, and its findings."""

    ended: float
    every: float
    findings: Tuple[Finding, ...] = ()


def to_text(checked: Checked) -> str:
    """The file's content."""
    data = {"version": VERSION, "ended": checked.ended, "every": checked.every, "findings": to_plain(checked.findings)}
    return json.dumps(data, indent=2, sort_keys=True) + "\n"


def from_text(text: str) -> Checked:
    """The drift run in the file's *text*; unknown keys of a finding are ignored. Raises DecodeError."""
    try:
        data = json.loads(text)
        if data["version"] != VERSION:
            raise DecodeError("version {0!r} is not known".format(data["version"]), subject="findings")
        known = {
            "ended": data["ended"],
            "every": data["every"],
            "findings": [{name: one[name] for name in _FINDING if name in one} for one in data["findings"]],
        }
        return from_plain(Checked, known, "findings")
    except (ValueError, KeyError, TypeError, RecursionError, InputError) as error:
        raise DecodeError("the findings cannot be read: {0}".format(error), subject="findings") from error


def read(path: str = PATH) -> Optional[Checked]:
    """The last drift run; None when there was none. Raises HostError or DecodeError."""
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise HostError("{0} cannot be read: {1}".format(path, error.strerror), subject="findings") from error
    with os.fdopen(handle, "rb") as file:
        about = os.fstat(file.fileno())
        if about.st_uid not in (0, os.geteuid()) or about.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
            raise HostError("{0} is writable by users other than root".format(path), subject="findings")
        try:
            return from_text(file.read(MOST_BYTES).decode("utf-8"))
        except UnicodeDecodeError as error:
            raise DecodeError("{0} is not UTF-8: {1}".format(path, error), subject="findings") from error


def write(checked: Checked, path: str = PATH) -> None:
    """Write *checked* for the health service, replacing the previous run. Raises HostError."""
    try:
        os.makedirs(os.path.dirname(path), 0o755, exist_ok=True)
        write_atomically(path, to_text(checked), 0o644)
    except OSError as error:
        raise HostError("{0} cannot be written: {1}".format(path, error.strerror), subject="findings") from error


def together(found: Sequence[Finding], checked: Optional[Checked]) -> Tuple[Finding, ...]:
    """What was found just now, then what only the drift run found."""
    kept: Dict[Tuple[Any, ...], Finding] = {}
    for one in tuple(found) + (checked.findings if checked else ()):
        kept.setdefault((one.code, one.serial, one.bay, one.index, one.about), one)
    return tuple(kept.values())
