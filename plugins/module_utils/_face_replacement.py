# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""From the parameters of M(drive_replacement) into the library, and back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Dict

from ._core.host.run import Runner
from ._core.plain import to_plain
from ._core.replacement import progress, steps, watch
from ._core.replacement.outcome import Outcome
from ._core.replacement.situation import Wish
from ._face_acting import acting, as_root
from ._face_pool import access_from, declared_from

if TYPE_CHECKING:
    from ansible.module_utils.basic import AnsibleModule

STEPS = ("plan", "take_out", "await_drive", "put_in", "follow", "put_back")


def step(module: AnsibleModule, runner: Runner) -> Outcome:
    """Take the step that the parameters name. Raises CoreError."""
    params = module.params
    wish = Wish(
        pool=params["pool"],
        leave=params["leave"],
        enter=params["enter"],
        declared=declared_from(params),
        erase_serials=tuple(params["erase_serials"]),
        interrupt=tuple(params["interrupt"]),
        least_margin=params["least_margin"],
        by_name=params["by_name"],
    )
    access, name, check_mode = access_from(params, runner), params["step"], module.check_mode
    as_root()
    # What only looks or waits must not keep other actions from the host.
    if name == "plan":
        return steps.plan(access, wish)
    if name == "await_drive":
        return watch.await_drive(access, wish, params["wait_seconds"], check_mode)
    if name == "follow":
        return steps.follow(access, wish, params["wait_seconds"], check_mode)
    acts = {"take_out": steps.take_out, "put_in": steps.put_in, "put_back": steps.put_back}
    with acting(module, "replacement of a drive of pool {0}".format(wish.pool)):
        return acts[name](access, wish, check_mode)


def returned(outcome: Outcome) -> Dict[str, Any]:
    """The outcome as the module returns it, without its diff."""
    return {
        "changed": outcome.changed,
        "commands": [list(command.argv) for command in outcome.commands],
        "replacement": to_plain(outcome.status),
        "progress": progress.words(outcome.status.progress),
        "entering": to_plain(outcome.entering),
    }
