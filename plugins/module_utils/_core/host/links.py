# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Where device links point now."""

from __future__ import annotations

import os
from typing import Dict, Iterable


def nodes_of(paths: Iterable[str]) -> Dict[str, str]:
    """Each existing path under /dev with the device node that it points to; missing ones are left out."""
    found: Dict[str, str] = {}
    for path in paths:
        node = os.path.realpath(path)
        if path.startswith("/dev/") and os.path.exists(node):
            found[path] = node
    return found
