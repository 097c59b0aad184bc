# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Starts and stops trials: read, decide, show, act. The trial itself runs as a service, see `run`."""

from __future__ import annotations

import os
import time
from dataclasses import dataclass, field, replace
from typing import Any, Dict, List, Mapping, Optional, Sequence, Tuple

from ..errors import HostError
from ..host import links, probe
from ..host.discover import Wanted, discover
from ..host.files import write_atomically
from ..host.run import Command, Runner, checked
from ..plain import amount
from . import choose, plan, results, service
from .estimate import seconds_left
from .order import Order, Settings
from .state import ENDED, Folder, Progress

LIVE = ("active", "activating", "reloading", "deactivating")


@dataclass(frozen=True)
class Wish:
    """The request. *serials* None: every drive with several units. *fresh*: even if they were tested before."""

    serials: Optional[Tuple[str, ...]] = None
    burn_in_serials: Tuple[str, ...] = ()
    settings: Settings = field(default_factory=Settings)
    include_busy: bool = False
    fresh: bool = False


@dataclass
class Access:
    """The host on which trials are started and stopped. Tests put a subclass in its place."""

    run: Runner
    wanted: Wanted
    folder: Folder
    program: bytes
    results_path: str = results.PATH
    unit_file: str = service.UNIT_FILE
    program_path: str = service.PROGRAM

    def live(self) -> bool:
        """Whether the service runs."""
        return checked(self.run, service.ACTIVE).strip() in LIVE

    def files(self) -> Dict[str, Tuple[bytes, int]]:
        """The files that the service consists of, with their modes."""
        return {self.program_path: (self.program, 0o755), self.unit_file: (service.UNIT.encode(), 0o644)}

    def stale(self) -> Tuple[str, ...]:
        """Those of the files that are missing or different."""
        return tuple(path for path, (content, _mode) in self.files().items() if _content(path) != content)

    def install(self, paths: Sequence[str]) -> None:
        """Write these files. Raises HostError."""
        files = self.files()
        for path in paths:
            try:
                os.makedirs(os.path.dirname(path), mode=0o755, exist_ok=True)
                write_atomically(path, *files[path])
            except OSError as error:
                raise HostError("{0} cannot be written: {1}".format(path, error.strerror), subject="trial") from error


def _content(path: str) -> bytes:
    try:
        with open(path, "rb") as file:
            return file.read()
    except OSError:
        return b""


@dataclass(frozen=True)
class Outcome:
    """What was, or in check mode would be, done. *runs* are fio's command lines, in order, each with its purpose."""

    changed: bool
    commands: Tuple[Command, ...] = ()
    runs: Tuple[Command, ...] = ()
    before: str = ""
    after: str = ""
    progress: Optional[Progress] = None
    seconds: Optional[float] = None


def look(access: Access) -> Optional[Progress]:
    """How far the latest trial is; one whose service ended without a report counts as stopped."""
    progress = access.folder.progress()
    if progress is None or progress.state in ENDED or access.live():
        return progress
    # It may have ended between the two looks.
    again = access.folder.progress()
    if again is None or again.state in ENDED:
        return again
    return replace(
        again, state="stopped", reason="its service ended without a report; see journalctl -u " + service.NAME
    )


def ensure_started(access: Access, wish: Wish, check_mode: bool, ranges: Mapping[str, Any]) -> Outcome:
    """Start or continue the trial, unless it is under way or finished.

    Raises Refusal with every reason why it may not start; nothing has been changed then.
    """
    found = discover(access.wanted)
    order = choose.make_order(found, wish.serials, wish.burn_in_serials, wish.settings, ranges)
    earlier, progress = access.folder.order(), look(access)
    same = earlier is not None and earlier.id == order.id
    if progress is not None and progress.state not in ENDED:
        if not same:
            raise HostError(
                "another trial is under way ({0} of {1} runs done)".format(progress.done, progress.total),
                subject="host",
                remedy="Wait until it has finished, or stop it with state: stopped.",
            )
        return Outcome(False, progress=progress)
    if same and progress is not None and progress.state == "finished" and not wish.fresh:
        return Outcome(False, progress=progress)
    keys = [(drive.serial, unit.index) for drive in order.drives for unit in drive.units]
    choose.refuse_contents(order, probe.examine(found, keys, access.run), keys, wish.include_busy)
    _refuse_strays(order, choose.gone(order, found, _nodes(order)))
    on = same and not wish.fresh
    return _start(access, order, on, progress if on else None, check_mode)


