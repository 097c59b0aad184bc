# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""What modules for pools share: their parameters as the library takes them, and the pools as plain data."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Dict, List, Mapping, Optional, Sequence, Tuple

from ._core.declared import DeclaredDrive, read_drives
from ._core.errors import InputError
from ._core.host.options import wanted_from
from ._core.plain import to_plain
from ._core.zfs import report
from ._core.zfs.access import Access, expecting
from ._core.zfs.current import current_pools
from ._core.zfs.pools import version
from ._core.zfs.standing import layout_of
from ._core.zfs.unimported import on_units

if TYPE_CHECKING:
    from ._core.host.run import Runner
    from ._core.model import Drive
    from ._core.zfs.resolve import Pool


def declared_from(params: Mapping[str, Any]) -> Tuple[DeclaredDrive, ...]:
    """The declared drives a module was given."""
    return read_drives(params["declared"])


def access_from(params: Mapping[str, Any], runner: Runner) -> Access:
    """The host, read as the parameters say."""
    return Access(runner, expecting(wanted_from(params), declared_from(params)))


def pool_facts(access: Access, params: Mapping[str, Any]) -> Dict[str, List[Dict[str, Any]]]:
    """Every imported pool (or the requested one) as plain data with its margins, and on request those not imported."""
    drives, declared = access.drives(), declared_from(params)
    pools = current_pools(access, version(access.run), drives, declared)
    found = {"pools": _imported(pools, drives, declared, params["pool"])}
    if params["unimported"]:
        labels = {key: one.label for key, one in access.labels().items()}
        unimported = on_units(labels, drives, declared, frozenset(pool.guid for pool in pools))
        found["unimported"] = [to_plain(one) for one in unimported]
    return found


def _imported(
    pools: Sequence[Pool], drives: Sequence[Drive], declared: Sequence[DeclaredDrive], wanted: Optional[str]
) -> List[Dict[str, Any]]:
    if wanted and wanted not in [pool.name for pool in pools]:
        raise InputError(
            "no pool of this name is imported",
            subject="pool {0}".format(wanted),
            remedy="Imported: {0}.".format(", ".join(pool.name for pool in pools) or "none"),
        )
    return [
        dict(report.facts(pool), layout=to_plain(layout_of(pool, drives, declared)))
        for pool in pools
        if wanted in (None, "", pool.name)
    ]
