#!/usr/bin/python
# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later

from __future__ import annotations

DOCUMENTATION = r"""
module: drift_info
short_description: Tells where a host differs from what is declared for it
version_added: 0.1.0
author:
  - The evenkeel maintainers (@evenkeel)
description:
  - Compares the drives found on a host with those declared and returns each difference as a finding with a stable code,
    the bay and serial it is about, and what to do.
  - Looks as M(evenkeel.split_actuator.drive_info) does. No program is started, no device is opened, and nothing is
    changed.
  - Ordinary drives that nobody declared, such as the system's, are left alone unless they sit in one of
    O(chassis_bays).
notes:
  - C(udevadm settle) should have run since drives were last added.
requirements:
  - python3-pyudev
extends_documentation_fragment:
  - evenkeel.split_actuator.attributes.info
  - evenkeel.split_actuator.bays
options:
  declared:
    description: The declared drives, C(split_actuator_drives).
    type: dict
    required: true
  chassis_bays:
    description:
      - The bays that the chassis has, such as V(bay[00:11]) or V(west-bay07). None means that any is possible.
    type: list
    elements: str
    default: []
  expect_paths:
    description: How many paths each unit should have. V(0) does not check.
    type: int
    default: 0
  models:
    description:
      - What every drive of a model should be, a dictionary of models, each with C(units), C(unit_bytes) (a number, or a
        list in index order), C(logical_block) and C(revision) (the firmware), all optional.
      - What is not said here is compared with most drives of the model.
    type: dict
    default: {}
  support_devices:
    description: WWNs of the devices of supporting vdevs, which should be there.
    type: list
    elements: str
    default: []
seealso:
  - module: evenkeel.split_actuator.drive_info
"""

EXAMPLES = r"""
- name: Compare the host with its declaration
  evenkeel.split_actuator.drift_info:
    declared: "{{ split_actuator_drives }}"
    chassis_bays: ["bay[00:11]"]
    models:
      SPLIT2X:
        units: 2
        revision: "0042"
  register: drift

- name: Stop on errors
  ansible.builtin.assert:
    that: drift.findings | selectattr('severity', 'equalto', 'error') | length == 0
"""

RETURN = r"""
findings:
  description:
    - The differences, those about no drive in particular first, then in bay order.
    - C(code) is one of V(drive_missing), V(drive_moved), V(drive_undeclared), V(bay_unknown), V(bays_unconfirmed),
      V(model_differs), V(wwn_differs), V(unit_size), V(block_size_differs), V(firmware_differs), V(name_missing),
      V(support_missing), or a code of M(evenkeel.split_actuator.drive_info).
  type: list
  elements: dict
  returned: success
  sample: [{"code": "drive_moved", "severity": "error", "bay": "bay08", "serial": "ACS0003", "index": null,
            "declared": "bay03", "found": "bay08 (by enclosure)", "remedy": "Put it back, or run survey."}]
drives:
  description: All drives of the host, as M(evenkeel.split_actuator.drive_info) returns them.
  type: list
  elements: dict
  returned: success
  sample: []
"""

from typing import Any, Dict

from ansible.module_utils.basic import AnsibleModule

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import to_plain
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face import ModuleRunner, run_face
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_inventory import CLASS_ARGUMENTS, look


def work(module: AnsibleModule, runner: ModuleRunner) -> Dict[str, Any]:
    """Read the host and compare; no command is needed."""
    del runner
    found, findings = look(module.params)
    return {"changed": False, "drives": to_plain(found.drives), "findings": to_plain(findings)}


def main() -> None:
    """Entry point."""
    run_face(AnsibleModule(argument_spec=CLASS_ARGUMENTS, supports_check_mode=True), work)


if __name__ == "__main__":
    main()
