#!/usr/bin/python
# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later

from __future__ import annotations

DOCUMENTATION = r"""
module: drive_trial
short_description: Tries drives before they are trusted; are they sound, and do their actuators work independently
version_added: 0.1.0
author:
  - The evenkeel maintainers (@evenkeel)
description:
  - Measures with fio what each unit does alone, what the units of each drive do together, and what all drives do
    together. Nothing is written.
  - Judges each drive by that, by its class (drives of the same vendor and model), its format and its SMART data, and
    keeps the result on the host in C(/var/lib/evenkeel/split_actuator/trial.json).
  - The trial runs on the host as the service C(evenkeel-trial.service). It needs no connection, goes on after a reboot,
    and what it has measured is kept run by run.
  - A burn-in writes over drives in whole and reads them back. It takes the serials of exactly those drives, and drives
    on which nothing whatever is found.
requirements:
  - fio
  - smartmontools
  - systemd
  - python3-pyudev
extends_documentation_fragment:
  - evenkeel.split_actuator.attributes
  - evenkeel.split_actuator.bays
options:
  state:
    description:
      - V(started) starts the trial. One that was stopped goes on where it was. One that is under way, or finished with
        the same options, is left alone.
      - V(finished) does so and waits for its end.
      - V(stopped) stops the trial that is under way.
    type: str
    choices: [started, finished, stopped]
    default: started
  serials:
    description:
      - The drives to try. By default all that have several units.
      - Drives in use are refused, since the figures would say little and whoever uses them would wait.
    type: list
    elements: str
  burn_in_serials:
    description:
      - Serials, one by one, of drives that are written over in whole and read back after they were measured.
      - A drive on which anything is found is refused, and no option overrides that.
    type: list
    elements: str
    default: []
  include_busy:
    description: Measure drives though they are in use. What uses them shows in the figures.
    type: bool
    default: false
  fresh:
    description:
      - Try the drives anew though a trial with the same options is finished or was stopped.
      - With this, every run starts a trial.
    type: bool
    default: false
  wait_seconds:
    description:
      - With O(state=finished), for how many seconds to wait. The trial goes on when they are over.
    type: int
    default: 600
  run_seconds:
    description: For how long each run is measured.
    type: int
    default: 10
  ramp_seconds:
    description: For how long fio works before it measures.
    type: int
    default: 2
  sequential_block:
    description: Bytes of each sequential read.
    type: int
    default: 1048576
  sequential_depth:
    description: How many sequential reads are under way at a time on each unit.
    type: int
    default: 4
  random_block:
    description: Bytes of each random read.
    type: int
    default: 4096
  random_depth:
    description: How many random reads are under way at a time on each unit.
    type: int
    default: 16
  surface:
    description: Read every block of every unit once. For large drives this takes many hours.
    type: bool
    default: false
  per_adapter:
    description: How many drives of each adapter are measured at a time, apart from the runs that load what they share.
    type: int
    default: 1
  burn_in_per_adapter:
    description: How many drives of each adapter are read through or written at a time. 0 is all.
    type: int
    default: 0
  chunk:
    description:
      - Bytes of each unit that a run of O(surface) or of a burn-in goes through. What such a run has done is not done
        again after an interruption.
    type: int
    default: 68719476736
  temperature_ceiling:
    description:
      - Degrees Celsius above which a drive may not be while it is tried. The trial pauses until it is 5 degrees cooler.
      - 0 sets no ceiling. A drive that tells no temperature is not watched.
    type: int
    default: 55
  time_limit_seconds:
    description: Minutes after which the trial is stopped. It is not begun when it is known to take longer.
    type: int
    default: 4320
  thresholds:
    description: Where a verdict turns. All are common practice, no standard sets them.
    type: dict
    default: {}
    suboptions:
      independence_look:
        description: Below this share of their speeds alone, units together are to be looked at.
        type: float
        default: 0.85
      independence_reject:
        description: Below this they are rejected. A drive of two units with one actuator's worth has 0.5.
        type: float
        default: 0.7
      evenness_look:
        description: Below this share of its fastest sibling's speed a unit is to be looked at.
        type: float
        default: 0.85
      evenness_reject:
        description: Below this the drive is rejected.
        type: float
        default: 0.5
      speed_look:
        description: An outlier below this share of its class' median is to be looked at.
        type: float
        default: 0.9
      speed_reject:
        description: Below this the drive is rejected.
        type: float
        default: 0.5
      deviations:
        description:
          - From how many standard deviations off its class' median a unit is an outlier. They are estimated from the
            median absolute deviation.
        type: float
        default: 3.5
      model_least:
        description: From how many drives on a class is compared.
        type: int
        default: 5
      defects_look:
        description: From this number of grown defects on a drive is to be looked at. 0 is never.
        type: int
        default: 1
      defects_reject:
        description: From this number on it is rejected. 0 is never.
        type: int
        default: 100
      hours_look:
        description: From this number of power-on hours on a drive is to be looked at. 0 is never.
        type: int
        default: 0
seealso:
  - module: evenkeel.split_actuator.trial_info
"""

