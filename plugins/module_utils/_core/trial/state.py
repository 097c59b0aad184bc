# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""A trial's own files: what was ordered, how far it is, and every measure as soon as it is made.

A trial continues where these files say, after a stop or a power failure.
"""

from __future__ import annotations

import json
import os
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, Dict, List, Mapping, Optional, Tuple

from ..errors import CoreError, HostError
from ..host.files import append_line, write_atomically
from ..plain import from_plain, to_plain
from .facts import Facts, UnitFacts
from .order import Key, Order
from .reading import Measure
from .verdict import Reason

FOLDER = "/var/lib/evenkeel/split_actuator/trial"
ENDED = ("finished", "stopped", "failed")


@dataclass(frozen=True)
class Progress:
    """How far a trial is.

    *state*: C(waiting) (ordered, not begun), C(running), C(paused) (too warm), C(finished), C(stopped) (by
    a person or its time limit) or C(failed), with the *reason* for the last four. *done* of *total* runs
    are done. *spent* are the seconds it has run; *seconds_left* is estimated from what was measured
    and None before that. *dropped* are drives that were left out during the trial.
    """

    order: str
    state: str = "waiting"
    reason: str = ""
    doing: str = ""
    done: int = 0
    total: int = 0
    started: int = 0
    updated: int = 0
    spent: float = 0.0
    seconds_left: Optional[float] = None
    warmest: Optional[int] = None
    dropped: Dict[str, Reason] = field(default_factory=dict)


class Folder:
    """The files of the trial in one folder of the host."""

    def __init__(self, path: str = FOLDER) -> None:
        self.path = path

    def name(self, file: str) -> str:
        """The path of one of the files."""
        return "{0}/{1}".format(self.path, file)

    # --- the order

    def order(self) -> Optional[Order]:
        """The latest order; None when there is none."""
        data = self._read("order.json")
        return None if data is None else from_plain(Order, data, "trial order")

    def begin(self, order: Order, total: int, now: int) -> None:
        """Write a new order, and remove the files of an earlier one."""
        try:
            os.makedirs(self.path, mode=0o755, exist_ok=True)
            # All files: a power failure can leave temporary ones.
            for file in sorted(os.listdir(self.path), key=lambda name: name != "wanted"):
                os.unlink(self.name(file))
        except OSError as error:
            raise _cannot(self.path, error) from error
        self._write("order.json", to_plain(order))
        self.keep(Progress(order=order.id, total=total, started=now, updated=now))

    # --- whether it is to run

    @property
    def wanted(self) -> bool:
        """Whether the trial is to run, also after a boot."""
        return os.path.exists(self.name("wanted"))

    def want(self, wanted: bool) -> None:
        """Set whether it is to run."""
        try:
            if wanted:
                write_atomically(self.name("wanted"), "", 0o644)
            else:
                with suppress(FileNotFoundError):
                    os.unlink(self.name("wanted"))
        except OSError as error:
            raise _cannot(self.path, error) from error

    # --- progress

    def progress(self) -> Optional[Progress]:
        """How far it is; None when there is no trial."""
        data = self._read("progress.json")
        return None if data is None else from_plain(Progress, data, "trial progress")

    def keep(self, progress: Progress) -> None:
        """Replace the progress."""
        self._write("progress.json", to_plain(progress))

    # --- what was found before it began

    def before(self) -> Optional[Facts]:
        """The facts when the trial began."""
        data = self._read("before.json")
        if data is None:
            return None
        return {
            str(serial): tuple(from_plain(UnitFacts, unit, "trial facts") for unit in units)
            for serial, units in data.items()
        }

    def keep_before(self, facts: Facts) -> None:
        """Write the facts."""
        self._write("before.json", to_plain(facts))

    # --- measures

    def measures(self) -> Dict[int, Dict[Key, Measure]]:
        """The measures of each run that is done. A last line that a power failure truncated does not count."""
        found: Dict[int, Dict[Key, Measure]] = {}
        try:
            with open(self.name("measures.jsonl"), encoding="utf-8", errors="replace") as file:
                lines = file.read().splitlines()
        except FileNotFoundError:
            return found
        except OSError as error:
            raise _cannot(self.path, error) from error
        for line in lines:
            try:
                data = json.loads(line)
                found[int(data["run"])] = {
                    (str(serial), int(index)): from_plain(Measure, measure) for serial, index, measure in data["units"]
                }
            except (ValueError, KeyError, TypeError, CoreError):
                continue
        return found

    def add(self, number: int, measures: Mapping[Key, Measure]) -> None:
        """Keep the measures of a run, on the disk before this returns."""
        units: List[Tuple[str, int, Any]] = [(key[0], key[1], to_plain(one)) for key, one in measures.items()]
        try:
            append_line(self.name("measures.jsonl"), json.dumps({"run": number, "units": units}, sort_keys=True))
        except OSError as error:
            raise _cannot(self.path, error) from error

    # --- inside

    def _read(self, file: str) -> Any:
        try:
            with open(self.name(file), encoding="utf-8") as handle:
                return json.load(handle)
        except FileNotFoundError:
            return None
        except (OSError, ValueError, RecursionError) as error:
            raise HostError(
                "{0} cannot be read: {1}".format(self.name(file), error),
                subject="trial",
                remedy="Start a new trial with fresh: true.",
            ) from error

    def _write(self, file: str, data: Any) -> None:
        try:
            write_atomically(self.name(file), json.dumps(data, indent=1, sort_keys=True) + "\n", 0o644)
        except OSError as error:
            raise _cannot(self.path, error) from error


def _cannot(path: str, error: OSError) -> HostError:
    return HostError("{0} cannot be written: {1}".format(path, error.strerror), subject="trial")
