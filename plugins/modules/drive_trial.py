#!/usr/bin/python
# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later

from __future__ import annotations

DOCUMENTATION = r"""
module: drive_trial
short_description: Tests drives before you trust them, and whether their actuators work independently
version_added: 0.1.0
author:
  - The evenkeel maintainers (@evenkeel)
description:
  - Measures with fio how fast each unit is alone, how fast the units of each drive are together, and how fast all
    drives are together. Nothing is written.
  - Judges each drive by these speeds, by other drives of the same vendor and model, by its format and its SMART data.
    The result is kept on the host in C(/var/lib/evenkeel/split_actuator/trial.json).
  - The trial runs on the host as the service C(evenkeel-trial.service). It needs no connection and continues after a
    reboot. What it has measured is kept after each run.
  - A burn-in overwrites drives completely and reads them back. It needs the serials of exactly those drives, and it
    only accepts drives on which nothing is found.
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
      - V(started) starts the trial. A trial that was stopped continues where it was. A trial that is under way, or that
        has finished with the same options, is left alone.
      - V(finished) does the same and waits until the trial has finished.
      - V(stopped) stops the trial that is under way.
    type: str
    choices: [started, finished, stopped]
    default: started
  serials:
    description:
      - Serials of the drives to test. The default is all drives with several units.
      - Drives in use are refused, because the figures would mean little and the trial would slow down their users.
    type: list
    elements: str
  burn_in_serials:
    description:
      - Serials of drives that are overwritten completely and read back after they were measured.
      - A drive with any contents is refused, and no option overrides that.
    type: list
    elements: str
    default: []
  include_busy:
    description: Measure drives even if they are in use. Their load affects the figures.
    type: bool
    default: false
  fresh:
    description:
      - Start again from scratch, even if a trial with the same options has finished or was stopped.
      - With this option, every call starts a trial.
    type: bool
    default: false
  wait_seconds:
    description:
      - With O(state=finished), how many seconds to wait. The trial continues when this time is over.
    type: int
    default: 600
  run_seconds:
    description: For how many seconds each run is measured.
    type: int
    default: 10
  ramp_seconds:
    description: For how many seconds fio runs before it measures.
    type: int
    default: 2
  sequential_block:
    description: Bytes of each sequential read.
    type: int
    default: 1048576
  sequential_depth:
    description: How many sequential reads are in flight on each unit.
    type: int
    default: 4
  random_block:
    description: Bytes of each random read.
    type: int
    default: 4096
  random_depth:
    description: How many random reads are in flight on each unit.
    type: int
    default: 16
  surface:
    description: Read every block of every unit once. This takes many hours for large drives.
    type: bool
    default: false
  per_adapter:
    description: How many drives of each adapter are measured at a time, except in the runs that load what they share.
    type: int
    default: 1
  burn_in_per_adapter:
    description: How many drives of each adapter are read completely or written at a time. 0 means all.
    type: int
    default: 0
  chunk:
    description:
      - Bytes of each unit that one run of O(surface) or of a burn-in covers. A finished run is not repeated after an
        interruption.
    type: int
    default: 68719476736
  temperature_ceiling:
    description:
      - Highest temperature of a drive during its test, in degrees Celsius. Above it the trial pauses until the drive is
        5 degrees below it.
      - 0 sets no ceiling. A drive that reports no temperature is not watched.
    type: int
    default: 55
  time_limit_seconds:
    description: Seconds after which the trial is stopped. A trial that is known to take longer is not started.
    type: int
    default: 259200
  thresholds:
    description: The limits of the verdicts. All are common practice. No standard sets them.
    type: dict
    default: {}
    suboptions:
      independence_look:
        description: If units together reach less than this share of their speeds alone, the verdict is look.
        type: float
        default: 0.85
      independence_reject:
        description: Below this the verdict is reject. A drive of 2 units that share one actuator has 0.5.
        type: float
        default: 0.7
      evenness_look:
        description: If a unit reaches less than this share of its fastest sibling's speed, the verdict is look.
        type: float
        default: 0.85
      evenness_reject:
        description: Below this the verdict is reject.
        type: float
        default: 0.5
      speed_look:
        description: If an outlier is below this share of the median of its model, the verdict is look.
        type: float
        default: 0.9
      speed_reject:
        description: Below this the verdict is reject.
        type: float
        default: 0.5
      deviations:
        description:
          - A unit is an outlier from this many standard deviations off the median of its model. They are estimated from
            the median absolute deviation.
        type: float
        default: 3.5
      model_least:
        description: Drives are compared with their model from this number of drives on.
        type: int
        default: 5
      defects_look:
        description: From this number of grown defects on, the verdict is look. 0 means never.
        type: int
        default: 1
      defects_reject:
        description: From this number on, the verdict is reject. 0 means never.
        type: int
        default: 100
      hours_look:
        description: From this number of power-on hours on, the verdict is look. 0 means never.
        type: int
        default: 0
seealso:
  - module: evenkeel.split_actuator.trial_info
"""

EXAMPLES = r"""
- name: Test all drives, as the playbook trial does
  evenkeel.split_actuator.drive_trial:
    state: finished
    wait_seconds: 3600

- name: Burn in 2 new drives, which takes days
  evenkeel.split_actuator.drive_trial:
    serials: [ACT0107, ACT0108]
    burn_in_serials: [ACT0107, ACT0108]
    time_limit_seconds: 604800

- name: Stop the trial for now
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
  description: How far the trial is. C(seconds_left) is none while it depends on a speed that was not measured yet.
  type: dict
  returned: when there is a trial
  sample:
    state: running
    done: 12
    total: 80
    doing: "random reads, each unit alone: bay01.1"
    seconds_left: 816.0
estimate:
  description: Seconds that fio runs, from the length of the runs and earlier measured speeds. None where unknown.
  type: float
  returned: when a trial is started
  sample: 864.0
runs:
  description: fio's command lines in the order in which the service runs them, each with its purpose.
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
    """The request, from the parameters."""
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
    outcome = _act(module, access)
    progress = outcome.progress
    if module.params["state"] == "finished" and not module.check_mode:
        deadline = time.monotonic() + module.params["wait_seconds"]
        while progress is not None and progress.state not in ENDED and time.monotonic() < deadline:
            time.sleep(1)
            progress = start.look(access)
    result: Dict[str, Any] = {
        "changed": outcome.changed,
        "state": progress.state if progress else "none",
        "commands": start.argv_lists(outcome.commands),
        "runs": [{"argv": list(one.argv), "reason": one.reason} for one in outcome.runs],
        "diff": start.diff(outcome),
    }
    if outcome.changed and module.params["state"] != "stopped":
        result["estimate"] = outcome.seconds
    if progress is not None:
        result["progress"] = to_plain(progress)
    if progress is not None and progress.state == "finished":
        result["tried"] = to_plain(results.read())
    return result


def _act(module: AnsibleModule, access: start.Access) -> start.Outcome:
    # A running trial holds the host's lock itself, and stopping it must not wait for that lock.
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
