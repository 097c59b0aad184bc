#!/usr/bin/python
# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later

from __future__ import annotations

DOCUMENTATION = r"""
module: host_sight
short_description: Reads from a host what a drift run needs, for the controller to compare
version_added: 0.1.0
author:
  - The evenkeel maintainers (@evenkeel)
description:
  - Reads the same as M(evenkeel.split_actuator.drift_info) and compares nothing. The action
    M(evenkeel.split_actuator.drift_host) uses it, so that a drift run costs the hosts little.
  - Opens no device and changes nothing.
requirements:
  - python3-pyudev
extends_documentation_fragment:
  - evenkeel.split_actuator.attributes.info
options:
  services:
    description: Services and timers to read, in addition to those that this collection knows.
    type: list
    elements: str
    default: []
  root_properties:
    description: Properties of the pools' root datasets to read, in addition to the usual ones.
    type: list
    elements: str
    default: []
  pools:
    description: Whether to read pools and services, which starts commands.
    type: bool
    default: true
seealso:
  - module: evenkeel.split_actuator.drift_host
  - module: evenkeel.split_actuator.drift_info
"""

EXAMPLES = r"""
- name: Read the host
  evenkeel.split_actuator.host_sight:
  become: true
"""

RETURN = r"""
observed:
  description: What was read. Its format may change with any release.
  type: dict
  returned: success
  sample: {}
"""

from typing import Any, Dict

from ansible.module_utils.basic import AnsibleModule

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.observe import observe
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face import ModuleRunner, run_face

ARGUMENTS: Dict[str, Any] = {
    "services": {"type": "list", "elements": "str", "default": []},
    "root_properties": {"type": "list", "elements": "str", "default": []},
    "pools": {"type": "bool", "default": True},
}


def work(module: AnsibleModule, runner: ModuleRunner) -> Dict[str, Any]:
    """Read the host."""
    given = module.params
    return {"changed": False, "observed": observe(runner, given["services"], given["root_properties"], given["pools"])}


def main() -> None:
    """Entry point."""
    run_face(AnsibleModule(argument_spec=ARGUMENTS, supports_check_mode=True), work)


if __name__ == "__main__":
    main()
