#!/usr/bin/python
# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later

from __future__ import annotations

DOCUMENTATION = r"""
module: trial_info
short_description: How far a trial of drives is, and the latest result of each drive
version_added: 0.1.0
author:
  - The evenkeel maintainers (@evenkeel)
description:
  - Reads what M(evenkeel.split_actuator.drive_trial) recorded on the host. It accesses no drive.
extends_documentation_fragment:
  - evenkeel.split_actuator.attributes
  - evenkeel.split_actuator.attributes.info
options: {}
seealso:
  - module: evenkeel.split_actuator.drive_trial
"""

EXAMPLES = r"""
- name: Show how far the trial is
  evenkeel.split_actuator.trial_info:
  register: trial

- name: Name the drives that are not accepted
  ansible.builtin.debug:
    msg: "{{ trial.tried.drives | rejectattr('verdict', 'equalto', 'accept') | map(attribute='serial') }}"
"""

RETURN = r"""
state:
  description: >-
    The state of the latest trial: V(none), V(waiting), V(running), V(paused), V(finished), V(stopped) or V(failed).
  type: str
  returned: success
  sample: finished
progress:
  description: How far it is. C(seconds_left) is none while it depends on a speed that was not measured yet.
  type: dict
  returned: when there was a trial
  sample: {"state": "finished", "done": 80, "total": 80, "seconds_left": 0.0}
tried:
  description:
    - The latest result of each drive, in bay order. Speeds are bytes per second for C(sequential) and operations per
      second for C(random); what was not measured is none.
    - C(at) is the Unix time at which the latest trial ended.
  type: dict
  returned: success
  contains:
    at:
      description: When the latest trial ended (Unix time). 0 when there was none.
      type: int
      sample: 1795639582
    model_median:
      description: The medians of each model of drives, by vendor and model.
      type: dict
      sample:
        ACTWO ACTW-D9:
          drives: 12
          alone: {"sequential": 251000000.0, "random": 182.0}
          together: {"sequential": 500000000.0, "random": 362.0}
          independence: {"sequential": 0.99, "random": 0.99}
          evenness: {"sequential": 0.99, "random": 0.98}
    drives:
      description:
        - C(alone) has the speeds of each unit by itself, C(together) the sum of all units at once, C(all_together) that
          sum while all drives worked. C(independence) is together divided by the sum of alone, C(evenness) the slowest
          unit's speed divided by the fastest's.
        - C(codes) are stable names of the C(reasons), in the same order. C(facts) are format, cache and SMART of each
          unit.
        - C(read_through) and C(written) are the bytes of each unit that were read once, and that were written and
          read back.
      type: list
      elements: dict
      sample:
        - bay: bay07
          serial: ACT07
          verdict: reject
          reasons: ["random reads: its units together reach 51% of their speeds alone (a single actuator reaches 50%)"]
          codes: [not_independent]
          independence: {"sequential": 0.52, "random": 0.51}
          evenness: {"sequential": 0.99, "random": 0.98}
          alone: [{"sequential": 250000000.0, "random": 181.0}, {"sequential": 251000000.0, "random": 183.0}]
          together: {"sequential": 260000000.0, "random": 186.0}
    ceilings:
      description:
        - What the drives of an adapter, the drives of an expander, and all drives reached at once, next to the sum of
          what each reached by itself. C(pattern) is V(sequential) or V(random).
      type: list
      elements: dict
      sample:
        - group: all drives
          pattern: sequential
          drives: 12
          reached: 4100000000.0
          sum_of_drives: 6000000000.0
          share: 0.68
lines:
  description: The results as text, a line for each drive.
  type: list
  elements: str
  returned: success
  sample: ["bay00 (serial ACT00): accept, independence sequential 0.99, random 0.99"]
"""

from typing import Any, Dict

from ansible.module_utils.basic import AnsibleModule

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.discover import Wanted
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import to_plain
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial import results, start
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial.state import Folder
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face import ModuleRunner, run_face


def work(_module: AnsibleModule, runner: ModuleRunner) -> Dict[str, Any]:
    """Read progress and results."""
    progress = start.look(start.Access(runner, Wanted(), Folder(), b""))
    found = results.read()
    result: Dict[str, Any] = {
        "changed": False,
        "state": progress.state if progress else "none",
        "tried": to_plain(found),
        "lines": list(results.picture(found)),
    }
    if progress is not None:
        result["progress"] = to_plain(progress)
    return result


def main() -> None:
    """Entry point."""
    run_face(AnsibleModule(argument_spec={}, supports_check_mode=True), work)


if __name__ == "__main__":
    main()