EXAMPLES = r"""
- name: Try all drives, as the playbook trial does
  evenkeel.split_actuator.drive_trial:
    state: finished
    wait_seconds: 3600

- name: Burn two new drives in, which takes days
  evenkeel.split_actuator.drive_trial:
    serials: [ACT0107, ACT0108]
    burn_in_serials: [ACT0107, ACT0108]
    time_limit_seconds: 604800

- name: Stop that for now
  evenkeel.split_actuator.drive_trial:
    state: stopped
"""

RETURN = r"""
state:
  description: >-
    Where the trial is: V(none), V(waiting), V(running), V(paused), V(finished), V(stopped) or V(failed).
  type: str
  returned: success
  sample: running
progress:
  description: How far the trial is. C(seconds_left) is none as long as it rests on a speed that was not measured.
  type: dict
  returned: when there is a trial
  sample:
    state: running
    done: 12
    total: 80
    doing: "random reads, each unit alone: bay01.1"
    seconds_left: 816.0
estimate:
  description: Seconds that fio works, by the runs' length and by speeds measured earlier. None where that is not known.
  type: float
  returned: when a trial is started
  sample: 864.0
runs:
  description: fio's command lines, which the service runs in this order, each with what it is for.
  type: list
  elements: dict
  returned: when a trial is started
  sample:
    - argv: [fio, --output-format=json, --direct=1, --readonly, --rw=read]
      reason: "sequential reads, each unit alone: bay00.0"
commands:
  description: The commands that were run, or in check mode would be run, to start or stop the service.
  type: list
  elements: list
  returned: success
  sample: [["systemctl", "daemon-reload"], ["systemctl", "--quiet", "enable", "evenkeel-trial.service"]]
tried:
  description: The latest result of each drive, as M(evenkeel.split_actuator.trial_info) returns it.
  type: dict
  returned: when the trial is finished
  sample: {"at": 1795639582, "drives": [{"bay": "bay00", "serial": "ACT00", "verdict": "accept", "reasons": []}]}
reasons:
  description: Why the trial was refused, one line for each cause.
  type: list
  elements: str
  returned: when refused
  sample: ["bay03 (serial ACT03) unit 1: filesystem ext4 on /dev/sdh; a burn-in would destroy it"]
"""

import time
from typing import Any, Dict

from ansible.module_utils.basic import AnsibleModule

from ansible_collections.evenkeel.split_actuator.plugins.module_utils import _face_trial
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health import pack
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.options import wanted_from
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import from_plain, to_plain
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial import results, start
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial.order import Settings, Thresholds
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial.state import ENDED, Folder
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face import ModuleRunner, run_face
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_acting import acting
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_drives import DRIVE_ARGUMENTS

