#!/usr/bin/python
# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later

from __future__ import annotations

DOCUMENTATION = r"""
module: spare_drives
short_description: Puts a whole spare drive in the place of a failed one, and gives it back later
version_added: 0.1.0
author:
  - The evenkeel maintainers (@evenkeel)
description:
  - A spare is a whole drive. While idle it is kept out of the pool, because OpenZFS's event daemon takes the pool's
    spares one unit at a time, and may take a unit whose sibling is in that vdev already.
  - When all units of a drive have failed, a spare drive stands in with all of its units, by unit index. They are
    resilvered in one pass. The failed drive keeps its places until it is replaced.
  - A spare drive is released as a whole, once a member serves each of its places again.
  - What the event daemon did unit by unit is reported. It is corrected where another spare drive is free.
  - One call is one round. It does not wait for a resilver. Call the module after a failure and after a replacement.
requirements:
  - OpenZFS 2.1 or newer
  - python3-pyudev
extends_documentation_fragment:
  - evenkeel.split_actuator.attributes
  - evenkeel.split_actuator.bays
options:
  pool:
    description: The name of the pool.
    type: str
    required: true
  layout:
    description:
      - The RV(evenkeel.split_actuator.layout_plan#module:layout) of the pool. Its C(spares) are the spare drives.
    type: dict
    default: {}
  declared:
    description: The declared drives (C(split_actuator_drives)). They identify members whose drive is missing.
    type: dict
    default: {}
  lost:
    description:
      - Serials of drives to stand in for, although one of their units still answers or they were taken offline.
      - The unit that still answers is resilvered onto the spare as well, because both units leave with the drive.
    type: list
    elements: str
    default: []
  restart_resilver:
    description: Whether a resilver that runs for other drives may restart to include the spare.
    type: bool
    default: false
  by_name:
    description: Address the spare's units by their unit names, which the role disk_inventory makes.
    type: bool
    default: false
"""

EXAMPLES = r"""
- name: Put spares in the place of failed drives, and release those that are done
  evenkeel.split_actuator.spare_drives:
    pool: archive
    layout: "{{ plan.layout }}"
    declared: "{{ split_actuator_drives }}"
    by_name: true

- name: Put a spare in the place of a drive with one failed actuator
  evenkeel.split_actuator.spare_drives:
    pool: archive
    layout: "{{ plan.layout }}"
    declared: "{{ split_actuator_drives }}"
    lost: [ACT107]
"""

RETURN = r"""
taken:
  description: Which spare drive stands in for which drive from now on.
  type: list
  elements: str
  returned: success
  sample: ["bay12 (serial ACT112) stands in for bay07 (serial ACT107)"]
returned:
  description: Which spare drives were released.
  type: list
  elements: str
  returned: success
  sample: ["bay12 (serial ACT112) is released: bay07 (serial ACT207) serves again"]
waiting:
  description: What could not be done in this round, and why.
  type: list
  elements: str
  returned: success
  sample:
    - "bay07 (serial ACT107): a spare stands in once the running resilver ends, or now with restart_resilver"
findings:
  description:
    - What was wrong with the spares when the round began, as findings of M(evenkeel.split_actuator.drift_info).
    - V(spare_doubled), 2 units of a spare drive in one vdev; V(spare_divided), units of one that stand in for
      several drives; V(spare_exposed), an idle spare unit in the pool.
  type: list
  elements: dict
  returned: success
  sample: []
commands:
  description: The commands that were run, or in check mode would be run.
  type: list
  elements: list
  returned: success
  sample: [["zpool", "add", "archive", "spare", "/dev/disk/by-vdev/bay12.0", "/dev/disk/by-vdev/bay12.1"]]
pool:
  description: The pool, every member resolved to a unit, as M(evenkeel.split_actuator.pool_info) has it.
  type: dict
  returned: success
  sample: {"name": "archive", "state": "DEGRADED"}
"""

from typing import Any, Dict

from ansible.module_utils.basic import AnsibleModule

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import to_plain
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face import ModuleRunner, run_face
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_acting import acting, diff_of
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_drives import DRIVE_ARGUMENTS
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_pool import access_from
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_spares import run_round


def work(module: AnsibleModule, runner: ModuleRunner) -> Dict[str, Any]:
    """Run one round."""
    with acting(module, "the spare drives of pool {0}".format(module.params["pool"])):
        report = run_round(module.params, access_from(module.params, runner), module.check_mode)
    return {
        "changed": report.outcome.changed,
        "commands": [list(command.argv) for command in report.outcome.commands],
        "diff": diff_of(report.outcome),
        "pool": to_plain(report.outcome.pool),
        "findings": to_plain(report.findings),
        "taken": list(report.taken),
        "returned": list(report.returned),
        "waiting": list(report.waiting),
    }


def main() -> None:
    """Entry point."""
    module = AnsibleModule(
        argument_spec=dict(
            {
                "pool": {"type": "str", "required": True},
                "layout": {"type": "dict", "default": {}},
                "declared": {"type": "dict", "default": {}},
                "lost": {"type": "list", "elements": "str", "default": []},
                "restart_resilver": {"type": "bool", "default": False},
                "by_name": {"type": "bool", "default": False},
            },
            **DRIVE_ARGUMENTS,
        ),
        supports_check_mode=True,
    )
    run_face(module, work)


if __name__ == "__main__":
    main()
