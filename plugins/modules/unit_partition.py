#!/usr/bin/python
# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later

from __future__ import annotations

DOCUMENTATION = r"""
module: unit_partition
short_description: Partitions range-split drives, one partition for each independent access range
version_added: 0.1.0
author:
  - The evenkeel maintainers (@evenkeel)
description:
  - Gives each of the named drives a GPT with one partition for each of its independent access ranges, so that every
    range becomes a unit with a device and a stable name of its own.
  - A partition begins and ends on whole MiB, never crosses a boundary of ranges, and carries the unit's name, such as
    V(bay07.1). Its UUID is derived from the drive's WWN and the number of the range. Ranges whose sizes differ by at
    most 16 MiB get partitions of one size.
  - The ranges are those that the kernel reports (Linux 5.16 or newer). Where it reports none, declare them in O(ranges)
    or in O(declared). RV(drives[].confirmed) is then false.
  - The table is read back from the disk with a different program than the one that wrote it, and compared.
  - Anything found on a drive (a partition table, a pool label, a filesystem, a mount, a holder, an open exclusive
    handle) makes the module refuse the whole action. The refusal names each drive by bay and serial.
  - A drive that has such partitions already, from this module or another tool, is left as it is. Only partition names
    that no longer match, because the drive was moved to another bay, are corrected, and only while nothing uses the
    drive.
notes:
  - A drive whose table was lost gets the same table again. The contents of its partitions are then readable again.
  - Drives that show several logical units need no partitions and are refused.
requirements:
  - sgdisk (package gdisk)
  - sfdisk (package fdisk)
  - wipefs and blkdiscard (package util-linux)
  - python3-pyudev
extends_documentation_fragment:
  - evenkeel.split_actuator.attributes
  - evenkeel.split_actuator.bays
options:
  serials:
    description: Serials of the drives to partition.
    type: list
    elements: str
    required: true
  declared:
    description:
      - The declared drives (C(split_actuator_drives)). They give the bays and, in their key C(ranges), the ranges of
        drives for which the kernel reports none.
    type: dict
    default: {}
  erase_serials:
    description:
      - Serials of those drives whose present contents may be destroyed to partition them.
      - What is in use (mounted, held, open) is refused in any case. Ignored for a drive that has its partitions
        already.
    type: list
    elements: str
    default: []
seealso:
  - module: evenkeel.split_actuator.drive_info
  - module: evenkeel.split_actuator.pool
"""

EXAMPLES = r"""
- name: Partition 2 drives whose ranges the kernel reports
  evenkeel.split_actuator.unit_partition:
    serials: [ACR0001, ACR0002]

- name: Partition all range-split drives
  evenkeel.split_actuator.unit_partition:
    serials: "{{ found.drives | selectattr('units.0.unit_kind', 'equalto', 'range') | map(attribute='serial') }}"
    declared: "{{ split_actuator_drives }}"

- name: Partition a drive behind an adapter that hides the ranges
  evenkeel.split_actuator.unit_partition:
    serials: [ACR0003]
    ranges:
      ACR0003:
        equal: 2
"""

RETURN = r"""
commands:
  description: The commands that were run, or in check mode would be run.
  type: list
  elements: list
  returned: success
  sample: [["sgdisk", "--clear", "--new=1:2048:17578122239", "--change-name=1:bay07.0", "/dev/sdh"]]
drives:
  description: The drives with their partitions, as they are or in check mode would be, in bay order.
  type: list
  elements: dict
  returned: success
  contains:
    serial:
      description: The serial number.
      type: str
      sample: ACR0001
    bay:
      description: The bay.
      type: str
      sample: bay07
    source:
      description: Where the ranges are known from, V(kernel), V(declared) or V(table) (the partitions made earlier).
      type: str
      sample: kernel
    confirmed:
      description: Whether the kernel reports the ranges.
      type: bool
      sample: true
    state:
      description: V(split) when nothing was to be done, V(new), or V(renamed).
      type: str
      sample: new
    units:
      description: The units in index order.
      type: list
      elements: dict
      contains:
        name:
          description: The unit's name.
          type: str
          sample: bay07.1
        index:
          description: The number of the range, from 0.
          type: int
          sample: 1
        number:
          description: The partition's number.
          type: int
          sample: 2
        start:
          description: Where the partition begins, in bytes.
          type: int
          sample: 9000000716800
        size:
          description: The partition's size in bytes.
          type: int
          sample: 8999998062592
        uuid:
          description: The partition's UUID.
          type: str
          sample: 2aaced24-73e5-535f-861d-460632aeedd6
        node:
          description: The partition's device node now. Empty before the partition exists.
          type: str
          sample: /dev/sdh2
    notes:
      description: What a person should know, such as that the ranges are unconfirmed.
      type: list
      elements: str
      sample: ["the ranges are unconfirmed: the kernel reports none; they are declared in the inventory"]
reasons:
  description: Why the action was refused, one line for each cause.
  type: list
  elements: str
  returned: when refused
  sample: ["bay03 (serial ACR0004): filesystem ext4 on /dev/sdh"]
"""

from typing import Any, Dict

from ansible.module_utils.basic import AnsibleModule

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.partition import actions
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import to_plain
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face import ModuleRunner, run_face
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_acting import acting, diff_of
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_drives import DRIVE_ARGUMENTS
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_pool import access_from


def work(module: AnsibleModule, runner: ModuleRunner) -> Dict[str, Any]:
    """Partition the drives, or find that they are."""
    params = module.params
    with acting(module, "partitioning of drives"):
        wish = actions.Wish(tuple(params["serials"]), tuple(params["erase_serials"]))
        outcome = actions.ensure_split(access_from(params, runner), wish, module.check_mode)
    return {
        "changed": outcome.changed,
        "commands": [list(command.argv) for command in outcome.commands],
        "drives": to_plain(outcome.drives),
        "diff": diff_of(outcome, "drives"),
    }


def main() -> None:
    """Entry point."""
    module = AnsibleModule(
        argument_spec=dict(
            {
                "serials": {"type": "list", "elements": "str", "required": True},
                "declared": {"type": "dict", "default": {}},
                "erase_serials": {"type": "list", "elements": "str", "default": []},
            },
            **DRIVE_ARGUMENTS,
        ),
        supports_check_mode=True,
    )
    run_face(module, work)


if __name__ == "__main__":
    main()
