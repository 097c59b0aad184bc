# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Carrying out commands: the order, the words of an error, and the creation that lost a race with udev."""

from typing import Any

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import CommandError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.run import (
    ATTEMPTS,
    SETTLE,
    Command,
    Result,
    carry_out,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.actions import lost_race
from tests.unit.scripted import ScriptedRunner

WIPE = Command(("wipefs", "--all", "/dev/sda"))
CREATE = Command(("zpool", "create", "archive", "/dev/sda"))
RACE = Result(1, "", "cannot create 'archive': one or more devices is currently unavailable\n")
BUSY = Result(1, "", "/dev/sda is in use\n")


def test_a_lost_race_is_run_again_after_udev_has_settled():
    runner = ScriptedRunner(
        [
            (WIPE.argv, ""),
            (SETTLE, ""),
            (CREATE.argv, RACE),
            (SETTLE, ""),
            (CREATE.argv, ""),
            (SETTLE, ""),
        ]
    )
    carry_out(runner, [WIPE, CREATE], lost_race)
    runner.finished()


def test_a_race_lost_every_time_is_an_error_that_says_what_was_done_before():
    tries: list[tuple[tuple[str, ...], Any]] = [(SETTLE, ""), (CREATE.argv, RACE)]
    runner = ScriptedRunner([(WIPE.argv, ""), *tries * ATTEMPTS])
    with pytest.raises(CommandError, match="Commands that ran before it: wipefs --all /dev/sda"):
        carry_out(runner, [WIPE, CREATE], lost_race)
    runner.finished()


@pytest.mark.parametrize(("command", "answer"), [(CREATE, BUSY), (WIPE, RACE)])
def test_any_other_failure_is_final(command, answer):
    runner = ScriptedRunner([(SETTLE, ""), (command.argv, answer)])
    with pytest.raises(CommandError, match="It was the first"):
        carry_out(runner, [command], lost_race)
    runner.finished()