def _nodes(order: Order) -> Dict[str, str]:
    return links.nodes_of(unit.path for drive in order.drives for unit in drive.units)


def _refuse_strays(order: Order, gone: Mapping[str, str]) -> None:
    for serial, why in gone.items():
        raise HostError(why, subject=order.drive(serial).label, remedy="Run `udevadm settle`, then run this again.")


def _start(access: Access, order: Order, on: bool, progress: Optional[Progress], check_mode: bool) -> Outcome:
    steps = plan.steps(order)
    measures = access.folder.measures() if on else {}
    known = results.speeds(results.read(access.results_path))
    seconds = seconds_left(order, measures, progress.dropped if progress else (), known)
    _refuse_long(order, seconds)
    stale = access.stale()
    commands = service.start_commands(access.unit_file in stale)
    runs = tuple(
        Command(plan.argv(order, step), plan.describe(order, step)) for step in steps if step.number not in measures
    )
    before = "trial: {0}\n".format("{0} of {1} runs done".format(len(measures), len(steps)) if on else "none")
    if not check_mode:
        if on and progress is not None:
            access.folder.keep(replace(progress, state="waiting", reason=""))
        else:
            os.makedirs(os.path.dirname(access.results_path), mode=0o755, exist_ok=True)
            access.folder.begin(order, len(steps), int(time.time()))
        access.install(stale)
        access.folder.want(True)
        for command in commands:
            checked(access.run, command.argv)
        progress = access.folder.progress()
    return Outcome(True, commands, runs, before, _picture(order, len(steps), seconds), progress, seconds)


def _refuse_long(order: Order, seconds: Optional[float]) -> None:
    if seconds is not None and seconds > order.settings.time_limit_seconds:
        raise HostError(
            "it would take {0:.0f} minutes".format(seconds / 60),
            subject="time_limit_seconds {0}".format(order.settings.time_limit_seconds),
            remedy="Raise time_limit_seconds, lower run_seconds, or raise per_adapter.",
        )


def _picture(order: Order, runs: int, seconds: Optional[float]) -> str:
    lines = ["trial: {0} on {1}".format(amount(runs, "run"), amount(len(order.drives), "drive"))]
    for drive in order.drives:
        written = ", OVERWRITTEN COMPLETELY" if drive.burn_in else ""
        lines.append("  {0}: {1}{2}".format(drive.label, amount(len(drive.units), "unit"), written))
    lines.append("  fio runs for {0}".format(length_words(seconds)))
    return "\n".join(lines) + "\n"


def length_words(seconds: Optional[float]) -> str:
    """A time span as text."""
    if seconds is None:
        return "a time that is not known before the drives' speed is measured"
    return "{0:.0f} minutes".format(seconds / 60) if seconds >= 120 else "{0:.0f} seconds".format(seconds)


def ensure_stopped(access: Access, check_mode: bool) -> Outcome:
    """Stop the trial that is under way. What it has measured is kept, and it can be continued."""
    progress = look(access)
    if not access.folder.wanted and (progress is None or progress.state in ENDED):
        return Outcome(False, progress=progress)
    if not check_mode:
        access.folder.want(False)
        checked(access.run, service.STOP.argv)
        progress = look(access)
    return Outcome(True, (service.STOP,), (), "trial: under way\n", "trial: stopped\n", progress)


def argv_lists(commands: Sequence[Command]) -> List[List[str]]:
    """The command lines alone."""
    return [list(command.argv) for command in commands]


def diff(outcome: Outcome) -> List[Dict[str, str]]:
    """The diff of what was done: the trial before and after, and every command, including those of fio."""
    if not outcome.changed:
        return []
    lines = "".join(" ".join(command.argv) + "\n" for command in (*outcome.commands, *outcome.runs))
    return [
        {"before_header": "trial", "after_header": "trial", "before": outcome.before, "after": outcome.after},
        {"prepared": "commands, and what the trial runs:\n" + lines},
    ]
