#!/usr/bin/python
# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later

from __future__ import annotations

DOCUMENTATION = r"""
module: drift_info
short_description: Returns where a host differs from its declaration
version_added: 0.1.0
author:
  - The evenkeel maintainers (@evenkeel)
description:
  - Compares a host with its declaration and returns each difference as a finding with a stable code, the bay, serial
    and unit that it is about, what was declared, what was found, since when it exists, and what to do. All codes are in
    C(docs/findings.md).
  - Reads drives as M(evenkeel.split_actuator.drive_info) does, the units' names, all pools, and the settings and
    services that a server with this collection needs. It opens no device and changes nothing.
  - Starts at most one command each for version, state and properties of all pools, the properties of their root
    datasets, and all services; none for a single unit. While a pool is suspended, OpenZFS's commands are not started,
    since they may hang.
  - Undeclared drives with a single unit, such as the system disk, are ignored unless they are in one of O(bays).
notes:
  - Run C(udevadm settle) first if drives were just added.
  - Only root can read pools. Without root, a finding says so.
requirements:
  - python3-pyudev
extends_documentation_fragment:
  - evenkeel.split_actuator.attributes.info
  - evenkeel.split_actuator.bays
  - evenkeel.split_actuator.drift
seealso:
  - module: evenkeel.split_actuator.drive_info
  - module: evenkeel.split_actuator.pool_info
"""

EXAMPLES = r"""
- name: Compare the host with its declaration
  evenkeel.split_actuator.drift_info:
    host: "{{ inventory_hostname }}"
    declared: "{{ split_actuator_drives }}"
    pool: "{{ split_actuator_pool }}"
    hostid: "{{ split_actuator_hostid }}"
    bays: ["bay[00:11]"]
    models:
      ACTW-D9:
        unit_count: 2
        firmware: "0042"
  become: true
  register: drift

- name: Stop on errors
  ansible.builtin.assert:
    that: drift.findings | selectattr('severity', 'equalto', 'error') | length == 0
"""

RETURN = r"""
findings:
  description: The differences that count. Those that are not about a drive come first, the others in bay order.
  type: list
  elements: dict
  returned: success
  sample: [{"code": "drive_moved", "severity": "error", "bay": "bay08", "serial": "ACS0003", "index": null, "about":
  "",
            "declared": "bay03", "found": "bay08 (by enclosure)", "since": "2026-11-25T20:49:40Z",
            "remedy": "Put it back, or run survey and then disk_inventory."}]
accepted:
  description: Findings that are accepted for now, each with C(finding), C(reason) and C(until).
  type: list
  elements: dict
  returned: success
  sample: []
drives:
  description: All drives of the host, as M(evenkeel.split_actuator.drive_info) returns them.
  type: list
  elements: dict
  returned: success
  sample: []
record:
  description:
    - Everything that is known about the host in one dictionary, including the results above, for storing. It has
      C(schema), C(host), C(checked_at), C(findings), C(accepted), C(drives), C(declared), C(bays), C(layout),
      C(guarantees), C(pool), C(margin), C(settings), C(history), C(trial) and C(scrubs).
  type: dict
  returned: success
  sample: {"schema": 1, "host": "ebb01", "checked_at": "2026-11-25T20:49:40Z", "margin": 2}
"""

from typing import Any, Dict

from ansible.module_utils.basic import AnsibleModule

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.declaring import declaration
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.examine import examine
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.observe import observe
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.record import to_data
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face import ModuleRunner, run_face
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_drift import DRIFT_ARGUMENTS


def work(module: AnsibleModule, runner: ModuleRunner) -> Dict[str, Any]:
    """Read the host and compare."""
    params = module.params
    root_properties = sorted((params["pool"] or {}).get("root_settings") or {})
    pools = bool({"layout", "pool", "host"} & set(params["areas"]))
    wish = declaration(params)
    record = to_data(examine(observe(runner, params["services"], root_properties, pools), wish))
    parts = {name: record[name] for name in ("findings", "accepted", "drives")}
    return {"changed": False, "record": record, **parts}


def main() -> None:
    """Entry point."""
    run_face(AnsibleModule(argument_spec=DRIFT_ARGUMENTS, supports_check_mode=True), work)


if __name__ == "__main__":
    main()
