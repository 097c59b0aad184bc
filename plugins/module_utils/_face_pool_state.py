# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""From the parameters of the module pool to the actions for its states."""

from __future__ import annotations

from typing import Any, Dict, Mapping, Tuple

from ._core.model import Layout
from ._core.plain import from_plain
from ._core.zfs import actions, build, exporting, growing, importing, retiring
from ._core.zfs.access import Access
from ._core.zfs.support import GROUPS, KINDS, read_support
from ._face_pool import declared_from

SUPPORT_OPTIONS: Dict[str, Any] = {
    "role": {"type": "str", "choices": list(GROUPS), "required": True},
    "kind": {"type": "str", "choices": list(KINDS)},
    "devices": {"type": "list", "elements": "str", "required": True},
}


def wish_from(params: Mapping[str, Any]) -> actions.Wish:
    """What the pool should be, from the parameters of the module pool."""
    return actions.Wish(
        pool=params["pool"],
        layout=from_plain(Layout, params["layout"] or {"vdevs": []}, "layout"),
        declared=declared_from(params),
        pool_settings=_settings(params["pool_settings"]),
        root_settings=_settings(params["root_settings"]),
        erase_serials=tuple(params["erase_serials"]),
        require_trial=params["require_trial"],
        allow_siblings=params["allow_siblings"],
        by_name=params["by_name"],
        support=read_support(params["support"]),
    )


def _settings(given: Mapping[str, Any]) -> Dict[str, Any]:
    return {str(name): None if value is None else build.setting_text(value) for name, value in given.items()}


def ensure_state(params: Mapping[str, Any], access: Access, check_mode: bool) -> Tuple[actions.Outcome, Dict[str, Any]]:
    """Bring the pool to the requested state. Returns the outcome and further values to return."""
    if params["state"] == "exported":
        return exporting.ensure_exported(access, params["pool"], params["guid"], check_mode), {}
    wish = wish_from(params)
    if params["state"] == "present":
        return actions.ensure_present(access, wish, check_mode), {}
    if params["state"] == "retired":
        retired = retiring.ensure_retired(access, wish, params["guid"], check_mode)
        lines = {"erased": retired.erased, "left": retired.left, "notes": retired.notes}
        return retired.outcome, {name: list(values) for name, values in lines.items()}
    if params["state"] == "grown":
        grown = growing.ensure_grown(access, wish, check_mode)
        more = {"added": grown.added, "expanded": grown.expanded, "waiting": grown.waiting}
        return grown.outcome, {name: list(lines) for name, lines in more.items()}
    terms = importing.Terms(params["guid"], params["take_over"], params["accept_missing_drives"])
    imported = importing.ensure_imported(access, wish, terms, check_mode)
    return imported.outcome, {
        "guid": imported.guid,
        "missing": list(imported.missing),
        "locked": list(imported.locked),
        "device_paths": list(imported.device_paths),
    }
