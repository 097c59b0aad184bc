# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The lock that allows one action at a time on a host."""

from __future__ import annotations

import fcntl
import os
from contextlib import contextmanager
from typing import Iterator

from ..errors import HostError

# Not in /run/lock: everybody may create files there, and could so block root.
LOCK_FILE = "/run/evenkeel/split_actuator.lock"


@contextmanager
def one_at_a_time(action: str, path: str = LOCK_FILE) -> Iterator[None]:
    """Hold the host's lock while an action runs. The kernel releases it however the action ends.

    Raises HostError, naming the other action, when one is running.
    """
    try:
        os.makedirs(os.path.dirname(path), 0o755, exist_ok=True)
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
    except OSError as exc:
        raise HostError(
            "the lock file {0} cannot be opened: {1}".format(path, exc.strerror),
            subject="host",
            remedy="Run this as root.",
        ) from exc
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as exc:
            other = os.pread(handle, 200, 0).decode("ascii", "replace").strip() or "another action"
            raise HostError(
                "{0} is running on this host".format(other),
                subject="host",
                remedy="Wait for it to end, then run again.",
            ) from exc
        os.ftruncate(handle, 0)
        os.pwrite(handle, "{0} (process {1})\n".format(action, os.getpid()).encode("ascii", "replace"), 0)
        yield
    finally:
        os.close(handle)
