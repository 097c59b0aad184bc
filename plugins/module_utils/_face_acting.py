# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""What modules that change something share: root, the host's lock, and the diff of an outcome."""

from __future__ import annotations

import os
from contextlib import contextmanager
from typing import TYPE_CHECKING, Dict, Iterator, List

from ._core.errors import HostError
from ._core.host.lock import one_at_a_time

if TYPE_CHECKING:
    from typing import Union

    from ansible.module_utils.basic import AnsibleModule

    from ._core.partition import result as split
    from ._core.replacement import outcome as replacement
    from ._core.zfs import actions


def as_root() -> None:
    """Raises HostError when this does not run as root."""
    if os.geteuid() != 0:
        raise HostError(
            "this needs root, but runs as user {0}".format(os.geteuid()),
            subject="host",
            remedy="Set become: true for the task or play.",
        )


@contextmanager
def acting(module: AnsibleModule, action: str) -> Iterator[None]:
    """Wraps an action: it needs root and, outside check mode, the host's lock."""
    as_root()
    if module.check_mode:
        yield
        return
    with one_at_a_time(action):
        yield


def diff_of(
    outcome: Union[actions.Outcome, split.Outcome, replacement.Outcome], header: str = "pool"
) -> List[Dict[str, str]]:
    """The diff of an outcome: what *header* names before and after, and the exact commands between."""
    if not outcome.changed:
        return []
    commands = "".join(" ".join(command.argv) + "\n" for command in outcome.commands)
    return [
        {"before_header": header, "after_header": header, "before": outcome.before, "after": outcome.after},
        {"prepared": "commands:\n" + commands},
    ]
