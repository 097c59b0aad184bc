#!/usr/bin/python
# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later

from __future__ import annotations

DOCUMENTATION = r"""
module: drive_replacement
short_description: Replaces a drive of a pool, all its units at once
version_added: 0.1.0
author:
  - The evenkeel maintainers (@evenkeel)
description:
  - Replaces every unit of a drive by the unit of the same index of another drive, in the vdev where it belongs. All of
    them are resilvered in one pass.
  - The new drive goes into the bay of the old one, whose units are taken offline first. Or it sits in another bay (or
    is a spare of the pool), and the old drive serves until the new one is resilvered.
  - The work is divided into steps, because a person exchanges the drive in between. Each step finds out from the pool,
    the labels on the drives and a note on the host how far the replacement is, and does what is left of its part. After
    an interruption, run the steps again. They continue from there.
  - The module refuses a replacement that would exceed the redundancy of a vdev, or that would stop or restart a running
    scrub or a resilver of other units. It refuses a new drive that is too small, not empty or incomplete, and one that
    is already a member in another place.
  - The role replace_drive and the playbook replace_drive combine the steps.
notes:
  - A bay whose drive was replaced counts as done while the new drive serves there. To replace that drive as well, name
    it by its serial.
requirements:
  - OpenZFS 2.1 or newer
  - python3-pyudev
  - sgdisk, sfdisk and wipefs where the new drive is partitioned or erased
extends_documentation_fragment:
  - evenkeel.split_actuator.attributes
  - evenkeel.split_actuator.bays
options:
  pool:
    description: The name of the pool.
    type: str
    required: true
  leave:
    description: The drive to replace, by serial or by bay (V(bay07)).
    type: str
    required: true
  enter:
    description:
      - The new drive, by serial or by bay.
      - Empty for the drive that is put into the bay of the old one. O(step=await_drive) waits for a serial that is not
        on the host yet.
    type: str
    default: ""
  step:
    description:
      - V(plan) shows what the replacement would do, and is refused where the replacement would be. It changes nothing.
      - V(take_out) takes the units of the old drive offline so that it can be pulled. If the new drive is in another
        bay, there is nothing to do. Members whose drive was pulled by mistake and put back are brought online first.
      - V(await_drive) waits until another drive is in the bay. It fails when O(wait_seconds) have passed, when the
        wrong drive is pulled, or when the new drive does not fit.
      - V(put_in) partitions the new drive if it is a range-split drive, and replaces the units of the old drive by its
        units.
      - V(follow) watches the resilver for O(wait_seconds). Once it is done, the step verifies that every unit is where
        it belongs.
      - V(put_back) cancels a replacement while the old drive is in its bay.
    type: str
    choices: [plan, take_out, await_drive, put_in, follow, put_back]
    default: plan
  wait_seconds:
    description: How many seconds to wait at most, with O(step=await_drive) and O(step=follow).
    type: int
    default: 0
  least_margin:
    description: How many further drive failures the worst vdev must survive while the old drive is out.
    type: int
    default: 0
  interrupt:
    description: Which running scans of the pool a replacement may stop or restart.
    type: list
    elements: str
    choices: [scrub, resilver]
    default: []
  declared:
    description: The declared drives (C(split_actuator_drives)). They identify members whose drive is missing.
    type: dict
    default: {}
  erase_serials:
    description:
      - The serial of the new drive, if its present contents may be destroyed. Serials of other drives have no effect.
      - What is in use (mounted, held, open) is refused in any case.
    type: list
    elements: str
    default: []
  by_name:
    description:
      - Address the new members by their unit names, such as V(/dev/disk/by-vdev/bay07.1). The role disk_inventory makes
        these names. Outside check mode, units without their name are refused.
    type: bool
    default: false
seealso:
  - module: evenkeel.split_actuator.pool_info
  - module: evenkeel.split_actuator.bay_locate
  - module: evenkeel.split_actuator.survey_file
"""

EXAMPLES = r"""
- name: Show what replacing the drive in bay 7 would do
  evenkeel.split_actuator.drive_replacement:
    pool: archive
    leave: bay07

- name: Take it out
  evenkeel.split_actuator.drive_replacement:
    pool: archive
    leave: bay07
    step: take_out

- name: Wait 15 minutes for a person to exchange it
  evenkeel.split_actuator.drive_replacement:
    pool: archive
    leave: bay07
    step: await_drive
    wait_seconds: 900

- name: Put the new drive in
  evenkeel.split_actuator.drive_replacement:
    pool: archive
    leave: bay07
    step: put_in

- name: Replace a drive by one in a free bay, while the old one serves
  evenkeel.split_actuator.drive_replacement:
    pool: archive
    leave: ACT107
    enter: bay12
    step: put_in
"""

