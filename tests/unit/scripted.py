# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""A runner that follows a script: it checks each argv, the order, and that all was used."""

from __future__ import annotations

from collections.abc import Sequence

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.run import Result


class ScriptedRunner:
    """Answers commands from a list of (argv, Result or text); anything else fails the test."""

    def __init__(self, script: Sequence[tuple[Sequence[str], Result | str]]) -> None:
        self._left: list[tuple[tuple[str, ...], Result]] = [
            (tuple(argv), Result(0, answer, "") if isinstance(answer, str) else answer) for argv, answer in script
        ]
        self.ran: list[tuple[str, ...]] = []

    def __call__(self, argv: Sequence[str]) -> Result:
        self.ran.append(tuple(argv))
        if not self._left:
            raise AssertionError("not in the script: {0}".format(" ".join(argv)))
        wanted, answer = self._left.pop(0)
        if tuple(argv) != wanted:
            raise AssertionError("the script expects {0}, got {1}".format(" ".join(wanted), " ".join(argv)))
        return answer

    def finished(self) -> None:
        """Fail the test when some of the script was not used."""
        if self._left:
            raise AssertionError("never run: {0}".format([" ".join(argv) for argv, _answer in self._left]))
