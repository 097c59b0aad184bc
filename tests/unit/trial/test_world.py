# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The host behind a trial: programs that end, hang or are missing, and devices that are held."""

from __future__ import annotations

from pathlib import Path

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import CommandError, HostError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial import world


def ended(host: world.TrialHost) -> tuple[str, bytes]:
    for _dummy in range(100):
        found = host.poll(0.2)
        if found is not None:
            return found.status, found.output
    raise AssertionError("it never ended")


def test_a_run_gives_what_it_printed_and_one_that_hangs_keeps_nobody() -> None:
    host = world.TrialHost()
    assert host.start(["printf", "figures"], 30.0)
    assert ended(host) == ("done", b"figures")
    assert host.start(["sleep", "60"], 0.3)
    assert ended(host)[0] == "timeout"
    assert host.start(["printf", "more"], 30.0)
    assert ended(host) == ("done", b"more")


def test_abandoned_is_gone_and_gives_nothing() -> None:
    host = world.TrialHost()
    assert host.start(["sleep", "60"], 60.0)
    host.abandon()
    assert host.poll(0.1) is None


def test_tools(monkeypatch: pytest.MonkeyPatch) -> None:
    host = world.TrialHost()
    told = host.run(("printf", "one"))
    assert (told.rc, told.stdout) == (0, "one")
    assert host.run(("false",)).rc == 1
    with pytest.raises(HostError, match="no-such-tool cannot be started"):
        host.run(("no-such-tool",))
    monkeypatch.setattr(world, "TOOL_SECONDS", 0.2)
    with pytest.raises(CommandError, match="no answer within 0 seconds"):
        host.run(("sleep", "60"))


def test_temperatures_are_read_beside_a_run_whose_end_is_not_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    answers = {"a": 41, "b": 52}

    def argv(path: str) -> tuple[str, ...]:
        device = '"device":{"protocol":"SCSI"},' if path in answers else ""
        temperature = '"temperature":{"current":%d},' % answers.get(path, 0)
        return ("printf", "%s", "{" + device + temperature + '"smartctl":{"exit_status":0}}')

    monkeypatch.setattr(world.smart, "argv", argv)
    host = world.TrialHost()
    assert host.start(["printf", "figures"], 30.0)
    assert host.temperatures(["a", "b", "c"]) == {"a": 41, "b": 52}
    assert ended(host) == ("done", b"figures")


def test_what_cannot_be_opened_cannot_be_held(tmp_path: Path) -> None:
    refused = pytest.raises(HostError, match="cannot be opened exclusively")
    with refused, world.TrialHost().claim([str(tmp_path / "none")]):
        pass
