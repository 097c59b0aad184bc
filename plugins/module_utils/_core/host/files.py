# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Files that others read while they are replaced."""

from __future__ import annotations

import os
from contextlib import suppress
from typing import Union


def write_atomically(path: str, content: Union[str, bytes], mode: int = 0o644) -> None:
    """Replace *path* so that a reader sees the old content or the new, never a part. Raises OSError.

    The temporary file is in the same directory and its name does not end as *path* does, so that
    nobody who picks files by their ending reads it.
    """
    temporary = "{0}.{1}.tmp".format(path, os.getpid())
    handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW | os.O_CLOEXEC, mode)
    try:
        with os.fdopen(handle, "wb") as file:
            os.fchmod(file.fileno(), mode)
            file.write(content.encode("utf-8") if isinstance(content, str) else content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
    except BaseException:
        with suppress(FileNotFoundError):
            os.unlink(temporary)
        raise
