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
  - Replaces every unit of a drive by the unit of the same index of another drive, in the vdev where it belongs, and has
    all of them filled in one resilver pass.
  - The new drive is either put into the bay of the old one, whose units are taken offline first, or it sits in another
    bay (or is a spare of the pool) and the old one serves until it is full.
  - The work is split into steps, since a person changes the drive in between. Each step finds out from the pool, the
    labels on the drives and a note on the host how far the replacement is, and does what is left of its part. Whatever
    cuts it off, running the steps again goes on from there.
  - Refused is what would leave a vdev less than its redundancy covers, what would stop or begin anew a running scrub or
    resilver of other units, and a new drive that is too small, not empty, incomplete, or a member elsewhere.
  - The role drive_replacement and the playbook replace_drive put the steps together.
notes:
  - A bay whose drive has been replaced counts as done as long as the new drive serves there. To replace that one as
    well, name it by its serial.
requirements:
  - OpenZFS 2.1 or newer
  - python3-pyudev
  - sgdisk, sfdisk and wipefs where the new drive is split by range or erased
extends_documentation_fragment:
  - evenkeel.split_actuator.attributes
  - evenkeel.split_actuator.bays
options:
  pool:
    description: The name of the pool.
    type: str
    required: true
  leave:
    description: The drive to be replaced, by serial or by bay (V(bay07)).
    type: str
    required: true
  enter:
    description:
      - The new drive, by serial or by bay.
      - Empty for whatever is put into the bay of the old one. A serial that is not on the host yet is waited for there.
    type: str
    default: ""
  step:
    description:
      - V(plan) tells what the replacement comes to, and is refused where the replacement would be. It changes nothing.
      - V(take_out) takes the units of the old drive offline so that it can be pulled. Where the new one is in another
        bay there is nothing to do. Members whose drive was pulled and is back are brought online first.
      - V(await_drive) waits until another drive is in the bay. It fails when O(wait_seconds) have passed, when a drive that
        was not asked for leaves, or when the new one will not do.
      - V(put_in) splits the new drive where it goes by range, and has its units replace those of the old one.
      - V(follow) watches the resilvering for O(wait_seconds) and, once it is done, verifies that every unit is where it belongs.
      - V(put_back) gives a replacement up, while the old drive is in its bay.
    type: str
    choices: [plan, take_out, await_drive, put_in, follow, put_back]
    default: plan
  wait_seconds:
    description: How long to wait at most, with O(step=await_drive) and O(step=follow).
    type: int
    default: 0
  least_margin:
    description: How many further drives the worst vdev must still stand to lose while the old drive is out.
    type: int
    default: 0
  interrupt:
    description: Which running scans of the pool a replacement may stop or begin anew.
    type: list
    elements: str
    choices: [scrub, resilver]
    default: []
  declared:
    description: The declared drives (C(split_actuator_drives)); they name members whose drive is gone.
    type: dict
    default: {}
  erase_serials:
    description:
      - The serial of the new drive when its present contents may be destroyed. Other drives' serials have no effect.
      - What is in use (mounted, held, open) is refused all the same.
    type: list
    elements: str
    default: []
  by_name:
    description:
      - Address the new members by their unit names, such as V(/dev/disk/by-vdev/bay07.1), which the role disk_inventory
        makes. Outside check mode, units that do not carry theirs are refused.
    type: bool
    default: false
seealso:
  - module: evenkeel.split_actuator.pool_info
  - module: evenkeel.split_actuator.bay_locate
  - module: evenkeel.split_actuator.survey_file
"""

EXAMPLES = r"""
- name: See what replacing the drive in bay 7 comes to
  evenkeel.split_actuator.drive_replacement:
    pool: archive
    leave: bay07

- name: Take it out
  evenkeel.split_actuator.drive_replacement:
    pool: archive
    leave: bay07
    step: take_out

- name: Wait a quarter of an hour for a person to change it
  evenkeel.split_actuator.drive_replacement:
    pool: archive
    leave: bay07
    step: await_drive
    wait_seconds: 900

- name: Have the new drive filled
  evenkeel.split_actuator.drive_replacement:
    pool: archive
    leave: bay07
    step: put_in

- name: Replace a drive by one in a free bay, while it serves
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
  description: How the replacement stands.
  type: dict
  returned: success
  contains:
    stage:
      description:
        - V(idle) (nothing done yet), V(out) (the old units do not serve), V(entered) (the new drive is there),
          V(resilvering) or V(done).
      type: str
      sample: resilvering
    way:
      description: V(in_place), or V(hot) when the new drive is in another bay and the old one serves meanwhile.
      type: str
      sample: in_place
    leaving_serial:
      description: Serial of the old drive, empty where it cannot be told any more.
      type: str
      sample: ACT107
    leaving_bay:
      description: Bay of the old drive.
      type: str
      sample: bay07
    entering_serial:
      description: Serial of the new drive, empty as long as there is none.
      type: str
      sample: ACT207
    entering_bay:
      description: Bay of the new drive.
      type: str
      sample: bay07
    places:
      description: The old drive's places that are not taken over yet, with C(vdev), C(unit), C(leaving), C(resilvering).
      type: list
      elements: dict
      sample: [{"vdev": "raidz2-0", "unit": 0, "leaving": "OFFLINE", "resilvering": "ONLINE"}]
    margin:
      description: How many further drives the worst vdev stands to lose now.
      type: int
      sample: 1
    margin_without:
      description: The same while the old units do not serve.
      type: int
      sample: 1
    progress:
      description: The running scan of the pool, with C(running), C(share) (0 to 1) and C(seconds_left) (or null).
      type: dict
      sample: {"running": true, "share": 0.25, "seconds_left": 5400}
    notes:
      description: What a person should know, such as that a healthy unit leaves along with a failed one.
      type: list
      elements: str
      sample: ["bay07.1 and bay07.0 are one drive: bay07.1 is FAULTED, and bay07.0, which is healthy, leaves as well"]
progress:
  description: The progress in words.
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
  sample: ["raidz2-0 stands 2 lost, and bay01.0 (REMOVED) serves no data now; without bay07.0 it would have lost 3"]
"""

from typing import Any, Dict

from ansible.module_utils.basic import AnsibleModule

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face import ModuleRunner, run_face
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_acting import diff_of
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_drives import DRIVE_ARGUMENTS
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_replacement import STEPS, step, told


def work(module: AnsibleModule, runner: ModuleRunner) -> Dict[str, Any]:
    """Take one step of a replacement."""
    outcome = step(module, runner)
    result = told(outcome)
    result["diff"] = diff_of(outcome, "members")
    # A plan is not done.
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
