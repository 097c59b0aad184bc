# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The one part of the library that runs commands.

A command is always a list of arguments, never a shell string. A `Runner` is handed in
by the caller: the Ansible modules wrap C(run_command), the on-host service wraps
`subprocess`, unit tests hand in a script that checks each argv.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Callable, Optional, Protocol, Sequence, Tuple

from ..errors import CommandError

ATTEMPTS = 3
# 200 units take a minute on an emulated server, and longer once each has two partitions.
SETTLE = ("udevadm", "settle", "--timeout=180")


@dataclass(frozen=True)
class Result:
    """The result of a finished command: exit code, standard output, standard error."""

    rc: int
    stdout: str
    stderr: str


class Runner(Protocol):
    """Runs one command to its end. A program that is not installed raises HostError."""

    def __call__(self, argv: Sequence[str]) -> Result: ...


@dataclass(frozen=True)
class Command:
    """A command to run, and the reason for it."""

    argv: Tuple[str, ...]
    reason: str = ""


def checked(runner: Runner, argv: Sequence[str], remedy: str = "") -> str:
    """Standard output of a command that must succeed; raises CommandError otherwise."""
    result = runner(argv)
    if result.rc != 0:
        raise CommandError(argv, result.rc, result.stderr or result.stdout, remedy)
    return result.stdout


def settle(runner: Runner) -> None:
    """Wait until udev has handled all events; raises CommandError when that takes longer than three minutes."""
    checked(
        runner,
        SETTLE,
        "A device keeps udev busy: run `journalctl -k -n 50` to find one that does not answer or cannot be read. Remove"
        " its drive or wait, then run this again.",
    )


def carry_out(
    runner: Runner, commands: Sequence[Command], lost_race: Optional[Callable[[CommandError], bool]] = None
) -> None:
    """Run *commands* in order, and let udev settle before the last one and after it.

    The last one opens the devices that the earlier ones wrote to, whose links must exist again by then. A command
    whose failure *lost_race* recognises as a race is run again once udev has settled. The first that fails otherwise
    raises CommandError, which lists what was done before it.
    """
    for number, command in enumerate(commands):
        if number == len(commands) - 1:
            settle(runner)
        _run_one(runner, command, _done_before(commands[:number]), lost_race)
    settle(runner)


def carry_out_unsettled(runner: Runner, commands: Sequence[Command]) -> None:
    """Run *commands* that do not change device links, in order; raises CommandError as `carry_out` does."""
    for number, command in enumerate(commands):
        checked(runner, command.argv, _done_before(commands[:number]))


def _done_before(commands: Sequence[Command]) -> str:
    done = "; ".join(" ".join(earlier.argv) for earlier in commands)
    return "Commands that ran before it: {0}.".format(done) if done else "It was the first command."


def _run_one(
    runner: Runner, command: Command, remedy: str, lost_race: Optional[Callable[[CommandError], bool]]
) -> None:
    for attempt in range(ATTEMPTS):
        try:
            checked(runner, command.argv, remedy)
            return
        except CommandError as error:
            if attempt == ATTEMPTS - 1 or lost_race is None or not lost_race(error):
                raise
            settle(runner)
