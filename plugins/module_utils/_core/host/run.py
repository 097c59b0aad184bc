# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The one room that runs commands.

A command is always a list of arguments, never a shell string. A `Runner` is handed in
by the caller: the Ansible modules wrap C(run_command), the on-host service wraps
`subprocess`, unit tests hand in a script that checks each argv.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Callable, Optional, Protocol, Sequence, Tuple

from ..errors import CommandError

ATTEMPTS = 3
# Two hundred units take a minute in an emulated guest, and longer once each has got two partitions.
SETTLE = ("udevadm", "settle", "--timeout=180")


@dataclass(frozen=True)
class Result:
    """What a finished command left: exit code, standard output, standard error."""

    rc: int
    stdout: str
    stderr: str


class Runner(Protocol):
    """Runs one command to its end. A program that is not installed raises HostError."""

    def __call__(self, argv: Sequence[str]) -> Result: ...


@dataclass(frozen=True)
class Command:
    """A command to be run and, for people, why."""

    argv: Tuple[str, ...]
    reason: str = ""


def checked(runner: Runner, argv: Sequence[str], remedy: str = "") -> str:
    """Standard output of a command that must succeed; raises CommandError otherwise."""
    result = runner(argv)
    if result.rc != 0:
        raise CommandError(argv, result.rc, result.stderr or result.stdout, remedy)
    return result.stdout


def settle(runner: Runner) -> None:
    """Wait until udev has handled what has happened; raises CommandError when three minutes do not do."""
    checked(
        runner,
        SETTLE,
        "Some device keeps udev busy: `journalctl -k -n 50` shows one that does not answer or cannot be read. Take its"
        " drive out or wait, then run this again.",
    )


def carry_out(
    runner: Runner, commands: Sequence[Command], lost_race: Optional[Callable[[CommandError], bool]] = None
) -> None:
    """Run *commands* in order, udev settled before the last and after it.

    The last one opens what the earlier ones wrote to: its links must stand again by then. One
    whose failure *lost_race* knows as a matter of time is run again once udev has settled. The
    first that fails otherwise raises CommandError, which tells what was done before it.
    """
    for number, command in enumerate(commands):
        if number == len(commands) - 1:
            settle(runner)
        _run_one(runner, command, _done_before(commands[:number]), lost_race)
    settle(runner)


def carry_out_unsettled(runner: Runner, commands: Sequence[Command]) -> None:
    """Run *commands*, which create or remove no device link, in order; raises CommandError as `carry_out` does."""
    for number, command in enumerate(commands):
        checked(runner, command.argv, _done_before(commands[:number]))


def _done_before(commands: Sequence[Command]) -> str:
    done = "; ".join(" ".join(earlier.argv) for earlier in commands)
    return "Done before it: {0}.".format(done) if done else "It was the first."


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
