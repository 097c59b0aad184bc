#!/usr/bin/python
# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later

from __future__ import annotations

DOCUMENTATION = r"""
module: layout_plan
short_description: Computes which unit of which drive goes into which vdev
version_added: 0.1.0
author:
  - The evenkeel maintainers (@evenkeel)
description:
  - Plans the vdevs of a pool on drives with two units each. The failure of a whole drive, or of a whole enclosure, then
    costs no vdev more members than its parity covers.
  - Of the layouts that keep the promises in O(policy.survive), it takes the one with the most usable capacity. Ties go
    to the fewest sets of drives whose failure together loses the pool, then to the most even spread over enclosures,
    then to the order of the bays. RV(layout.proven) lists which of these are proven to be the best possible.
  - Touches no host. Run it on the controller.
extends_documentation_fragment:
  - evenkeel.split_actuator.attributes.pure
options:
  drives:
    description:
      - The drives to plan for, as M(evenkeel.split_actuator.drive_info) or the filter
        P(evenkeel.split_actuator.declared_drives#filter) returns them.
      - Or in short form, a dictionary of C(serial), C(unit_bytes) (the size of each unit in bytes, or a list of sizes
        in index order), C(unit_count) (V(2) if C(unit_bytes) is one size), and optionally C(bay) (V(bay07),
        V(west-bay07)) and C(adapter).
    type: list
    elements: dict
    required: true
  policy:
    description: The requirements for the layout.
    type: dict
    default: {}
    suboptions:
      kind:
        description: The kind of vdev. V(raidz) if not set.
        type: str
        choices: [raidz, mirror, draid]
      parity:
        description:
          - How many member failures a vdev survives, 1 to 3. V(2) if not set.
          - Not for mirrors. A mirror survives its width less 1 member failures.
        type: int
      width:
        description:
          - How many members a vdev has; 2 to 4 for a mirror. V(0), the default, chooses it by O(policy.prefer).
        type: int
      spares:
        description: How many whole drives to keep as spares. V(0) if not set.
        type: int
      survive:
        description: Promises that the layout must keep. The module fails if no layout can keep them.
        type: dict
        suboptions:
          drives:
            description: Any N whole drives may fail at the same time. V(1) if not set.
            type: int
          enclosures:
            description: Any N whole enclosures may fail at the same time. V(0) if not set.
            type: int
      prefer:
        description:
          - What the width is chosen for when O(policy.width) is V(0).
          - V(capacity) (the default) takes the width with the most usable bytes, up to 14 members.
          - V(safety) takes the one with the fewest fatal sets of drives among those with at least 3/4 of that.
          - V(throughput) takes the one with the most vdevs among those with at least half of that.
        type: str
        choices: [capacity, safety, throughput]
      siblings:
        description:
          - Whether a vdev may hold more than one unit of a drive, as far as O(policy.survive) allows and the vdev's
            parity covers the loss of the drive.
          - The guarantee is then computed from that. V(false) if not set.
        type: bool
      mixed_sizes:
        description:
          - Whether a vdev may hold units of different sizes. OpenZFS refuses this without force when sizes differ by
            more than 16 MiB. Every member of such a vdev counts as large as the smallest one.
          - V(separate) (the default) gives each size vdevs of its own.
          - V(allow) mixes sizes where that stores more. The larger units of such a vdev get a partition as large as the
            smallest member, so that the pool is created without force.
        type: str
        choices: [separate, allow]
      draid:
        description: Only for dRAID.
        type: dict
        suboptions:
          data:
            description: Data devices in each group. V(8) if not set, fewer in a narrow vdev.
            type: int
          spares:
            description: Distributed spares in each vdev. V(0) if not set.
            type: int
  placed:
    description:
      - The RV(layout) of an existing pool. Its units stay in place. Free drives take the places of drives that are not
        in O(drives), and the remaining drives extend the pool.
    type: dict
  ashift:
    description:
      - The pool's sector size as a power of two, 9 to 16. The predicted capacity depends on it, and with that the
        width that is chosen when O(policy.width) is V(0).
      - V(0) is what OpenZFS chooses for the sectors that O(drives) report. Units in short form count as units with
        physical sectors of 4096 bytes. RV(remarks) says what was assumed.
    type: int
    default: 12
  whole_disk:
    description: Whether OpenZFS gets whole units; V(false) for partitions. Ranges always are partitions.
    type: bool
    default: true
  compare:
    description:
      - Whether to compare the layout with others worth considering, and with naive ones that survive fewer failures.
      - Where units differ in size, the comparison also shows what it costs to keep sizes apart.
    type: bool
    default: true
  rates:
    description:
      - What the resilver times and the yearly probability of loss are computed from.
      - The defaults are assumptions, not measurements of your drives. Set your own.
    type: dict
    default: {}
    suboptions:
      drive_afr:
        description: Whole-drive failures for each drive and year. V(0.014) if not set.
        type: float
      unit_afr:
        description: Failures of a single actuator for each unit and year. V(0.002) if not set.
        type: float
      read_errors:
        description: Unreadable bits for each bit read. V(1e-15) if not set.
        type: float
      delay_hours:
        description: Hours from a failure to the start of its resilver. V(24) if not set.
        type: float
      parallel:
        description: Whether failed drives are resilvered at the same time. V(true) if not set.
        type: bool
      in_one_pass:
        description: Whether the units of a replaced drive are resilvered together. V(true) if not set.
        type: bool
      rate:
        description: Bytes per second that one unit moves in a resilver. V(100000000) if not set.
        type: float
      link:
        description: Bytes per second between host and drive, shared by its units. V(0), no limit, if not set.
        type: float
      fill:
        description: Share of the pool that is written. V(0.8) if not set.
        type: float
"""

