#!/usr/bin/python
# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later

from __future__ import annotations

DOCUMENTATION = r"""
module: drift_host
short_description: Checks a host against its declaration and keeps the record on the controller
version_added: 0.1.0
author:
  - The evenkeel maintainers (@evenkeel)
description:
  - Has M(evenkeel.split_actuator.host_sight) look at the host, compares on the controller, and keeps the host's record
    there, for reports and for telling since when a finding is there.
  - A host that cannot be read, or whose declaration is not allowed, is told as unreachable, with the reason. So a play
    that fails on findings and one that could not check end differently.
  - Nothing is changed on the host, and in check mode nothing is written on the controller either.
extends_documentation_fragment:
  - evenkeel.split_actuator.attributes.info
  - evenkeel.split_actuator.bays
  - evenkeel.split_actuator.drift
options:
  report_dir:
    description: The folder on the controller in which C(<host>.json) is kept.
    type: path
    required: true
seealso:
  - module: evenkeel.split_actuator.drift_outcome
  - module: evenkeel.split_actuator.drift_info
"""

EXAMPLES = r"""
- name: Check the host
  evenkeel.split_actuator.drift_host:
    host: "{{ inventory_hostname }}"
    report_dir: "{{ inventory_dir }}/reports"
    declared: "{{ split_actuator_drives }}"
    pool: "{{ split_actuator_pool }}"
  become: true
  register: check_done
"""

RETURN = r"""
checked:
  description: The host's record without what only reports need. The whole of it is in the file.
  type: dict
  returned: when the host could be checked
  sample: {"schema": 1, "host": "ebb01", "findings": []}
rules:
  description: What is accepted, for what only the comparison of several hosts tells.
  type: list
  elements: dict
  returned: when the host could be checked
  sample: []
"""

# The work is done by the action plugin of this name.
