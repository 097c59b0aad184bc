# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the lab keeps things: everything lives outside the repository."""

from __future__ import annotations

import fcntl
import hashlib
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from .errors import LabError

Tell = Callable[[str], None]


def tell_stderr(text: str) -> None:
    """Shows progress where it does not mix with results."""
    print(text, file=sys.stderr, flush=True)


def tell_nobody(_text: str) -> None:
    """For callers who want no progress."""


def cache_dir() -> Path:
    """The lab's cache: root images, the login key, and the state of labs."""
    base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    path = Path(base) / "evenkeel-split-actuator"
    path.mkdir(parents=True, exist_ok=True)
    return path


def state_dir(name: str) -> Path:
    """Where the lab C(name) keeps its disks and its state."""
    return cache_dir() / "labs" / name


def socket_dir(state: Path) -> Path:
    """A short private directory for sockets, whose paths may not exceed 107 bytes."""
    digest = hashlib.sha256(os.fsencode(state.resolve())).hexdigest()[:12]
    path = Path(tempfile.gettempdir()) / f"evenkeel-lab-{os.getuid()}-{digest}"
    try:
        path.mkdir(mode=0o700)
    except FileExistsError:
        found = path.lstat()
        if path.is_symlink() or found.st_uid != os.getuid() or found.st_mode & 0o077:
            raise LabError(f"{path} exists and is not a private directory of this user. Remove it.") from None
    return path


@contextmanager
def locked(path: Path, tell: Tell, what: str) -> Iterator[None]:
    """Holds an exclusive lock on C(path), telling when it has to wait for it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("a+") as handle:
        told = False
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if not told:
                    tell(f"waiting for {what}, held by another process")
                    told = True
                time.sleep(0.5)
        yield
