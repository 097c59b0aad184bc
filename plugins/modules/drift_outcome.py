#!/usr/bin/python
# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later

from __future__ import annotations

DOCUMENTATION = r"""
module: drift_outcome
short_description: Combines the drift results of the play's hosts
version_added: 0.1.0
author:
  - The evenkeel maintainers (@evenkeel)
description:
  - Compares the servers of each class with each other, adds the differences to each host's findings, and returns which
    hosts have findings of a chosen severity or higher.
  - Runs on the controller, once for all hosts of the play, after M(evenkeel.split_actuator.drift_host).
extends_documentation_fragment:
  - evenkeel.split_actuator.attributes.info
options:
  variable:
    description: The variable in which each host's result of M(evenkeel.split_actuator.drift_host) was registered.
    type: str
    required: true
  fail_on:
    description: Findings of this severity or higher count as failing.
    type: str
    choices: [info, warning, error]
    default: warning
seealso:
  - module: evenkeel.split_actuator.drift_host
"""

EXAMPLES = r"""
- name: Combine the results
  evenkeel.split_actuator.drift_outcome:
    variable: drift_done
    fail_on: error
  run_once: true
  register: drift_result

- name: Show the findings
  ansible.builtin.debug:
    msg: "{{ drift_result.lines }}"
  run_once: true
"""

RETURN = r"""
outcome:
  description:
    - C(schema), C(verdict) (V(clean), V(findings), or V(incomplete) when a host could not be compared), C(fail_on), and
      C(hosts), each with C(host), C(checked) (whether it could be compared), C(findings), C(accepted), C(failing) and
      C(margin).
  type: dict
  returned: success
  sample: {"schema": 1, "verdict": "clean", "fail_on": "warning", "hosts": []}
lines:
  description: The outcome as lines of a table.
  type: list
  elements: str
  returned: success
  sample: ["ebb01: clean, margin 2", "No finding of severity warning or higher."]
failing:
  description: How many findings of the chosen severity or higher each compared host has.
  type: dict
  returned: success
  sample: {"ebb01": 0}
"""

# The work is done by the action plugin of this name.
