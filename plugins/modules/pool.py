#!/usr/bin/python
# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later

from __future__ import annotations

DOCUMENTATION = r"""
module: pool
short_description: Creates, verifies, grows, imports, exports or retires a ZFS pool
version_added: 0.1.0
author:
  - The evenkeel maintainers (@evenkeel)
description:
  - Creates a pool on the units of split-actuator drives exactly as M(evenkeel.split_actuator.layout_plan) planned it.
    Then reads it back and compares every member with the layout by unit identity.
  - Needs no force for a vdev of units that differ by more than 16 MiB. Each unit larger than the vdev's smallest
    gets a partition table with one partition of that size, named like the unit, and the pool uses the partition
    (C(bay07.1-part1)). O(state=grown) extends these partitions once every member is larger.
  - Compares an existing pool with the layout. Changes only what you request, and never moves a member.
  - Refuses the whole action when anything is found on a unit (a pool label, a filesystem, a partition table, a RAID or
    LVM signature, a mount, a holder, an open exclusive handle), and lists each such unit by bay and serial.
  - Imports a pool that an earlier installation of the host left on the drives, once every label on them has been
    compared with the layout.
  - Runs no command with a forcing option, except to import a pool of another host that is named in O(take_over).
    One action runs at a time on a host.
requirements:
  - OpenZFS 2.1 or newer
  - python3-pyudev
  - sgdisk, and partx with O(state=grown), where a vdev has units of different sizes
extends_documentation_fragment:
  - evenkeel.split_actuator.attributes
  - evenkeel.split_actuator.bays
options:
  pool:
    description: The name of the pool.
    type: str
    required: true
  state:
    description:
      - V(present) creates the pool if it does not exist, and compares it with O(layout) if it does.
      - V(imported) imports the pool from the drives of O(layout), mounts its datasets and adds it to the cache file.
        It never creates a pool. It finishes an interrupted import.
      - V(exported) exports the pool if it is imported.
      - V(grown) adds the vdevs of O(layout) that the pool lacks, and expands vdevs whose members are all larger now.
        O(layout) must contain the pool as it is, and no vdev is added that would make the pool survive fewer failures.
        Make the layout with O(evenkeel.split_actuator.layout_plan#module:placed).
      - V(retired) exports the pool if it is imported, and clears its labels on the drives of O(erase_serials). This
        is not sanitisation, and RV(notes) says so. It finishes an interrupted run.
    type: str
    choices: [present, imported, exported, grown, retired]
    default: present
  layout:
    description:
      - The RV(evenkeel.split_actuator.layout_plan#module:layout) to build or to import.
      - Required with O(state=present), O(state=imported) and O(state=grown).
    type: dict
  guid:
    description: The GUID that the pool must have, in quotes. Not used with O(state=present) and O(state=grown).
    type: str
    default: ""
  take_over:
    description:
      - With O(state=imported), the GUID (in quotes) of a pool that another host used last and did not export, and that
        this host takes over.
      - The other host must never use the pool again. A pool that is being written to is refused even so.
      - A host that was reinstalled does not need this. Give it back its host id, see
        M(evenkeel.split_actuator.host_identity).
    type: str
    default: ""
  accept_missing_drives:
    description: With O(state=imported), how many drives of the pool may be missing.
    type: int
    default: 0
  declared:
    description: The declared drives (C(split_actuator_drives)); they identify members whose drive is missing.
    type: dict
    default: {}
  pool_settings:
    description:
      - Pool properties, see zpoolprops(7).
      - At creation V(ashift=12), V(autoexpand=off) and V(autoreplace=off) are added; set a property here to override
        it, or set it to null for OpenZFS's own default.
    type: dict
    default: {}
  root_settings:
    description:
      - Properties of the root dataset, see zfsprops(7).
      - At creation V(acltype=posixacl), V(atime=off), V(compression=lz4), V(dnodesize=auto) and V(xattr=sa) are added.
    type: dict
    default: {}
  support:
    description:
      - Supporting vdevs on ordinary drives or solid-state devices, each named by its WWN.
      - They are created with the pool. If those of an existing pool differ, the action is refused.
    type: list
    elements: dict
    default: []
    suboptions:
      role:
        description: What the vdev is for, see zpoolconcepts(7).
        type: str
        choices: [special, log, cache]
        required: true
      kind:
        description:
          - How its devices are combined. By default a special or a log of several devices is a V(mirror).
          - A special vdev must tolerate exactly as many failed devices as the data vdevs.
        type: str
        choices: [mirror, stripe]
      devices:
        description: WWNs as M(evenkeel.split_actuator.drive_info) returns them, such as V(naa.5000ace2aa000010).
        type: list
        elements: str
        required: true
  erase_serials:
    description:
      - The serials of the drives whose present contents may be destroyed to create the pool, or to add them to it with
        O(state=grown).
      - With O(state=retired), the serials of the pool's drives whose labels are cleared. A drive that holds anything
        but a part of this pool is refused.
      - A unit in use (mounted, held, open) is refused even so. Ignored once the drives are in the pool.
    type: list
    elements: str
    default: []
  by_name:
    description:
      - Address members by their unit names, such as V(/dev/disk/by-vdev/bay07.1), so that C(zpool status) prints
        V(bay07.1).
      - The role disk_inventory makes these names. Outside check mode, units without their name are refused.
      - If V(false), the best stable link found for each unit is used.
    type: bool
    default: false
  require_trial:
    description:
      - The worst verdict of M(evenkeel.split_actuator.drive_trial) that a drive of the layout may have. The pool is not
        created on drives with a worse verdict or none.
      - Not applied to an existing pool.
    type: str
    choices: [none, look, accept]
    default: none
  allow_siblings:
    description:
      - Accept a layout that puts two units of one drive into one vdev, where the vdev's parity covers losing both.
    type: bool
    default: false
"""