SETTINGS = {
    "run_seconds": {"type": "int", "default": 10},
    "ramp_seconds": {"type": "int", "default": 2},
    "sequential_block": {"type": "int", "default": 1 << 20},
    "sequential_depth": {"type": "int", "default": 4},
    "random_block": {"type": "int", "default": 4096},
    "random_depth": {"type": "int", "default": 16},
    "surface": {"type": "bool", "default": False},
    "per_adapter": {"type": "int", "default": 1},
    "burn_in_per_adapter": {"type": "int", "default": 0},
    "chunk": {"type": "int", "default": 64 << 30},
    "temperature_ceiling": {"type": "int", "default": 55},
    "time_limit_seconds": {"type": "int", "default": 259200},
}

THRESHOLDS = {
    name: {"type": "int" if isinstance(value, int) else "float", "default": value}
    for name, value in to_plain(Thresholds()).items()
}


def wish_from(params: Dict[str, Any]) -> start.Wish:
    """What is to be tried, from the parameters."""
    settings = {name: params[name] for name in SETTINGS}
    serials = params["serials"]
    return start.Wish(
        serials=None if serials is None else tuple(serials),
        burn_in_serials=tuple(params["burn_in_serials"]),
        settings=from_plain(Settings, {**settings, "thresholds": params["thresholds"]}, "settings"),
        include_busy=params["include_busy"],
        fresh=params["fresh"],
    )


def work(module: AnsibleModule, runner: ModuleRunner) -> Dict[str, Any]:
    """Start, await or stop the trial."""
    access = start.Access(runner, wanted_from(module.params), Folder(), pack.pack(_face_trial))
    told = _act(module, access)
    progress = told.progress
    if module.params["state"] == "finished" and not module.check_mode:
        deadline = time.monotonic() + module.params["wait_seconds"]
        while progress is not None and progress.state not in ENDED and time.monotonic() < deadline:
            time.sleep(1)
            progress = start.look(access)
    result: Dict[str, Any] = {
        "changed": told.changed,
        "state": progress.state if progress else "none",
        "commands": start.argv_lists(told.commands),
        "runs": [{"argv": list(one.argv), "reason": one.reason} for one in told.runs],
        "diff": start.diff(told),
    }
    if told.changed and module.params["state"] != "stopped":
        result["estimate"] = told.seconds
    if progress is not None:
        result["progress"] = to_plain(progress)
    if progress is not None and progress.state == "finished":
        result["tried"] = to_plain(results.read())
    return result


def _act(module: AnsibleModule, access: start.Access) -> start.Told:
    # A trial that runs holds the host's lock itself, and stopping it must not wait for that.
    if module.params["state"] == "stopped":
        return start.ensure_stopped(access, module.check_mode)
    wish = wish_from(module.params)
    progress = start.look(access)
    if progress is not None and progress.state not in ENDED:
        return start.ensure_started(access, wish, module.check_mode, module.params["ranges"])
    with acting(module, "the start of a trial"):
        return start.ensure_started(access, wish, module.check_mode, module.params["ranges"])


def main() -> None:
    """Entry point."""
    module = AnsibleModule(
        argument_spec=dict(
            {
                "state": {"type": "str", "choices": ["started", "finished", "stopped"], "default": "started"},
                "serials": {"type": "list", "elements": "str"},
                "burn_in_serials": {"type": "list", "elements": "str", "default": []},
                "include_busy": {"type": "bool", "default": False},
                "fresh": {"type": "bool", "default": False},
                "wait_seconds": {"type": "int", "default": 600},
                "thresholds": {"type": "dict", "default": {}, "options": THRESHOLDS},
            },
            **SETTINGS,
            **DRIVE_ARGUMENTS,
        ),
        supports_check_mode=True,
    )
    run_face(module, work)


if __name__ == "__main__":
    main()
