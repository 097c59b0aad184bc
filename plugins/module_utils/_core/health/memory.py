# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""What the health service remembers over reboots. All of it may be lost: it is then found out again.

A pool reports its last scan only: a resilver replaces the scrub before it, so the end of that scrub is kept here.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any, Dict, Mapping

from ..errors import CoreError
from ..host.files import write_atomically
from ..plain import from_plain
from .upkeep import Started


def read_scrubs(text: str) -> Dict[str, int]:
    """Pool GUID to the second at which a scrub last finished, from the file's *text*; damaged text reads as empty."""
    try:
        data = json.loads(text)
    except (ValueError, RecursionError):
        return {}
    return _scrubs(data) if isinstance(data, dict) else {}


def _scrubs(data: Mapping[str, Any]) -> Dict[str, int]:
    return {
        str(guid): ended
        for guid, ended in data.items()
        if isinstance(ended, int) and not isinstance(ended, bool) and ended > 0
    }


class Memory:
    """Small JSON files in one directory. A damaged file reads as empty; a failed write is ignored."""

    def __init__(self, directory: str) -> None:
        self._directory = directory
        self._kept: Dict[str, Any] = {}

    def scrubs(self) -> Dict[str, int]:
        """Pool GUID to the wall-clock second at which a scrub last finished."""
        return _scrubs(self._read("scrubs"))

    def keep_scrubs(self, scrubs: Mapping[str, int]) -> None:
        """Remember these."""
        self._write("scrubs", dict(scrubs))

    def tests(self) -> Dict[str, Started]:
        """Unit key to the latest start of a self-test."""
        found: Dict[str, Started] = {}
        for key, entry in self._read("tests").items():
            try:
                found[str(key)] = from_plain(Started, entry)
            except CoreError:
                continue
        return found

    def keep_tests(self, started: Mapping[str, Started]) -> None:
        """Remember these."""
        self._write("tests", {key: asdict(one) for key, one in started.items()})

    def _path(self, name: str) -> str:
        return "{0}/{1}.json".format(self._directory, name)

    def _read(self, name: str) -> Dict[str, Any]:
        try:
            with open(self._path(name), encoding="utf-8") as file:
                data = json.load(file)
        except (OSError, ValueError, RecursionError):
            return {}
        return data if isinstance(data, dict) else {}

    def _write(self, name: str, data: Dict[str, Any]) -> None:
        if self._kept.get(name) == data:
            return
        try:
            write_atomically(self._path(name), json.dumps(data, sort_keys=True) + "\n", 0o640)
        except OSError:
            return
        self._kept[name] = data
