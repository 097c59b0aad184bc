# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Work in child processes that can be abandoned.

A call that touches a device or a pool may hang in the kernel, where no signal ends it. So it runs in a child with a
process group of its own. When its time is up, the group is killed and no longer waited for. While one of its processes
still exists, the job counts as stuck, and no second one of that name is started.

The parent must have one thread only, since it forks.
"""

from __future__ import annotations

import errno
import fcntl
import os
import selectors
import signal
import time
from dataclasses import dataclass
from typing import Callable, Dict, List, Mapping, Optional, Sequence, Tuple, Union

ENVIRONMENT = {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "LANG": "C", "LC_ALL": "C", "TERM": "dumb"}
NOT_STARTED = 127

Work = Union[Sequence[str], Callable[[int], None]]


@dataclass(frozen=True)
class Ended:
    """A job that ended or was abandoned.

    *status*: C(done) (see *rc*; negative for a signal), C(timeout) or C(flood) (too much output). *output* is what it
    had written, *seconds* how long it took.
    """

    name: str
    status: str
    rc: int
    output: bytes
    seconds: float


@dataclass
class _Running:
    pid: int
    pipe: int
    started: float
    deadline: float
    most: int
    output: bytearray
    open: bool = True


class Jobs:
    """Starts jobs by name and collects their output.

    *environment* is for programs; functions run in a fork with a copy of the parent's memory.
    """

    def __init__(
        self,
        environment: Optional[Mapping[str, str]] = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._environment = dict(ENVIRONMENT if environment is None else environment)
        self._clock = clock
        self._running: Dict[str, _Running] = {}
        self._lingering: Dict[str, Tuple[int, bool]] = {}
        self._selector = selectors.DefaultSelector()

    def start(self, name: str, work: Work, seconds: float, most: int = 1 << 20) -> bool:
        """Start *work* (an argument list, or a function that writes to a file descriptor) for at most *seconds*.

        False when a job of that name is still running or stuck, or the host refuses another process.
        """
        if self.busy(name):
            return False
        try:
            ours, theirs = os.pipe2(os.O_CLOEXEC)
            pid = os.fork()
        except OSError:
            return False
        if pid == 0:
            self._become(work, theirs)
        os.close(theirs)
        fcntl.fcntl(ours, fcntl.F_SETFL, fcntl.fcntl(ours, fcntl.F_GETFL) | os.O_NONBLOCK)
        now = self._clock()
        self._running[name] = _Running(pid, ours, now, now + seconds, most, bytearray())
        self._selector.register(ours, selectors.EVENT_READ, name)
        return True

    def _become(self, work: Work, pipe: int) -> None:
        """Be the child; never returns."""
        rc = NOT_STARTED
        try:
            os.setsid()
            for number in (signal.SIGTERM, signal.SIGINT, signal.SIGCHLD, signal.SIGPIPE, signal.SIGALRM):
                signal.signal(number, signal.SIG_DFL)
            null = os.open(os.devnull, os.O_RDWR)
            os.dup2(null, 0)
            # Functions report through the pipe only; a program's standard error is not read.
            os.dup2(pipe if not callable(work) else null, 1)
            os.dup2(null, 2)
            kept = pipe if callable(work) else 2
            os.closerange(3, kept)
            os.closerange(kept + 1, 4096)
            if callable(work):
                work(pipe)
                rc = 0
            else:
                os.execvpe(work[0], list(work), self._environment)  # noqa: S606 -- no shell is meant
        finally:
            # None of the parent's code may run here again, whatever was raised.
            os._exit(rc)

    def busy(self, name: str) -> bool:
        """Whether the job is running or stuck."""
        return name in self._running or name in self._lingering

    @property
    def stuck(self) -> Tuple[str, ...]:
        """Jobs that were killed and whose processes still exist."""
        return tuple(self._lingering)

    def under_way(self, younger_than: float = float("inf")) -> Tuple[str, ...]:
        """Running jobs that were started less than *younger_than* seconds ago."""
        now = self._clock()
        return tuple(name for name, job in self._running.items() if now - job.started < younger_than)

    def poll(self, seconds: float) -> List[Ended]:
        """Wait until something ends, for at most *seconds*; the jobs that ended since the last call."""
        self._bury()
        found: List[Ended] = []
        deadline = self._clock() + seconds
        while True:
            now = self._clock()
            first = min([job.deadline for job in self._running.values()] + [deadline])
            # A pipe may be closed before its process has ended: poll those.
            leaving = any(not job.open for job in self._running.values())
            for key, _mask in self._selector.select(min(max(first - now, 0.0), 0.02 if leaving else seconds)):
                self._drain(key.data)
            found += self._ended()
            if found or self._clock() >= deadline:
                return found

    def _drain(self, name: str) -> None:
        job = self._running[name]
        try:
            chunk = os.read(job.pipe, 65536)
        except BlockingIOError:
            return
        if chunk and len(job.output) <= job.most:
            job.output += chunk
        if not chunk:
            self._selector.unregister(job.pipe)
            os.close(job.pipe)
            job.open = False

    def _ended(self) -> List[Ended]:
        now = self._clock()
        found: List[Ended] = []
        for name, job in list(self._running.items()):
            status, rc = "", 0
            if len(job.output) > job.most:
                status = "flood"
            elif not job.open:
                pid, code = os.waitpid(job.pid, os.WNOHANG)
                if pid:
                    status, rc = "done", os.waitstatus_to_exitcode(code)
            if not status and now >= job.deadline:
                status = "timeout"
            if status:
                self._end(name, job, gone=status == "done")
                found.append(Ended(name, status, rc, bytes(job.output[: job.most]), now - job.started))
        return found

    def _end(self, name: str, job: _Running, gone: bool) -> None:
        del self._running[name]
        if job.open:
            self._selector.unregister(job.pipe)
            os.close(job.pipe)
        # Its own children may still exist in either case.
        if not gone or _alive(job.pid):
            _kill(job.pid)
            self._lingering[name] = (job.pid, gone)
            self._bury()

    def _bury(self) -> None:
        for name, (pid, reaped) in list(self._lingering.items()):
            if not reaped:
                reaped = os.waitpid(pid, os.WNOHANG)[0] == pid
                self._lingering[name] = (pid, reaped)
            if reaped and not _alive(pid):
                del self._lingering[name]

    def abandon(self) -> None:
        """Kill all running jobs, without waiting."""
        for name, job in list(self._running.items()):
            self._end(name, job, gone=False)


def _kill(group: int) -> None:
    try:
        os.killpg(group, signal.SIGKILL)
    except ProcessLookupError:
        pass
    except PermissionError:
        # A program that has changed its user; its unit's time limit ends it.
        pass


def _alive(group: int) -> bool:
    try:
        os.killpg(group, 0)
    except OSError as error:
        return error.errno != errno.ESRCH
    return True
