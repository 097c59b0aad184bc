# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""From the parameters of M(spare_drives) into the library."""

from __future__ import annotations

from typing import Any, Mapping

from ._core.model import Layout
from ._core.plain import from_plain
from ._core.spares.action import Report, ensure_spares
from ._core.spares.plan import Wish
from ._core.zfs.access import Access
from ._face_pool import declared_from


def run_round(params: Mapping[str, Any], access: Access, check_mode: bool) -> Report:
    """One round."""
    layout = from_plain(Layout, params["layout"], "layout") if params["layout"] else Layout(())
    wish = Wish(
        pool=params["pool"],
        layout=layout,
        declared=declared_from(params),
        lost=tuple(params["lost"]),
        restart=params["restart_resilver"],
        by_name=params["by_name"],
    )
    return ensure_spares(access, wish, check_mode)
