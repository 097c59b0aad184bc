#!/usr/bin/python
# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later

from __future__ import annotations

DOCUMENTATION = r"""
module: drive_info
short_description: Finds the drives of a host with their units, bays and stable names
version_added: 0.1.0
author:
  - The evenkeel maintainers (@evenkeel)
description:
  - Finds every drive of a host and its independently positioned units, which are either logical units that share a
    serial number or the access ranges of a single logical unit.
  - Returns each drive's bay, and each unit's own designator (WWN), stable links, size, block sizes, paths and
    contents.
  - Reads sysfs and udev's database only. No device is opened and nothing is changed.
  - No program is started for a unit. The library pyudev runs C(ldconfig -p) once to find libudev.
  - Text that a drive reports about itself is returned with letters, digits and C(-), C(_), C(.), C(:) only. A blank
    becomes C(_). Where anything else was replaced, a short digest of the original follows.
notes:
  - Reading does not need root. What the kernel does not show to other users is left out.
  - Run C(udevadm settle) first if drives were just added.
requirements:
  - python3-pyudev
extends_documentation_fragment:
  - evenkeel.split_actuator.attributes.info
  - evenkeel.split_actuator.bays
options:
  model:
    description: Only drives whose model matches this shell-style pattern.
    type: str
    default: "*"
  vendor:
    description: Only drives whose vendor matches this shell-style pattern.
    type: str
    default: "*"
  ordinary:
    description: Whether to return drives with a single unit as well.
    type: bool
    default: true
  paths_per_unit:
    description: How many paths each unit should have. V(0) does not compare.
    type: int
    default: 0
seealso:
  - module: evenkeel.split_actuator.pool_info
"""

EXAMPLES = r"""
- name: Find the drives of a chassis with enclosure services
  evenkeel.split_actuator.drive_info:
  register: found

- name: Find the drives behind two adapters with six phys each, without enclosure services
  evenkeel.split_actuator.drive_info:
    bay_map:
      - pattern: "pci-0000:00:05.0-sas-phy{phy}-lun-*"
        bay: "bay{phy}"
      - pattern: "pci-0000:00:06.0-sas-phy{phy}-lun-*"
        bay: "bay{phy+6}"
    unit_counts:
      ACTW-D9: 2
  register: found

- name: Stop when a drive cannot be used as it is
  ansible.builtin.assert:
    that: found.findings | selectattr('severity', 'equalto', 'error') | length == 0
"""

