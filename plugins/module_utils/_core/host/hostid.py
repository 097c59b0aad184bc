# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The host id, by which OpenZFS distinguishes hosts: reads it, and sets it to the declared one.

spl(4): the module parameter C(spl_hostid) when it is not 0, else the four bytes of C(/etc/hostid) in the
machine's own byte order, read whenever they are needed; 0 when there is neither.
"""

from __future__ import annotations

import os
import re
import struct

from ..errors import HostError, InputError
from .files import write_atomically
from .sysfs import read_text

FILE = "/etc/hostid"
PARAMETER = "/sys/module/spl/parameters/spl_hostid"
_FORM = re.compile(r"[0-9a-f]{8}")


def parse(text: str) -> int:
    """The host id from eight lower-case hexadecimal digits. Raises InputError, also for 0 and all ones."""
    if not _FORM.fullmatch(text) or text in ("00000000", "ffffffff"):
        raise InputError(
            "{0!r} is not a host id".format(text),
            subject="hostid",
            remedy="Write 8 lower-case hexadecimal digits in quotes, not all 0 and not all f.",
        )
    return int(text, 16)


def spell(hostid: int) -> str:
    """Eight hexadecimal digits; empty for 0, which means that there is no host id."""
    return "{0:08x}".format(hostid) if hostid else ""


def in_file(path: str = FILE) -> int:
    """The host id in the file; 0 without one."""
    try:
        with open(path, "rb") as handle:
            content = handle.read(4)
    except FileNotFoundError:
        return 0
    return int(struct.unpack("=I", content)[0]) if len(content) == 4 else 0


def in_module(path: str = PARAMETER) -> int:
    """The module parameter's value; 0 when the file decides, or the module is not loaded."""
    text = read_text(path).strip()
    return int(text) & 0xFFFFFFFF if text.isdigit() else 0


def current(file: str = FILE, parameter: str = PARAMETER) -> int:
    """The host id that OpenZFS uses now."""
    return in_module(parameter) or in_file(file)


def write(hostid: int, file: str = FILE, parameter: str = PARAMETER) -> None:
    """Make *hostid* the host's, now and after a boot. Raises HostError."""
    try:
        if in_file(file) != hostid:
            write_atomically(file, struct.pack("=I", hostid))
        if in_module(parameter) not in (0, hostid):
            with open(parameter, "w", encoding="ascii") as handle:
                handle.write("{0}\n".format(hostid))
    except OSError as error:
        raise HostError(
            "the host id cannot be written: {0}".format(error.strerror),
            subject=str(error.filename or file),
            remedy="Run this as root.",
        ) from error
    if os.path.exists(parameter) and current(file, parameter) != hostid:
        raise HostError("OpenZFS does not accept the host id", subject=parameter)
