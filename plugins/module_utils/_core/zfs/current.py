# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The imported pools of a host, their members resolved to units."""

from __future__ import annotations

from typing import TYPE_CHECKING, Sequence, Tuple

from ..declared import DeclaredDrive
from ..model import Drive
from .pools import ZfsVersion, read_pools
from .resolve import Index, Pool, paths_in, resolve

if TYPE_CHECKING:
    from .access import Access


def current_pools(
    access: Access, zfs: ZfsVersion, drives: Sequence[Drive], declared: Sequence[DeclaredDrive]
) -> Tuple[Pool, ...]:
    """Every imported pool, its members resolved to units."""
    trees = read_pools(access.run, zfs)
    index = Index(drives, declared, access.nodes_of(paths_in(trees)))
    return tuple(resolve(tree, index) for tree in trees)
