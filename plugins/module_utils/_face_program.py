# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""What the modules that install a program on the host share."""

from __future__ import annotations

from types import ModuleType
from typing import Any, Dict

from ansible.module_utils.basic import AnsibleModule

from ._core.health import pack
from ._face import ModuleRunner, run_face


def install_program(face: ModuleType, default: str) -> None:
    """The whole of such a module: packs *face* with what it imports and installs it at C(path), or *default*."""

    def work(module: AnsibleModule, _runner: ModuleRunner) -> Dict[str, Any]:
        outcome = pack.install(face, module.params["path"], module.check_mode)
        return {
            "changed": outcome.changed,
            "path": module.params["path"],
            "version": face.VERSION,
            "commands": [],
            "diff": {"before": outcome.before, "after": outcome.after},
        }

    spec = {"path": {"type": "path", "default": default}}
    run_face(AnsibleModule(argument_spec=spec, supports_check_mode=True), work)