EXAMPLES = r"""
- name: Plan the layout
  evenkeel.split_actuator.layout_plan:
    drives: "{{ found.drives }}"
    policy:
      kind: raidz
      parity: 2
      width: 12
  delegate_to: localhost
  register: plan

- name: Create the pool
  evenkeel.split_actuator.pool:
    pool: archive
    layout: "{{ plan.layout }}"
    root_settings:
      recordsize: 1M

- name: Create the pool with metadata and small blocks on three solid-state devices
  evenkeel.split_actuator.pool:
    pool: archive
    layout: "{{ plan.layout }}"
    support:
      - role: special
        devices: [naa.5000ace2bb000010, naa.5000ace2bb000020, naa.5000ace2bb000030]

- name: Import the pool of the previous installation
  evenkeel.split_actuator.pool:
    pool: archive
    state: imported
    layout: "{{ plan.layout }}"
    declared: "{{ split_actuator_drives }}"
    by_name: true

- name: Add the vdevs of another cohort of drives
  evenkeel.split_actuator.pool:
    pool: archive
    state: grown
    layout: "{{ grown_plan.layout }}"
    by_name: true

- name: Retire the pool and clear the labels of two of its drives
  evenkeel.split_actuator.pool:
    pool: archive
    state: retired
    erase_serials: [ACT100, ACT101]

- name: Export the pool
  evenkeel.split_actuator.pool:
    pool: archive
    state: exported
"""

