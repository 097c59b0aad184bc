# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Everything that discovery reads from a host, as data: `discover.assemble` can run elsewhere."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Dict, Iterator, Optional, Tuple

from .disks import Blocks, read_blocks
from .places import read_attached, read_sas
from .stable import read_links
from .uses import Uses, read_uses


@dataclass(frozen=True)
class Sight:
    """A host's disks, their uses, and what is reported about their bays.

    *attached* and *sas* as `places` reads them, *links* as `stable.read_links` does.
    """

    blocks: Blocks
    uses: Uses = field(default_factory=Uses)
    attached: Tuple[Tuple[Any, ...], ...] = ()
    sas: Dict[str, Tuple[str, ...]] = field(default_factory=dict)
    links: Dict[str, str] = field(default_factory=dict)


def see(blocks: Optional[Blocks] = None, uses: Optional[Uses] = None) -> Sight:
    """Read the host. Raises MissingLibraryError without pyudev, HostError when there is nothing to read."""
    blocks = blocks or read_blocks()
    return Sight(
        blocks,
        uses or read_uses(),
        read_attached(),
        read_sas({disk.end_device for disk in blocks.disks if disk.end_device}),
        read_links(_claimed(blocks)),
    )


def _claimed(blocks: Blocks) -> Iterator[str]:
    for disk in blocks.disks:
        yield from disk.links
        for part in disk.partitions:
            yield from part.links
    for one in blocks.maps:
        yield from one.links
