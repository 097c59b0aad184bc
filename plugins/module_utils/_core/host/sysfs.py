# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Small readers for files and directories that the kernel serves. What is absent reads as empty."""

from __future__ import annotations

import os
from typing import Tuple


def read_bytes(path: str) -> bytes:
    """The bytes of an attribute; empty when it is absent or the device does not answer."""
    # Plain system calls: this runs a dozen times per unit, and open() costs several times as much.
    try:
        handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return b""
    try:
        return os.read(handle, 65536)
    except OSError:
        return b""
    finally:
        os.close(handle)


def read_text(path: str) -> str:
    """The text of an attribute without surrounding blanks; empty when absent."""
    return read_bytes(path).decode("utf-8", "surrogateescape").strip()


def read_number(path: str) -> int:
    """The decimal number in an attribute; 0 when absent or not a number."""
    text = read_text(path)
    return int(text) if text.isascii() and text.isdigit() else 0


def names_in(path: str) -> Tuple[str, ...]:
    """The sorted names in a directory; none when it is absent."""
    try:
        return tuple(sorted(os.listdir(path)))
    except OSError:
        return ()


def link_name(path: str) -> str:
    """The last part of a symbolic link's target; empty when it is not a link."""
    try:
        return os.path.basename(os.readlink(path))
    except OSError:
        return ""
