# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The program of the health service: its commands.

C(collect) reads and publishes until it is stopped; C(serve) serves what C(collect) published; C(withdraw) removes the
text file; C(show) prints the metrics; C(scrub) and C(selftest) start scrubs and self-tests that are due.
`_core.health.pack` packs it with the parts of the library that it imports.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import time
from typing import Any, Callable, Dict, List, Optional, Sequence

from ._core import version
from ._core.errors import CoreError
from ._core.health import publish
from ._core.health.collect import Collector
from ._core.health.config import PATH, Config
from ._core.health.config import read as read_config
from ._core.health.jobs import Jobs
from ._core.health.memory import Memory
from ._core.health.notify import notify
from ._core.health.readers import HostReaders
from ._core.health.upkeep_run import run_scrubs, run_tests

VERSION = version.VERSION
USAGE_ERROR = 2


def say(message: str) -> None:
    """A line for the journal."""
    sys.stderr.write(message + "\n")
    sys.stderr.flush()


class _Stop:
    """Set by the signals that ask the service to end."""

    def __init__(self) -> None:
        self.asked = False
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self._ask)

    def _ask(self, *_details: Any) -> None:
        self.asked = True


def collect(config: Config) -> int:
    """Read and publish until a signal asks for the end."""
    stop = _Stop()
    worker = Jobs()
    memory = Memory(config.state_directory)
    moment = publish.now()
    collector = Collector(
        config,
        worker,
        HostReaders(),
        moment.boot,
        clock=lambda: time.clock_gettime(time.CLOCK_BOOTTIME),
        wall=time.time,
        scrubs=memory.scrubs(),
    )
    old = publish.SnapshotFile(config.snapshot).read()
    if old is not None:
        collector.restore(old)
    publisher = _Publisher(config)
    notify("READY=1")
    due = moment.at + 1.0
    while not stop.asked:
        collector.step(0.5)
        notify("WATCHDOG=1")
        now = time.clock_gettime(time.CLOCK_BOOTTIME)
        if now >= due:
            publisher.publish(collector)
            memory.keep_scrubs(collector.scrubs)
            due = now + config.interval_seconds
    worker.abandon()
    publish.withdraw(config)
    return 0


class _Publisher:
    """Publishes, and logs when that begins to fail and when it works again."""

    def __init__(self, config: Config) -> None:
        self._config = config
        self._failing = False

    def publish(self, collector: Collector) -> None:
        """Publish what the collector knows."""
        try:
            publish.publish(collector.snapshot(), self._config, VERSION)
        except CoreError as error:
            if not self._failing:
                say(str(error))
            self._failing = True
        else:
            if self._failing:
                say("The readings can be written again.")
            self._failing = False


def serve(config: Config) -> int:
    """Serve what the collector published, until a signal asks for the end."""
    stop = _Stop()
    publish.serve(config, VERSION)
    notify("READY=1")
    while not stop.asked:
        signal.pause()
    return 0


def withdraw(config: Config) -> int:
    """Remove the text file: the service manager runs this whenever the collector has ended."""
    publish.withdraw(config)
    return 0


def show(config: Config) -> int:
    """Print the metrics as a host agent would read them."""
    reader = publish.SnapshotFile(config.snapshot)
    sys.stdout.write(publish.text_of(publish.MetricsCollector(reader.read, VERSION)))
    return 0


def scrub(config: Config) -> int:
    """Start the scrubs that are due."""
    return _log(run_scrubs(config, Jobs(), publish.now()))


def selftest(config: Config, kind: str) -> int:
    """Start the self-tests of *kind* that are due."""
    return _log(run_tests(config, kind, Jobs(), publish.now()))


def _log(lines: Sequence[str]) -> int:
    for line in lines:
        say(line)
    return 1 if any(line.startswith("Failed") for line in lines) else 0


COMMANDS: Dict[str, Callable[[Config], int]] = {
    "collect": collect,
    "serve": serve,
    "withdraw": withdraw,
    "show": show,
    "scrub": scrub,
}


def main(arguments: Optional[List[str]] = None) -> int:
    """Run one command. Exit code: 0 done; 1 a foreseeable failure, which is in the journal; 2 wrong usage."""
    parser = argparse.ArgumentParser(prog="evenkeel-health", description="Health of units, drives and pools.")
    parser.add_argument("--config", default=PATH, help="the configuration file")
    parser.add_argument("command", choices=sorted(COMMANDS) + ["selftest"])
    parser.add_argument("kind", nargs="?", choices=["short", "long"], help="the kind of self-test")
    given = parser.parse_args(arguments)
    if (given.command == "selftest") != bool(given.kind):
        parser.error("selftest needs a kind; other commands do not take one")
    os.umask(0o027)
    try:
        config = read_config(given.config)
        if given.command == "selftest":
            return selftest(config, given.kind)
        return COMMANDS[given.command](config)
    except CoreError as error:
        say(str(error))
        return 1