RETURN = r"""
commands:
  description: The commands that were run, or in check mode and with O(step=plan) would be run.
  type: list
  elements: list
  returned: success
  sample: [["zpool", "replace", "archive", "9223372036854775807", "/dev/disk/by-vdev/bay07.0"]]
replacement:
  description: The state of the replacement.
  type: dict
  returned: success
  contains:
    stage:
      description:
        - V(idle) (nothing done yet), V(out) (the old units are out of service), V(entered) (the new drive is there),
          V(resilvering) or V(done).
      type: str
      sample: resilvering
    way:
      description: V(in_place), or V(hot) when the new drive is in another bay and the old one keeps serving.
      type: str
      sample: in_place
    leaving_serial:
      description: Serial of the old drive. Empty where it is no longer known.
      type: str
      sample: ACT107
    leaving_bay:
      description: Bay of the old drive.
      type: str
      sample: bay07
    entering_serial:
      description: Serial of the new drive. Empty while there is none.
      type: str
      sample: ACT207
    entering_bay:
      description: Bay of the new drive.
      type: str
      sample: bay07
    places:
      description: Places that the old drive still holds, with C(vdev), C(index), C(leaving), C(resilvering).
      type: list
      elements: dict
      sample: [{"vdev": "raidz2-0", "index": 0, "leaving": "OFFLINE", "resilvering": "ONLINE"}]
    margin:
      description: How many further drive failures the worst vdev survives now.
      type: int
      sample: 1
    margin_without:
      description: The same while the old units are out of service.
      type: int
      sample: 1
    progress:
      description: The running scan of the pool, with C(running), C(share) (0 to 1) and C(seconds_left) (or null).
      type: dict
      sample: {"running": true, "share": 0.25, "seconds_left": 5400}
    notes:
      description: What a person should know, such as that a healthy unit is replaced along with a failed one.
      type: list
      elements: str
      sample:
        - "bay07.1 and bay07.0 are one drive: bay07.1 is FAULTED, and bay07.0, which is healthy, is replaced as well"
progress:
  description: The progress as text.
  type: str
  returned: success
  sample: 25.0 % done, about 90 min left at the pace so far
entering:
  description: The new drive as M(evenkeel.split_actuator.drive_info) has it, or null.
  type: dict
  returned: success
  sample: {"serial": "ACT207"}
reasons:
  description: Why the action was refused, one line for each cause.
  type: list
  elements: str
  returned: when refused
  sample:
    - "raidz2-0 tolerates 2 missing members; bay01.0 (REMOVED), bay02.0 (REMOVED) serve no data now; without bay07.0, 3
      would be missing"
"""

from typing import Any, Dict

from ansible.module_utils.basic import AnsibleModule

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face import ModuleRunner, run_face
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_acting import diff_of
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_drives import DRIVE_ARGUMENTS
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_replacement import STEPS, returned, step


def work(module: AnsibleModule, runner: ModuleRunner) -> Dict[str, Any]:
    """Take one step of a replacement."""
    outcome = step(module, runner)
    result = returned(outcome)
    result["diff"] = diff_of(outcome, "members")
    # A plan changes nothing.
    result["changed"] = outcome.changed and module.params["step"] != "plan"
    return result


def main() -> None:
    """Entry point."""
    module = AnsibleModule(
        argument_spec=dict(
            {
                "pool": {"type": "str", "required": True},
                "leave": {"type": "str", "required": True},
                "enter": {"type": "str", "default": ""},
                "step": {"type": "str", "choices": list(STEPS), "default": "plan"},
                "wait_seconds": {"type": "int", "default": 0},
                "least_margin": {"type": "int", "default": 0},
                "interrupt": {"type": "list", "elements": "str", "choices": ["scrub", "resilver"], "default": []},
                "declared": {"type": "dict", "default": {}},
                "erase_serials": {"type": "list", "elements": "str", "default": []},
                "by_name": {"type": "bool", "default": False},
            },
            **DRIVE_ARGUMENTS,
        ),
        supports_check_mode=True,
    )
    run_face(module, work)


if __name__ == "__main__":
    main()
