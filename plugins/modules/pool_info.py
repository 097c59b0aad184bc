#!/usr/bin/python
# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later

from __future__ import annotations

DOCUMENTATION = r"""
module: pool_info
short_description: Reads the imported pools and the drive, bay and unit of every member
version_added: 0.1.0
author:
  - The evenkeel maintainers (@evenkeel)
description:
  - Reads the pools that are imported on a host, and finds the drive, bay and unit of each member.
  - Computes the margin of each pool, vdev, drive and enclosure, which is how many further drive failures it survives.
  - Reads JSON from OpenZFS 2.3 and later, and text from OpenZFS 2.1 and 2.2, with the same result.
requirements:
  - OpenZFS 2.1 or newer
  - python3-pyudev
extends_documentation_fragment:
  - evenkeel.split_actuator.attributes
  - evenkeel.split_actuator.attributes.info
  - evenkeel.split_actuator.bays
options:
  pool:
    description: Read only this pool. The module fails if it is not imported.
    type: str
  declared:
    description: The declared drives (C(split_actuator_drives)); they identify members whose drive is missing.
    type: dict
    default: {}
  unimported:
    description: Whether to read the labels on the units too, and return the pools that are not imported. Needs root.
    type: bool
    default: false
"""

EXAMPLES = r"""
- name: Read the pools
  evenkeel.split_actuator.pool_info:
    declared: "{{ split_actuator_drives }}"
  register: pools

- name: Show which bay to visit
  ansible.builtin.debug:
    msg: "{{ pools.pools | map(attribute='picture') | map('split', '\n') | flatten }}"
"""

RETURN = r"""
pools:
  description: The imported pools, by name.
  type: list
  elements: dict
  returned: success
  contains:
    name:
      description: The pool's name.
      type: str
      sample: archive
    guid:
      description: The pool's GUID, as text.
      type: str
      sample: "12345678901234567890"
    state:
      description: The pool's own state. A V(SUSPENDED) pool may still show its members as V(ONLINE).
      type: str
      sample: ONLINE
    suspended:
      description: Whether the pool has stopped serving.
      type: bool
      sample: false
    vdevs:
      description:
        - The top-level vdevs, each with C(name), C(kind), C(group) (V(data), V(special), V(logs), V(cache)), C(state),
          C(redundancy) and its C(slots).
        - A slot has C(serving) and C(members). A member has C(serial), C(bay), C(index), C(wwn), C(path), C(state)
          and error counts.
      type: list
      elements: dict
      sample: [{"name": "raidz2-0", "kind": "raidz", "state": "ONLINE", "redundancy": 2, "slots": []}]
    spares:
      description: The spares, as members.
      type: list
      elements: dict
      sample: []
    scan:
      description: The last or running scrub or resilver, with C(function) and C(state).
      type: dict
      sample: {"function": "resilver", "state": "scanning"}
    layout:
      description:
        - The pool's vdevs, in the form that M(evenkeel.split_actuator.layout_plan) takes as
          O(evenkeel.split_actuator.layout_plan#module:placed).
        - Sizes are those of the units found; sizes of missing drives are as declared.
      type: dict
      sample: {"vdevs": []}
    margin:
      description:
        - How many further drives may fail, whichever they are. V(0) means that the next failure can lose data, V(-1)
          that data is already lost.
      type: int
      sample: 2
    margins:
      description: The margin of each vdev and enclosure by name, and of each drive by serial.
      type: dict
      sample: {"vdevs": {"raidz2-0": 2}, "drives": {"ACS0007": 2}, "enclosures": {}}
    visit:
      description: The drives to look at, with C(bay), C(serial), and the C(units) with their states.
      type: list
      elements: dict
      sample: []
    picture:
      description: All of this as text.
      type: str
      sample: "pool archive: ONLINE, margin 2: any 2 further drives may fail"
unimported:
  description: The pools on the units that are not imported, by name and GUID, according to their labels.
  type: list
  elements: dict
  returned: when O(unimported=true)
  contains:
    name:
      description: The pool's name.
      type: str
      sample: archive
    guid:
      description: The pool's GUID, as text.
      type: str
      sample: "12345678901234567890"
    state:
      description: V(active) (not exported), V(exported) or V(destroyed).
      type: str
      sample: active
    last_used:
      description: Which host used the pool last, and when.
      type: str
      sample: by host ebb01 (host id 0a5a05af) at 2026-03-01 12:00:00 UTC
    layout:
      description:
        - The pool's vdevs, in the form that M(evenkeel.split_actuator.layout_plan) takes as
          O(evenkeel.split_actuator.layout_plan#module:placed).
      type: dict
      sample: {"vdevs": []}
"""

from typing import Any, Dict

from ansible.module_utils.basic import AnsibleModule

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face import ModuleRunner, run_face
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_acting import as_root
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_drives import DRIVE_ARGUMENTS
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_pool import access_from, pool_facts


def work(module: AnsibleModule, runner: ModuleRunner) -> Dict[str, Any]:
    """Read the pools."""
    if module.params["unimported"]:
        as_root()
    return dict(pool_facts(access_from(module.params, runner), module.params), changed=False)


def main() -> None:
    """Entry point."""
    module = AnsibleModule(
        argument_spec=dict(
            {
                "pool": {"type": "str"},
                "declared": {"type": "dict", "default": {}},
                "unimported": {"type": "bool", "default": False},
            },
            **DRIVE_ARGUMENTS,
        ),
        supports_check_mode=True,
    )
    run_face(module, work)


if __name__ == "__main__":
    main()
