# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""What the kernel uses block devices for: mounts and swap areas."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass, field
from typing import Dict, List, Tuple

from .sysfs import read_text

_ESCAPE = re.compile(r"\\([0-7]{3})")


@dataclass(frozen=True)
class Uses:
    """Mount points by device number or device node, and the device nodes of swap areas."""

    mounts: Dict[str, Tuple[str, ...]] = field(default_factory=dict)
    swaps: Tuple[str, ...] = ()


def read_uses(proc: str = "/proc") -> Uses:
    """Mounts and swap areas of the host as this process sees them."""
    return Uses(parse_mounts(read_text(proc + "/self/mountinfo")), parse_swaps(read_text(proc + "/swaps")))


def parse_mounts(text: str) -> Dict[str, Tuple[str, ...]]:
    """Mount points by device number and, for filesystems with numbers of their own, by device node.

    *text* is in the form of /proc/self/mountinfo (proc_pid_mountinfo(5)).
    """
    found: Dict[str, List[str]] = {}
    for line in text.splitlines():
        before, _dash, after = line.partition(" - ")
        words, source = before.split(" "), after.split(" ")
        if len(words) >= 5 and len(source) >= 2:
            place = _unescape(words[4])
            device = _unescape(source[1])
            for key in (words[2], os.path.realpath(device) if device.startswith("/dev/") else ""):
                found.setdefault(key, []).append(place)
    found.pop("", None)
    return {key: tuple(sorted(set(places))) for key, places in found.items()}


def parse_swaps(text: str) -> Tuple[str, ...]:
    """Device nodes in use as swap; *text* is in the form of /proc/swaps."""
    return tuple(os.path.realpath(_unescape(line.split()[0])) for line in text.splitlines()[1:] if line.strip())


def _unescape(text: str) -> str:
    return _ESCAPE.sub(lambda match: chr(int(match.group(1), 8)), text)
