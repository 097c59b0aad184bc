#!/usr/bin/python
# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later

from __future__ import annotations

DOCUMENTATION = r"""
module: host_identity
short_description: Sets the host id by which OpenZFS identifies a host
version_added: 0.1.0
author:
  - The evenkeel maintainers (@evenkeel)
description:
  - OpenZFS writes the id of the host that uses a pool into that pool, and imports a pool that was not exported only on
    that host. A reinstallation creates a new id. This module restores the declared one.
  - Writes C(/etc/hostid). If the loaded kernel module uses another id, corrects that as well.
  - Refuses the change while pools are imported under another id, since their next import would then need force.
extends_documentation_fragment:
  - evenkeel.split_actuator.attributes
options:
  hostid:
    description:
      - Eight lower-case hexadecimal digits in quotes, different for every host.
      - On a running host, C(hostid) prints it. When the import of a pool is refused, the message has the id that the
        pool was last used with.
    type: str
    required: true
"""

EXAMPLES = r"""
- name: Restore the declared host id
  evenkeel.split_actuator.host_identity:
    hostid: "{{ split_actuator_hostid }}"
"""

RETURN = r"""
hostid:
  description: The host id that OpenZFS uses from now on.
  type: str
  returned: success
  sample: 0a5a05af
before:
  description: The host id that it used before; empty for none.
  type: str
  returned: success
  sample: 52ad3c11
commands:
  description: Always empty. The module writes two small files and runs no command.
  type: list
  elements: list
  returned: success
  sample: []
"""

from typing import Any, Dict

from ansible.module_utils.basic import AnsibleModule

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs import host_identity
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face import ModuleRunner, run_face
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_acting import acting


def work(module: AnsibleModule, runner: ModuleRunner) -> Dict[str, Any]:
    """Set the declared host id."""
    with acting(module, "change of the host id"):
        outcome = host_identity.ensure(runner, module.params["hostid"], module.check_mode)
    return {
        "changed": outcome.changed,
        "hostid": outcome.after,
        "before": outcome.before,
        "commands": [],
        "diff": [
            {
                "before_header": "host id",
                "after_header": "host id",
                "before": outcome.before + "\n",
                "after": outcome.after + "\n",
            }
        ]
        if outcome.changed
        else [],
    }


def main() -> None:
    """Entry point."""
    module = AnsibleModule(argument_spec={"hostid": {"type": "str", "required": True}}, supports_check_mode=True)
    run_face(module, work)


if __name__ == "__main__":
    main()
