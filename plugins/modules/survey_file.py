#!/usr/bin/python
# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later

from __future__ import annotations

DOCUMENTATION = r"""
module: survey_file
short_description: Writes found drives into a host's variables file, changing as little as possible
version_added: 0.1.0
author:
  - The evenkeel maintainers (@evenkeel)
description:
  - Writes which drives were found in which bays into the variable C(split_actuator_drives) of a variables file.
  - A missing file is drafted. In an existing file, only values that differ are replaced, so that comments, order and
    quotes that people wrote stay.
  - A declared drive that was not found keeps its entry, unless another drive is in its bay.
  - Run it on the controller, delegated to localhost.
requirements:
  - PyYAML, which ansible-core installs
extends_documentation_fragment:
  - evenkeel.split_actuator.attributes
attributes:
  check_mode:
    details:
      - No command is run.
options:
  path:
    description: The variables file. Missing folders are created.
    type: path
    required: true
  host:
    description: The host's name, for messages and the draft's heading.
    type: str
    required: true
  drives:
    description: The RV(evenkeel.split_actuator.drive_info#module:drives) of the host.
    type: list
    elements: dict
    required: true
  gone:
    description:
      - Serials of drives that were removed for good, as after M(evenkeel.split_actuator.drive_replacement). Their
        entries are removed.
    type: list
    elements: str
    default: []
  declared:
    description:
      - The present value of C(split_actuator_drives) for the host, if any.
      - If there is one and it is not in the file, the module fails, since the drives must be declared elsewhere.
    type: dict
"""

EXAMPLES = r"""
- name: Find the drives
  evenkeel.split_actuator.drive_info:
  register: found

- name: Write what was found
  evenkeel.split_actuator.survey_file:
    path: "{{ inventory_dir }}/host_vars/{{ inventory_hostname }}/drives.yml"
    host: "{{ inventory_hostname }}"
    drives: "{{ found.drives }}"
  delegate_to: localhost
  become: false
"""

RETURN = r"""
declared:
  description: The new value of C(split_actuator_drives) in the file.
  type: dict
  returned: success
  sample: {"bay07": {"serial": "ACS0031", "unit_count": 2}}
notes:
  description: One line for each change.
  type: list
  elements: str
  returned: success
  sample: ["bay07: serial ACS0007 was declared, ACS0031 was found"]
"""

from typing import Any, Dict

from ansible.module_utils.basic import AnsibleModule

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face import ModuleRunner, run_face
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_inventory import put, surveyed


def work(module: AnsibleModule, runner: ModuleRunner) -> Dict[str, Any]:
    """Draft or edit the file; no command is needed."""
    del runner
    params = module.params
    path = params["path"]
    done = surveyed(path, params["host"], params["drives"], bool(params["declared"]), params["gone"])
    changed = done.after != done.before
    if changed and not module.check_mode:
        put(module, path, done.after)
    return {
        "changed": changed,
        "notes": list(done.notes),
        "declared": done.drives,
        "diff": {"before_header": path, "after_header": path, "before": done.before, "after": done.after},
    }


def main() -> None:
    """Entry point."""
    module = AnsibleModule(
        argument_spec={
            "path": {"type": "path", "required": True},
            "host": {"type": "str", "required": True},
            "drives": {"type": "list", "elements": "dict", "required": True},
            "gone": {"type": "list", "elements": "str", "default": []},
            "declared": {"type": "dict"},
        },
        supports_check_mode=True,
    )
    run_face(module, work)


if __name__ == "__main__":
    main()