EXAMPLES = r"""
- name: Plan a pool on the drives that were found
  evenkeel.split_actuator.layout_plan:
    drives: "{{ found.drives }}"
    policy:
      kind: raidz
      parity: 2
      spares: 1
  delegate_to: localhost
  register: plan

- name: Show it
  ansible.builtin.debug:
    msg: "{{ plan.text.split('\n') }}"

- name: Plan before the server is bought
  evenkeel.split_actuator.layout_plan:
    drives:
      - {bay: west-bay00, serial: ACS0000, unit_count: 2, unit_bytes: 9000000000000}
      - {bay: west-bay01, serial: ACS0001, unit_count: 2, unit_bytes: 9000000000000}
      - {bay: east-bay00, serial: ACS0002, unit_bytes: [9000000000000, 9000000000000]}
      - {bay: east-bay01, serial: ACS0003, unit_bytes: [9000000000000, 9000000000000]}
    policy:
      kind: raidz
      parity: 2
      width: 4
      survive: {drives: 2, enclosures: 1}
  delegate_to: localhost
"""

RETURN = r"""
layout:
  description: The layout, as M(evenkeel.split_actuator.pool) takes it.
  type: dict
  returned: success
  contains:
    vdevs:
      description: The vdevs with their members in order.
      type: list
      elements: dict
      returned: success
      sample:
        - kind: raidz
          parity: 2
          data: 0
          spares: 0
          members: [{serial: ACS0000, index: 0, bay: bay00, size: 9000000000000}]
    spares:
      description: Whole drives kept as spares, with all their units.
      type: list
      elements: dict
      returned: success
      sample: [{serial: ACS0012, bay: bay12, members: [{serial: ACS0012, index: 0, bay: bay12, size: 9000000000000}]}]
    unused:
      description: Units that the layout does not use, each with the reason.
      type: list
      elements: dict
      returned: success
      sample: []
    survives_drives:
      description: How many whole drives may fail at the same time, whichever they are. Computed from the members.
      type: int
      returned: success
      sample: 2
    survives_enclosures:
      description: How many whole enclosures may fail at the same time, whichever they are; 0 when bays name none.
      type: int
      returned: success
      sample: 1
    proven:
      description: Which objectives are proven to be the best possible, of V(capacity), V(fatal_sets) and V(spread).
      type: list
      elements: str
      returned: success
      sample: [capacity, fatal_sets, spread]
    proof:
      description: How that is proven, or the value reached and the bound.
      type: str
      returned: success
      sample: "closed form: cohorts of identical drives"
policy:
  description: The policy, complete with defaults and with the width that was chosen.
  type: dict
  returned: success
  sample: {kind: raidz, parity: 2, width: 12, spares: 0, survive: {drives: 1, enclosures: 0}}
guarantees:
  description: What the layout guarantees, one sentence each.
  type: list
  elements: str
  returned: success
  sample: ["Any 2 drives may fail at once: no vdev holds two units of a drive, and raidz2 survives 2 member failures."]
remarks:
  description:
    - What was assumed, and what the choice of O(policy.mixed_sizes) costs where units differ in size.
  type: list
  elements: str
  returned: success
  sample: ["ashift 12 is assumed, as OpenZFS would choose for sectors of 512 (physical 4096) bytes."]
capacity:
  description: What OpenZFS will show for the new pool, in bytes, and the steps to it.
  type: dict
  returned: success
  contains:
    raw:
      description: The sum of all units.
      type: int
      returned: success
      sample: 216000000000000
    size:
      description: The SIZE column of C(zpool list).
      type: int
      returned: success
      sample: 215985315381248
    usable:
      description: AVAIL and USED of the root dataset together.
      type: int
      returned: success
      sample: 164382625497088
    slop:
      description: The slop space that OpenZFS reserves for itself.
      type: int
      returned: success
      sample: 111266496512
    vdevs:
      description: The same for each top-level vdev.
      type: list
      elements: dict
      returned: success
      sample: []
alternatives:
  description:
    - The layout first, then others for the same drives, each with its figures.
    - Empty when O(compare=false).
  type: list
  elements: dict
  returned: success
  contains:
    name:
      description: The name of the alternative.
      type: str
      returned: success
      sample: "naive: one vdev of all units"
    shape:
      description: Number, kind and width of its vdevs.
      type: str
      returned: success
      sample: 1 x raidz2 of 24
    chosen:
      description: Whether it is the layout that is returned.
      type: bool
      returned: success
      sample: false
    verdict:
      description: How it compares with the layout that is returned.
      type: str
      returned: success
      sample: One pulled drive takes 2 members of a vdev; survives 1 drive failure instead of 2; stores 17% more.
    figures:
      description:
        - The numbers by name, each with its C(value), its C(unit), C(how) it is made (V(exact), V(model), V(estimate))
          and a C(note).
        - C(drives), C(enclosures) and C(units) are the failures that the pool always survives. C(fatal_2) to C(fatal_6)
          are the share of all sets of 2 to 6 drives whose failure together loses the pool. C(usable) is in bytes.
          C(stream_read), C(stream_write), C(seek_read) and C(seek_write) are speeds relative to one unit. C(resilver)
          and C(resilver_in_turn) are the hours for one drive, with its units together or one after the other. C(loss)
          is the yearly probability of loss.
      type: dict
      returned: success
      sample:
        drives: {value: 1, unit: drives, how: exact, note: "any N whole drives may fail at the same time"}
text:
  description: All of this as text for a terminal, with a map of the bays.
  type: str
  returned: success
  sample: "2 x raidz2 of 12, 164.4 TB (149.5 TiB) usable of 216.0 TB (196.5 TiB)"
"""

