# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The host of a running trial: devices, programs, time. Tests use a subclass."""

from __future__ import annotations

import os
import time
from contextlib import ExitStack, contextmanager
from typing import ContextManager, Dict, Iterable, Iterator, List, Mapping, Optional, Sequence, Tuple

from ..errors import CommandError, CoreError, HostError
from ..health import smart
from ..health.jobs import NOT_STARTED, Ended, Jobs, Work
from ..host import links, probe
from ..host.discover import Found, Wanted, discover
from ..host.lock import LOCK_FILE, one_at_a_time
from ..host.run import SETTLE, Result
from ..model import Content
from ..partition.extents import read_spec
from .facts import Facts, read_facts
from .order import Key, Order

TOOL_SECONDS = 120.0
SMART_AT_A_TIME = 4


class JobRunner:
    """A `Runner` that abandons commands that hang; their standard error is not kept."""

    def __init__(self, jobs: Jobs) -> None:
        self._jobs = jobs

    def __call__(self, argv: Sequence[str]) -> Result:
        """Run *argv* to its end. Raises HostError when it cannot be started, CommandError when it hangs."""
        name = "tool {0}".format(" ".join(argv))
        if not self._jobs.start(name, argv, TOOL_SECONDS, 16 << 20):
            raise CommandError(argv, -1, "an earlier run of it hangs in the kernel")
        while True:
            for ended in self._jobs.poll(1.0):
                if ended.name != name:
                    continue
                if ended.status != "done":
                    raise CommandError(argv, -1, "no answer within {0:.0f} seconds".format(TOOL_SECONDS))
                if ended.rc == NOT_STARTED:
                    raise HostError("the program {0} cannot be started".format(argv[0]), subject="host")
                return Result(ended.rc, ended.output.decode("utf-8", "replace"), "")


class TrialHost:
    """This host."""

    def __init__(self) -> None:
        self.jobs = Jobs()
        self.run = JobRunner(self.jobs)
        self._kept: List[Ended] = []
        self._number = 0

    # --- time and order

    def monotonic(self) -> float:
        """Seconds of a clock that never goes back."""
        return time.monotonic()

    def wall(self) -> int:
        """The time in seconds (Unix time)."""
        return int(time.time())

    def sleep(self, seconds: float) -> None:
        """Wait."""
        time.sleep(seconds)

    def lock(self) -> ContextManager[None]:
        """The host's lock: one action at a time."""
        return one_at_a_time("a trial of drives", LOCK_FILE)

    # --- drives

    def settle(self) -> None:
        """Wait until udev has processed its events."""
        self.run(SETTLE)

    def discover(self, order: Order) -> Found:
        """The drives as they are now."""
        ranges = {serial: read_spec(spec, "ranges.{0}".format(serial)) for serial, spec in order.ranges.items()}
        units = {drive.serial: drive.expected_units for drive in order.drives if drive.expected_units}
        return discover(Wanted(units=units, ranges=ranges))

    def nodes_of(self, paths: Iterable[str]) -> Dict[str, str]:
        """The devices that links point to."""
        return links.nodes_of(paths)

    def facts(self, found: Found, serials: Sequence[str]) -> Facts:
        """What is known about the drives besides their speed."""
        return read_facts(found, serials, self.run)

    def contents(self, found: Found, keys: Iterable[Key]) -> Mapping[Key, Tuple[Content, ...]]:
        """What is on the units now, read from the devices."""
        return probe.examine(found, keys, self.run)

    @contextmanager
    def claim(self, paths: Iterable[str]) -> Iterator[None]:
        """Hold devices exclusively: meanwhile nobody can mount them or make a pool of them.

        Raises HostError when one of them is in use.
        """
        with ExitStack() as held:
            for path in sorted({os.path.realpath(path) for path in paths}):
                try:
                    handle = os.open(path, os.O_RDONLY | os.O_EXCL | os.O_CLOEXEC)
                except OSError as error:
                    raise HostError(
                        "the device cannot be opened exclusively: {0}".format(error.strerror), path
                    ) from error
                held.callback(os.close, handle)
            yield

    def temperatures(self, paths: Sequence[str]) -> Dict[str, int]:
        """Degrees Celsius by path, where a device reports them. Runs beside fio, whose result is kept."""
        left, found = list(paths), {}  # type: List[str], Dict[str, int]
        running: Dict[str, str] = {}
        while left or running:
            while left and len(running) < SMART_AT_A_TIME:
                path = left.pop(0)
                if self.jobs.start("smart " + path, smart.argv(path), TOOL_SECONDS):
                    running["smart " + path] = path
            for ended in self.jobs.poll(0.5):
                if ended.name not in running:
                    self._kept.append(ended)
                    continue
                degrees = _temperature(ended)
                if degrees is not None:
                    found[running[ended.name]] = degrees
                del running[ended.name]
        return found

    # --- the current run

    def start(self, work: Work, seconds: float) -> bool:
        """Start fio; it is abandoned after *seconds*. False when the host refuses another process.

        Each has its own name: one that hangs in the kernel with its drive is not waited for.
        """
        self._kept = []
        self._number += 1
        return self.jobs.start(self._fio, work, seconds, 256 << 20)

    def poll(self, seconds: float) -> Optional[Ended]:
        """How fio ended; None while it runs."""
        ended = self._kept or self.jobs.poll(seconds)
        self._kept = []
        return next((one for one in ended if one.name == self._fio), None)

    def abandon(self) -> None:
        """End fio now."""
        self.jobs.abandon()
        for _dummy in range(100):
            if not self.jobs.busy(self._fio):
                return
            self.jobs.poll(0.1)

    @property
    def _fio(self) -> str:
        return "fio {0}".format(self._number)


def _temperature(ended: Ended) -> Optional[int]:
    try:
        return smart.read(ended.output.decode("utf-8", "replace")).temperature if ended.status == "done" else None
    except CoreError:
        return None