RETURN = r"""
drives:
  description: The drives in bay order, those without a bay last.
  type: list
  elements: dict
  returned: success
  contains:
    key:
      description: What the drive's units share, its target-device designator, or else vendor, model and serial number.
      type: str
      sample: ACTWO ACTW-D9 ACS0007
    serial:
      description: The serial number, empty when the drive reports none.
      type: str
      sample: ACS0007
    vendor:
      description: The vendor as reported.
      type: str
      sample: ACTWO
    model:
      description: The product as reported.
      type: str
      sample: ACTW-D9
    firmware:
      description: The firmware as reported.
      type: str
      sample: "0042"
    bay:
      description: The bay with C(enclosure) (empty where the chassis has only one) and C(slot), or null when unknown.
      type: dict
      sample: {"enclosure": "", "slot": 7}
    bay_source:
      description: Which of O(bay_sources) reported the bay. Empty when none did.
      type: str
      sample: enclosure
    adapter:
      description: PCI address and driver of the adapter.
      type: str
      sample: 0000:00:05.0 mptsas
    expected_units:
      description: How many units the drive should show.
      type: int
      sample: 2
    units:
      description: The units in index order.
      type: list
      elements: dict
      contains:
        index:
          description: The LUN, or the number of the range, from 0.
          type: int
          sample: 1
        unit_kind:
          description: V(lun) for a logical unit, V(range) for an access range of the drive's only logical unit.
          type: str
          sample: lun
        wwn:
          description: The logical unit's own designator. The ranges of a drive share one.
          type: str
          sample: naa.5000ace2aa000071
        size:
          description:
            - Size in bytes, V(0) when the kernel cannot use the unit. For a range, the size of its partition, also
              before that is made.
          type: int
          sample: 9000000000000
        start:
          description: Where a range begins on its disk, in bytes.
          type: int
          sample: 0
        part_uuid:
          description: The UUID of the partition that a range became. Empty before, and for a logical unit.
          type: str
          sample: ""
        logical_block:
          description: Logical block size in bytes.
          type: int
          sample: 512
        physical_block:
          description: Physical block size in bytes.
          type: int
          sample: 4096
        node:
          description:
            - The present device node. It may change at the next boot. For a unit with several paths it is the multipath
              device. For a range it is the partition, and empty before the drive is partitioned.
          type: str
          sample: /dev/sdh
        links:
          description:
            - Stable links to the unit, best first. None is made from a serial number, which all units of a drive share.
            - Empty when the unit has no name of its own.
          type: list
          elements: str
          sample: ["/dev/disk/by-vdev/bay07.1", "/dev/disk/by-id/wwn-0x5000ace2aa000071"]
        paths:
          description:
            - The paths from the host to the logical unit, each with C(hctl), C(node), C(by_path), C(adapter) and
              C(target_port).
          type: list
          elements: dict
          sample: [{"hctl": "2:0:3:1", "node": "/dev/sdh", "adapter": "0000:00:05.0 mptsas", "target_port": "",
                    "by_path": "/dev/disk/by-path/pci-0000:00:05.0-sas-phy3-lun-1"}]
        contents:
          description: What udev and the kernel have found on the unit, each with C(type), C(detail) and C(node).
          type: list
          elements: dict
          sample: [{"type": "filesystem", "detail": "ext4", "node": "/dev/sdh"}]
findings:
  description: Findings on the returned drives, and on the host as a whole.
  type: list
  elements: dict
  returned: success
  contains:
    code:
      description: A stable code.
      type: str
      sample: half_visible
    severity:
      description: V(error) when the drive cannot be used safely as it is, else V(warning) or V(info).
      type: str
      sample: error
    serial:
      description: The drive's serial number.
      type: str
      sample: ACS0007
    bay:
      description: The drive's bay, as far as it is known.
      type: str
      sample: bay07
    index:
      description: The unit's index, null when the whole drive is meant.
      type: int
      sample: 1
    declared:
      description: What was declared or expected.
      type: str
      sample: 2 units (declared)
    found:
      description: What was found.
      type: str
      sample: "unit 1 is missing; found: 0"
    remedy:
      description: What to do about it.
      type: str
      sample: Rescan the adapter, then reseat the drive.
"""

from typing import Any, Dict

from ansible.module_utils.basic import AnsibleModule

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.discover import discover
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.options import wanted_from
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.select import Choice, select
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import to_plain
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face import ModuleRunner, run_face
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_drives import DRIVE_ARGUMENTS


def work(module: AnsibleModule, runner: ModuleRunner) -> Dict[str, Any]:
    """Read the host; no command is needed."""
    del runner
    params = module.params
    found = discover(wanted_from(params))
    drives, findings = select(found, Choice(params["vendor"], params["model"], params["ordinary"]))
    return {"changed": False, "drives": to_plain(drives), "findings": to_plain(findings)}


def main() -> None:
    """Entry point."""
    module = AnsibleModule(
        argument_spec=dict(
            {
                "model": {"type": "str", "default": "*"},
                "vendor": {"type": "str", "default": "*"},
                "ordinary": {"type": "bool", "default": True},
                "paths_per_unit": {"type": "int", "default": 0},
            },
            **DRIVE_ARGUMENTS,
        ),
        supports_check_mode=True,
    )
    run_face(module, work)


if __name__ == "__main__":
    main()
