#!/usr/bin/python
# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later

from __future__ import annotations

DOCUMENTATION = r"""
module: bay_locate
short_description: Switches on the locate light of a bay for a limited time
version_added: 0.1.0
author:
  - The evenkeel maintainers (@evenkeel)
description:
  - Switches on the locate light of bays, so that a person finds the right one.
  - A transient service of systemd keeps the light on. It switches the light off when the time is over, when the service
    is stopped or killed, and when the host shuts down.
  - Uses the enclosure (C(/sys/class/enclosure)), which also works for an empty bay, or C(ledctl) for a bay with a drive
    in it.
notes:
  - All units of a drive share one light.
  - With C(ledctl) the light belongs to the drive's device. If the drive is pulled while the light is on, C(ledctl) may
    not be able to switch it off.
requirements:
  - python3-pyudev
  - systemd
extends_documentation_fragment:
  - evenkeel.split_actuator.attributes
  - evenkeel.split_actuator.bays
attributes:
  idempotent:
    details:
      - A light that is on already stays on for the time that was set before.
options:
  locate:
    description: The bays, such as V(bay07).
    type: list
    elements: str
    required: true
  state:
    description: Whether the lights should be on. V(off) also switches off lights that something else switched on.
    type: str
    choices: ["on", "off"]
    default: "on"
  on_seconds:
    description: How many seconds the light stays on, from 1 to 3600.
    type: int
    default: 60
  method:
    description: How to reach the light. V(auto) uses the enclosure where it knows the bay, else C(ledctl).
    type: str
    choices: [auto, sysfs, ledctl]
    default: auto
  declared:
    description:
      - The declared drives (C(split_actuator_drives)). They give the bays of drives where no other source does.
    type: dict
    default: {}
"""

EXAMPLES = r"""
- name: Light up bay 7 for 5 minutes
  evenkeel.split_actuator.bay_locate:
    locate: [bay07]
    on_seconds: 300
"""

RETURN = r"""
commands:
  description: The commands that were run, or in check mode would be run.
  type: list
  elements: list
  returned: success
  sample: [["systemctl", "stop", "evenkeel-locate-bay07.service"]]
lights:
  description: The light of each bay, with C(bay), C(how) (V(sysfs) or V(ledctl)) and C(target).
  type: list
  elements: dict
  returned: success
  sample: [{"bay": "bay07", "how": "sysfs", "target": "/sys/class/enclosure/0:0:12:0/Slot 07/locate"}]
"""

from typing import Any, Dict

from ansible.module_utils.basic import AnsibleModule

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host import locate
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import to_plain
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face import ModuleRunner, run_face
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_drives import DRIVE_ARGUMENTS
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_inventory import lights_from


def work(module: AnsibleModule, runner: ModuleRunner) -> Dict[str, Any]:
    """Switch lights."""
    params = module.params
    lights = lights_from(params)
    if params["state"] == "on":
        done = locate.shine(runner, lights, params["on_seconds"], module.check_mode)
    else:
        done = locate.darken(runner, lights, module.check_mode)
    return {
        "changed": bool(done.commands),
        "commands": [list(command.argv) for command in done.commands],
        "lights": to_plain(lights),
        "diff": {"before_header": "lights", "after_header": "lights", "before": done.before, "after": done.after},
    }


def main() -> None:
    """Entry point."""
    module = AnsibleModule(
        argument_spec=dict(
            {
                "locate": {"type": "list", "elements": "str", "required": True},
                "state": {"type": "str", "choices": ["on", "off"], "default": "on"},
                "on_seconds": {"type": "int", "default": 60},
                "method": {"type": "str", "choices": list(locate.METHODS), "default": "auto"},
                "declared": {"type": "dict", "default": {}},
            },
            **DRIVE_ARGUMENTS,
        ),
        supports_check_mode=True,
    )
    run_face(module, work)


if __name__ == "__main__":
    main()
