# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Reads C(zpool import) without a pool: which pools OpenZFS finds, and whether it would import them. Pure.

Its output is for people (C(show_import) in OpenZFS's cmd/zpool/zpool_main.c): a paragraph for each pool with
lines C(pool:), C(id:), C(state:), C(status:), C(action:). A text continues in lines that begin with a tab.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Dict, Sequence, Tuple

_FIELD = re.compile(r" *(pool|id|state|status|action|comment|see|config): ?(.*)")


@dataclass(frozen=True)
class Importable:
    """A pool that OpenZFS finds, and what it says about it. *status* is empty when nothing is wrong."""

    name: str
    guid: str
    state: str
    status: str
    action: str

    @property
    def can_be_imported(self) -> bool:
        """Whether it says so, under whatever condition."""
        return self.action.startswith("The pool can be imported")


def argv(paths: Sequence[str]) -> Tuple[str, ...]:
    """The command that lists the pools on these devices. It changes nothing."""
    words = ["zpool", "import"]
    for path in paths:
        words += ["-d", path]
    return tuple(words)


def read(text: str) -> Tuple[Importable, ...]:
    """The pools in the output of the command."""
    found = []
    fields: Dict[str, str] = {}
    last = ""
    for line in [*text.splitlines(), "   pool: "]:
        match = _FIELD.fullmatch(line)
        if match and match.group(1) == "pool":
            if fields.get("id"):
                found.append(_importable(fields))
            fields = {}
        if match:
            last = match.group(1)
            fields[last] = match.group(2).strip()
        elif line.startswith("\t") and last in ("status", "action"):
            fields[last] += " " + line.strip()
    return tuple(found)


def _importable(fields: Dict[str, str]) -> Importable:
    return Importable(
        fields.get("pool", ""),
        fields["id"],
        fields.get("state", ""),
        fields.get("status", ""),
        fields.get("action", ""),
    )
