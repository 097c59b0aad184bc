# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""What modules that deal with pools share: from their parameters into the library, and back."""

from __future__ import annotations

import os
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Dict, Iterator, List, Mapping, Tuple, Union

from ._core.declared import DeclaredDrive, read_drives
from ._core.errors import HostError, InputError
from ._core.host.lock import one_at_a_time
from ._core.host.options import wanted_from
from ._core.model import Layout
from ._core.plain import from_plain, to_plain
from ._core.split import result as split
from ._core.swap import told as swap
from ._core.zfs import actions, build, exporting, growing, importing, report, retiring
from ._core.zfs.access import Access, expecting
from ._core.zfs.pools import version
from ._core.zfs.standing import layout_of
from ._core.zfs.support import GROUPS, KINDS, read_support

if TYPE_CHECKING:
    from ansible.module_utils.basic import AnsibleModule

    from ._core.host.run import Runner


SUPPORT_OPTIONS: Dict[str, Any] = {
    "role": {"type": "str", "choices": list(GROUPS), "required": True},
    "kind": {"type": "str", "choices": list(KINDS)},
    "devices": {"type": "list", "elements": "str", "required": True},
}


def declared_from(params: Mapping[str, Any]) -> Tuple[DeclaredDrive, ...]:
    """The declared drives a module was given."""
    return read_drives(params["declared"])


def access_from(params: Mapping[str, Any], runner: Runner) -> Access:
    """The host, looked at as the parameters say."""
    return Access(runner, expecting(wanted_from(params), declared_from(params)))


def wish_from(params: Mapping[str, Any]) -> actions.Wish:
    """What the pool should be, from the parameters of split_pool."""
    return actions.Wish(
        pool=params["pool"],
        layout=from_plain(Layout, params["layout"] or {}, "layout"),
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


def bring_about(params: Mapping[str, Any], access: Access, check_mode: bool) -> Tuple[actions.Outcome, Dict[str, Any]]:
    """Bring the pool to the wished state; the outcome, and what else there is to return."""
    if params["state"] == "exported":
        return exporting.ensure_exported(access, params["pool"], params["guid"], check_mode), {}
    wish = wish_from(params)
    if params["state"] == "present":
        return actions.ensure_present(access, wish, check_mode), {}
    if params["state"] == "retired":
        retired = retiring.ensure_retired(access, wish, params["guid"], check_mode)
        lines = {"erased": retired.erased, "left": retired.left, "notes": retired.notes}
        return retired.outcome, {name: list(told) for name, told in lines.items()}
    if params["state"] == "grown":
        grown = growing.ensure_grown(access, wish, check_mode)
        more = {"added": grown.added, "expanded": grown.expanded, "waiting": grown.waiting}
        return grown.outcome, {name: list(lines) for name, lines in more.items()}
    terms = importing.Terms(params["guid"], params["take_over"], params["accept_missing_drives"])
    told = importing.ensure_imported(access, wish, terms, check_mode)
    return told.outcome, {
        "guid": told.guid,
        "missing": list(told.missing),
        "locked": list(told.locked),
        "paths": list(told.paths),
    }


def as_root() -> None:
    """Raises HostError when this does not run as root."""
    if os.geteuid() != 0:
        raise HostError(
            "this needs root, and runs as user {0}".format(os.geteuid()),
            subject="host",
            remedy="Set become: true for the task or play.",
        )


@contextmanager
def acting(module: AnsibleModule, action: str) -> Iterator[None]:
    """Around an action: root is needed, and outside check mode the host's lock."""
    as_root()
    if module.check_mode:
        yield
        return
    with one_at_a_time(action):
        yield


def diff_of(outcome: Union[actions.Outcome, split.Outcome, swap.Outcome], header: str = "pool") -> List[Dict[str, str]]:
    """The diff of an outcome: what *header* names before and after, and the exact commands between."""
    if not outcome.changed:
        return []
    commands = "".join(" ".join(command.argv) + "\n" for command in outcome.commands)
    return [
        {"before_header": header, "after_header": header, "before": outcome.before, "after": outcome.after},
        {"prepared": "commands:\n" + commands},
    ]


def pool_facts(access: Access, params: Mapping[str, Any]) -> List[Dict[str, Any]]:
    """Every imported pool (or the one asked for) as plain data with its margins."""
    drives, declared = access.drives(), declared_from(params)
    pools = actions.current_pools(access, version(access.run), drives, declared)
    wanted = params["pool"]
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