from typing import Any, Dict

from ansible.module_utils.basic import AnsibleModule

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.report import report
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Layout
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import from_plain
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.build import refuse_larger_ranges
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face import ModuleRunner, run_face


def work(module: AnsibleModule, _runner: ModuleRunner) -> Dict[str, Any]:
    """Compute; there is nothing to run."""
    found = report(module.params)
    refuse_larger_ranges(from_plain(Layout, found["layout"], "layout"))
    return dict(found, changed=False)


def main() -> None:
    """Entry point."""
    module = AnsibleModule(
        argument_spec={
            "drives": {"type": "list", "elements": "dict", "required": True},
            "policy": {
                "type": "dict",
                "default": {},
                "options": {
                    "kind": {"type": "str", "choices": ["raidz", "mirror", "draid"]},
                    "parity": {"type": "int"},
                    "width": {"type": "int"},
                    "spares": {"type": "int"},
                    "survive": {
                        "type": "dict",
                        "options": {"drives": {"type": "int"}, "enclosures": {"type": "int"}},
                    },
                    "prefer": {"type": "str", "choices": ["capacity", "safety", "throughput"]},
                    "siblings": {"type": "bool"},
                    "mixed_sizes": {"type": "str", "choices": ["separate", "allow"]},
                    "draid": {"type": "dict", "options": {"data": {"type": "int"}, "spares": {"type": "int"}}},
                },
            },
            "placed": {"type": "dict"},
            "ashift": {"type": "int", "default": 12},
            "whole_disk": {"type": "bool", "default": True},
            "compare": {"type": "bool", "default": True},
            "rates": {
                "type": "dict",
                "default": {},
                "options": {
                    "drive_afr": {"type": "float"},
                    "unit_afr": {"type": "float"},
                    "read_errors": {"type": "float"},
                    "delay_hours": {"type": "float"},
                    "parallel": {"type": "bool"},
                    "in_one_pass": {"type": "bool"},
                    "rate": {"type": "float"},
                    "link": {"type": "float"},
                    "fill": {"type": "float"},
                },
            },
        },
        supports_check_mode=True,
    )
    run_face(module, work)


if __name__ == "__main__":
    main()