RETURN = r"""
guid:
  description: The GUID of the pool.
  type: str
  returned: with O(state=imported)
  sample: "11396283716483127093"
missing:
  description: The missing drives of the pool, one line for each.
  type: list
  elements: str
  returned: with O(state=imported)
  sample: ["bay07 (serial ACT107) units 0, 1: not on the host"]
locked:
  description: Datasets that are not mounted because their encryption key is not loaded. Empty in check mode.
  type: list
  elements: str
  returned: with O(state=imported)
  sample: ["archive/sealed"]
device_paths:
  description: The device links of all members, missing ones included.
  type: list
  elements: str
  returned: with O(state=imported)
  sample: ["/dev/disk/by-vdev/bay00.0-part1"]
added:
  description: The vdevs that were, or in check mode would be, added.
  type: list
  elements: str
  returned: with O(state=grown)
  sample: ["raidz2: bay12.0 bay13.0 bay14.0 bay15.0 bay16.0 bay17.0"]
expanded:
  description: The vdevs that were, or in check mode would be, expanded, with their new sizes.
  type: list
  elements: str
  returned: with O(state=grown)
  sample: ["raidz2-0: 215991746199552 bytes to allocate"]
waiting:
  description: What each vdev with some larger members waits for, one line for each.
  type: list
  elements: str
  returned: with O(state=grown)
  sample: ["raidz2-0: 2 of 3 members are larger; it grows once these are larger too: bay02.0 (serial ACT102)"]
erased:
  description: The drives whose labels were, or in check mode would be, cleared.
  type: list
  elements: str
  returned: with O(state=retired)
  sample: ["bay00 (serial ACT100)"]
left:
  description: The drives on the host that still carry labels of the pool.
  type: list
  elements: str
  returned: with O(state=retired)
  sample: ["bay02 (serial ACT102)"]
notes:
  description: What you must know before you remove the drives.
  type: list
  elements: str
  returned: with O(state=retired)
  sample: ["Labels were cleared; the data is still on the drives. This is not sanitisation."]
commands:
  description: The commands that were run, or in check mode would be run.
  type: list
  elements: list
  returned: success
  sample: [["zpool", "create", "-o", "ashift=12", "archive", "raidz2", "/dev/disk/by-vdev/bay00.0"]]
pool:
  description: The pool, with the unit of every member, in the form that M(evenkeel.split_actuator.pool_info) returns.
  type: dict
  returned: when the pool exists
  sample: {"name": "archive", "state": "ONLINE"}
reasons:
  description: Why the action was refused, one line for each reason.
  type: list
  elements: str
  returned: when refused
  sample: ["bay03 (serial ACS0004) unit 1: filesystem ext4 on /dev/sdh"]
"""

from typing import Any, Dict

from ansible.module_utils.basic import AnsibleModule

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import to_plain
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face import ModuleRunner, run_face
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_acting import acting, diff_of
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_drives import DRIVE_ARGUMENTS
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_pool import access_from
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_pool_state import (
    SUPPORT_OPTIONS,
    ensure_state,
)


def work(module: AnsibleModule, runner: ModuleRunner) -> Dict[str, Any]:
    """Bring the pool to the requested state."""
    with acting(module, "{0} of pool {1}".format(ACTIONS[module.params["state"]], module.params["pool"])):
        outcome, more = ensure_state(module.params, access_from(module.params, runner), module.check_mode)
    result = {
        "changed": outcome.changed,
        "commands": [list(command.argv) for command in outcome.commands],
        "diff": diff_of(outcome),
    }
    result.update(more)
    if outcome.pool is not None:
        result["pool"] = to_plain(outcome.pool)
    return result


ACTIONS = {
    "present": "creation",
    "imported": "import",
    "exported": "export",
    "grown": "growth",
    "retired": "retirement",
}


def main() -> None:
    """Entry point."""
    module = AnsibleModule(
        argument_spec=dict(
            {
                "pool": {"type": "str", "required": True},
                "state": {"type": "str", "choices": list(ACTIONS), "default": "present"},
                "layout": {"type": "dict"},
                "guid": {"type": "str", "default": ""},
                "take_over": {"type": "str", "default": ""},
                "accept_missing_drives": {"type": "int", "default": 0},
                "declared": {"type": "dict", "default": {}},
                "pool_settings": {"type": "dict", "default": {}},
                "root_settings": {"type": "dict", "default": {}},
                "support": {"type": "list", "elements": "dict", "default": [], "options": SUPPORT_OPTIONS},
                "erase_serials": {"type": "list", "elements": "str", "default": []},
                "by_name": {"type": "bool", "default": False},
                "require_trial": {"type": "str", "choices": ["none", "look", "accept"], "default": "none"},
                "allow_siblings": {"type": "bool", "default": False},
            },
            **DRIVE_ARGUMENTS,
        ),
        required_if=[("state", state, ["layout"]) for state in ("present", "imported", "grown")],
        supports_check_mode=True,
    )
    run_face(module, work)


if __name__ == "__main__":
    main()
