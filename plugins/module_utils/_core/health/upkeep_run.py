# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Starts the scrubs and self-tests that are due: asks `upkeep`, reads the pools again, acts, and reports."""

from __future__ import annotations

import json
import os
import time
from typing import Dict, List, Optional, Protocol, Sequence, Tuple

from ..errors import HostError
from ..host.lock import LOCK_FILE, one_at_a_time
from ..host.sysfs import read_text
from . import upkeep
from .collect import CLASS_BLOCK, Readers
from .config import Config
from .jobs import Ended, Work
from .memory import Memory
from .metrics import Moment
from .publish import SnapshotFile
from .readers import HostReaders
from .upkeep import Decision, Start, Started

START_SECONDS = 60.0
_SMARTCTL_FAILED = 0x07


class Worker(Protocol):
    """Runs jobs: see `jobs.Jobs`."""

    def start(self, name: str, work: Work, seconds: float, most: int = ...) -> bool: ...

    def poll(self, seconds: float) -> List[Ended]: ...


def run_scrubs(
    config: Config,
    worker: Worker,
    moment: Moment,
    readers: Optional[Readers] = None,
    lock: str = LOCK_FILE,
) -> Tuple[str, ...]:
    """Start the scrubs that are due. One sentence for each that was started, failed or waits."""
    memory = Memory(config.state_directory)
    decision = upkeep.scrubs(SnapshotFile(config.snapshot).read(), config.upkeep, memory.tests(), moment)
    if not decision.pools:
        return decision.waiting
    try:
        with one_at_a_time("the scheduled scrub", lock):
            why = _quiet(worker, readers or HostReaders(), config, decision.pools)
            if why:
                return decision.waiting + (why,)
            return decision.waiting + tuple(_scrub(worker, pool) for pool in decision.pools)
    except HostError as error:
        return decision.waiting + ("Waits: {0}".format(error),)


def _scrub(worker: Worker, pool: str) -> str:
    ended = _run(worker, ("zpool", "scrub", pool))
    if ended is None or ended.status != "done" or ended.rc != 0:
        return "Failed to start a scrub of pool {0}: {1}".format(pool, _why(ended))
    return "Started a scrub of pool {0}.".format(pool)


def run_tests(
    config: Config,
    kind: str,
    worker: Worker,
    moment: Moment,
    readers: Optional[Readers] = None,
    lock: str = LOCK_FILE,
    class_block: str = CLASS_BLOCK,
) -> Tuple[str, ...]:
    """Start the self-tests of *kind* that are due. One sentence for each that was started, failed or waits."""
    memory = Memory(config.state_directory)
    started = memory.tests()
    decision: Decision = upkeep.tests(SnapshotFile(config.snapshot).read(), config.upkeep, kind, started, moment)
    if not decision.tests:
        return decision.waiting
    try:
        with one_at_a_time("the scheduled self-tests", lock):
            why = _quiet(worker, readers or HostReaders(), config, ())
            if why:
                return decision.waiting + (why,)
            return decision.waiting + _tests(config, decision.tests, worker, moment, started, memory, class_block)
    except HostError as error:
        return decision.waiting + ("Waits: {0}".format(error),)


def _tests(
    config: Config,
    starts: Sequence[Start],
    worker: Worker,
    moment: Moment,
    started: Dict[str, Started],
    memory: Memory,
    class_block: str,
) -> Tuple[str, ...]:
    said: List[str] = []
    begun = time.monotonic()
    for start in starts:
        wwid = read_text("{0}/{1}/device/wwid".format(class_block, os.path.basename(start.node)))
        if wwid and start.wwn and wwid != start.wwn:
            said.append("{0}: its device {1} belongs to another unit now.".format(start.name, start.node))
            continue
        # Noted before it starts, since a test that may run must count as running, and again after it was started:
        # a reading that began before that does not show it.
        _keep(memory, started, start, moment, time.monotonic() - begun)
        ended = _run(worker, (config.smartctl, "-t", start.kind, start.node))
        _keep(memory, started, start, moment, time.monotonic() - begun)
        if ended is None or ended.status != "done" or ended.rc & _SMARTCTL_FAILED:
            said.append("Failed to start the {0} self-test of {1}: {2}".format(start.kind, start.name, _why(ended)))
        else:
            said.append("Started the {0} self-test of {1} (serial {2}).".format(start.kind, start.name, start.serial))
    return tuple(said)


def _keep(memory: Memory, started: Dict[str, Started], start: Start, moment: Moment, later: float) -> None:
    started[start.key] = Started(moment.boot, moment.at + later, moment.wall + later, start.kind)
    memory.keep_tests(started)


def _quiet(worker: Worker, readers: Readers, config: Config, scrubbing: Sequence[str]) -> str:
    """Why nothing may start, from the pools' present state; empty when it may."""
    worker.start("pools", readers.pools((), ()), config.pools_timeout_seconds, 16 << 20)
    ended = _wait(worker)
    if ended is None or ended.status != "done" or ended.rc != 0:
        return "Failed to read the pools: {0}".format(_why(ended))
    read = json.loads(ended.output.rstrip(b"\n").rpartition(b"\n")[2])
    if "error" in read:
        return "Failed to read the pools: {0}".format(read["error"])
    for one in read["pools"]:
        name = one["pool"]["name"]
        if one["scan"]["running"] and (not scrubbing or name in scrubbing):
            return "Pool {0}: a {1} is running.".format(name, one["scan"]["function"])
        if one["pool"]["suspended"]:
            return "Pool {0} is suspended.".format(name)
    return ""


def _run(worker: Worker, argv: Sequence[str]) -> Optional[Ended]:
    return _wait(worker) if worker.start("upkeep", argv, START_SECONDS) else None


def _wait(worker: Worker) -> Optional[Ended]:
    # Every job has its own time limit, so this ends.
    while True:
        ended = worker.poll(1.0)
        if ended:
            return ended[0]


def _why(ended: Optional[Ended]) -> str:
    if ended is None:
        return "an earlier command hangs in the kernel."
    if ended.status != "done":
        return "no answer within {0:.0f} seconds.".format(ended.seconds)
    text = ended.output.decode("utf-8", "replace").strip().splitlines()
    return "code {0}: {1}".format(ended.rc, text[-1][:200] if text else "no message")
