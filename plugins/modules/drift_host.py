#!/usr/bin/python
# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later

from __future__ import annotations

DOCUMENTATION = r"""
module: drift_host
short_description: Compares a host with its declaration and keeps the record on the controller
version_added: 0.1.0
author:
  - The evenkeel maintainers (@evenkeel)
description:
  - Runs M(evenkeel.split_actuator.host_sight) on the host, compares on the controller, and keeps the host's record
    there. Reports read the record, and the next run reads from it since when a finding exists.
  - A host that cannot be read, or whose declaration is not allowed, is reported as unreachable, with the reason. So a
    play that fails because of findings and one that could not compare a host end with different exit codes.
  - Nothing is changed on the host. In check mode nothing is written on the controller either.
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
- name: Compare the host with its declaration
  evenkeel.split_actuator.drift_host:
    host: "{{ inventory_hostname }}"
    report_dir: "{{ inventory_dir }}/reports"
    declared: "{{ split_actuator_drives }}"
    pool: "{{ split_actuator_pool }}"
  become: true
  register: drift_done
"""

RETURN = r"""
checked:
  description: The host's record without the parts that only reports need. The file has the whole record.
  type: dict
  returned: when the host could be compared
  sample: {"schema": 1, "host": "ebb01", "findings": []}
rules:
  description: The accepted findings, for those that only the comparison of several hosts can make.
  type: list
  elements: dict
  returned: when the host could be compared
  sample: []
"""

# The work is done by the action plugin of this name.
