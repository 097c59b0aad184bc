# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Files that others read while they are replaced."""

from __future__ import annotations

import os
from contextlib import suppress
from typing import Union

_NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC


def write_atomically(path: str, content: Union[str, bytes], mode: int = 0o644, lasting: bool = True) -> None:
    """Replace *path* so that a reader sees the old content or the new, never a part of it. Raises OSError.

    No existing file is written to: neither the target of a link of that name nor a hard link to it. The directory is
    opened once, so that it cannot be exchanged in between. The temporary file is in the same directory, and has
    another suffix than *path*, so that nothing that selects files by suffix reads it. If it is not *lasting*, a power
    failure may lose the new content; this is for many files that can be made again.
    """
    folder, name = os.path.split(path)
    directory = os.open(folder or ".", os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        _replace(directory, name, content.encode("utf-8") if isinstance(content, str) else content, mode, lasting)
    finally:
        os.close(directory)


def _replace(directory: int, name: str, content: bytes, mode: int, lasting: bool) -> None:
    temporary = "{0}.{1}.tmp".format(name, os.getpid())
    with suppress(FileNotFoundError):
        # Left by a process with the same number that was killed here, or put here by somebody.
        os.unlink(temporary, dir_fd=directory)
    handle = os.open(temporary, _NEW, mode, dir_fd=directory)
    try:
        with os.fdopen(handle, "wb") as file:
            os.fchmod(file.fileno(), mode)
            file.write(content)
            file.flush()
            if lasting:
                os.fsync(file.fileno())
        os.replace(temporary, name, src_dir_fd=directory, dst_dir_fd=directory)
    except BaseException:
        with suppress(FileNotFoundError):
            os.unlink(temporary, dir_fd=directory)
        raise
    if lasting:
        # So that the name survives a power failure as the content does.
        os.fsync(directory)


def append_line(path: str, line: str) -> None:
    """Append *line* to a file, synced to disk before this returns. Raises OSError.

    It begins on a line of its own, also after a line that a power failure cut off. A link is not followed.
    """
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_NOFOLLOW | os.O_CLOEXEC, 0o644)
    with os.fdopen(handle, "ab") as file:
        file.write("\n{0}\n".format(line).encode("utf-8"))
        file.flush()
        os.fsync(file.fileno())
