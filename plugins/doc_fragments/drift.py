# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Options of what compares a host with its declaration."""

from __future__ import annotations


class ModuleDocFragment:
    """The fragment."""

    DOCUMENTATION = r"""
options:
  host:
    description: The host's name in the inventory, for messages and the record.
    type: str
    default: ""
  declared:
    description: The declared drives, C(split_actuator_drives).
    type: dict
    required: true
  bays:
    description:
      - The bays of the chassis, such as V(bay[00:11]) or V(west-bay07). An empty list allows any bay.
    type: list
    elements: str
    default: []
  paths_per_unit:
    description: How many paths each unit should have. V(0) does not compare.
    type: int
    default: 0
  models:
    description:
      - What every drive of a model should have, a dictionary with models as keys, each with C(unit_count),
        C(unit_bytes) (a number, or a list in index order), C(logical_block) and C(firmware), all optional.
      - What is not declared here is compared with most drives of the model.
    type: dict
    default: {}
  support_devices:
    description:
      - WWNs of devices that the host should have, such as those of supporting vdevs.
      - Those in O(pool) need not be repeated.
    type: list
    elements: str
    default: []
  pool:
    description:
      - The declared pool, C(split_actuator_pool), with C(name), C(policy), C(pool_settings), C(root_settings),
        C(support) and C(features).
      - C(features) are the pool features that should be enabled, a list of names, or V(all).
      - Without a name, only the state of imported pools is compared.
    type: dict
    default: {}
  layout:
    description:
      - The layout that the pool should have. By default it is computed from O(declared) and the pool's policy, as
        M(evenkeel.split_actuator.layout_plan) does. This needs the declared C(unit_bytes) of missing drives.
    type: dict
  hostid:
    description: The declared host id, 8 hexadecimal digits. Empty does not compare.
    type: str
    default: ""
  services:
    description:
      - Services and timers that should run, in addition to those of this collection that are set up on the host.
    type: list
    elements: str
    default: []
  scrub_days:
    description:
      - The number of days between scrubs. There is a finding if no scrub has finished within 1.25 times that.
      - V(0) expects no scrubs.
    type: float
    default: 30
  accepted:
    description:
      - Findings that are accepted for now, C(split_actuator_accepted), each with C(code), C(reason) and C(until) (the
        last day on which it is accepted, such as V(2026-12-31)), and optionally C(bay), C(serial), C(index) (of the
        unit) and C(about) to narrow it down.
    type: list
    elements: dict
    default: []
  areas:
    description: The areas of which findings are returned.
    type: list
    elements: str
    choices: [inventory, names, layout, pool, host]
    default: [inventory, names, layout, pool, host]
  server_class:
    description:
      - The class of the server, C(split_actuator_server_class). Servers of one class are compared with each other. By
        default, servers with the same pool name, policy and bays are one class.
    type: str
    default: ""
"""
