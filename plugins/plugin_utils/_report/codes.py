# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Codes for bay labels: a serial number as a QR code (ISO/IEC 18004) by the library segno."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Dict, Iterable, List, Optional

try:
    import segno
except ImportError:
    HAS_SEGNO = False
else:
    HAS_SEGNO = True

QUIET = 4  # modules of white around the code, as the standard asks


@dataclass(frozen=True)
class Code:
    """A code to draw: the length of its side in modules, the quiet zone included, and an SVG path of the dark ones."""

    side: int
    path: str


def codes(serials: Iterable[str]) -> Optional[Dict[str, Code]]:
    """The code of each serial number; None without segno."""
    return {serial: code(serial) for serial in serials} if HAS_SEGNO else None


def code(text: str) -> Code:
    """The code of *text*, which stays readable with 15 % of it damaged."""
    matrix = segno.make_qr(text, error="m", boost_error=False).matrix
    parts: List[str] = []
    for y, row in enumerate(matrix):
        x = 0
        while x < len(row):
            begin = x
            while x < len(row) and row[x]:
                x += 1
            if x > begin:
                parts.append("M{0} {1}h{2}v1h-{2}z".format(begin + QUIET, y + QUIET, x - begin))
            x += 1
    return Code(len(matrix) + 2 * QUIET, "".join(parts))
