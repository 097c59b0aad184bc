# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the partitions of a drive's access ranges are, and how ranges are declared. Pure.

Ranges and extents are pairs (start, size) in bytes. The space that the GPT takes at both ends follows the
UEFI specification, section 5.3: a protective MBR, a header of one block and an array of at
least 16 KiB in front; the array and a header again at the end.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Dict, List, Mapping, Sequence, Tuple

from ..checks import whole
from ..errors import InputError

Extent = Tuple[int, int]

ALIGN = 1 << 20
LEAST_UNIT = 64 << 20  # SPA_MINDEVSIZE: OpenZFS accepts no smaller device
MOST_RANGES = 16
BLOCKS = (512, 4096)
# zpool create treats members as equal that differ by no more (ZPOOL_FUZZ in cmd/zpool/zpool_vdev.c).
ALIKE = 16 << 20
_ENTRIES = 16 << 10


def extents(ranges: Sequence[Extent], capacity: int, block: int) -> Tuple[Extent, ...]:
    """One extent for each range: whole MiB from a MiB boundary, within the range, clear of the table.

    *capacity* is the drive's size in bytes, *block* its logical block size. Ranges that are
    alike (within 16 MiB) give extents of one size, so that any of them can replace any other.
    Raises InputError for a range that leaves less than OpenZFS accepts, and for other block sizes.
    """
    if block not in BLOCKS:
        raise InputError("{0} is not a supported logical block size".format(block), "logical_block")
    first, last = 2 * block + _ENTRIES, capacity - block - _ENTRIES
    found: List[Extent] = []
    for number, (start, size) in enumerate(ranges):
        begin = -(-max(start, first) // ALIGN) * ALIGN
        end = min(start + size, last) // ALIGN * ALIGN
        if end - begin < LEAST_UNIT:
            raise InputError(
                "range {0} has {1} bytes, of which {2} are left for a partition".format(
                    number, size, max(end - begin, 0)
                ),
                subject="ranges",
                remedy="OpenZFS accepts no device smaller than 64 MiB.",
            )
        found.append((begin, end - begin))
    levelled = _levelled([size for _begin, size in found])
    return tuple((begin, levelled[size]) for begin, size in found)


def _levelled(sizes: Sequence[int]) -> Dict[int, int]:
    """Each size with the smallest one of those that are alike."""
    levels: Dict[int, int] = {}
    least = 0
    for size in sorted(set(sizes)):
        if size - least > ALIKE:
            least = size
        levels[size] = least
    return levels


@dataclass(frozen=True)
class Spec:
    """Ranges as declared for a drive: *parts* equal ones, or their *sizes* in bytes in order."""

    parts: int = 0
    sizes: Tuple[int, ...] = ()

    def resolve(self, capacity: int, block: int, subject: str = "ranges") -> Tuple[Extent, ...]:
        """The ranges of a drive of *capacity* bytes. Raises InputError when they do not fit it."""
        block = block or BLOCKS[0]
        if self.parts:
            edges = [capacity // block * number // self.parts * block for number in range(self.parts + 1)]
            return tuple((start, end - start) for start, end in zip(edges, edges[1:]))
        if sum(self.sizes) != capacity:
            raise InputError(
                "the declared ranges add up to {0} bytes, but the drive has {1}".format(sum(self.sizes), capacity),
                subject=subject,
                remedy="Correct the list, or declare equal parts.",
            )
        if any(size % block for size in self.sizes):
            raise InputError(
                "a range is not a multiple of the logical block size of {0} bytes".format(block), subject=subject
            )
        starts = [sum(self.sizes[:number]) for number in range(len(self.sizes))]
        return tuple(zip(starts, self.sizes))

    def to_plain(self) -> Any:
        """As it is declared; what `read_spec` reads."""
        return {"equal": self.parts} if self.parts else list(self.sizes)


def read_spec(value: Any, where: str = "ranges") -> Spec:
    """Declared ranges from C({equal: 2}) or from a list of sizes in bytes. Raises InputError naming *where*."""
    if isinstance(value, Mapping) and set(value) == {"equal"}:
        return Spec(parts=_whole(value["equal"], 2, MOST_RANGES, where + ".equal"))
    if isinstance(value, (list, tuple)) and 2 <= len(value) <= MOST_RANGES:
        return Spec(
            sizes=tuple(_whole(size, 1, 2**63 - 1, "{0}[{1}]".format(where, n)) for n, size in enumerate(value))
        )
    raise InputError(
        "{0!r} is not a valid declaration of ranges".format(value),
        subject=where,
        remedy="Write {{equal: 2}}, or a list of 2 to {0} sizes in bytes.".format(MOST_RANGES),
    )


def _whole(value: Any, least: int, most: int, where: str) -> int:
    # A dictionary option of a module may have passed through text.
    if isinstance(value, str) and value.isascii() and value.isdigit():
        value = int(value)
    return whole(value, least, most, where)
