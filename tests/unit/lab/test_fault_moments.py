# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The fault matrix does not count a fault that came after the run had ended: the case begins anew, earlier."""

from __future__ import annotations

import random
import time
from types import SimpleNamespace
from typing import Any

import pytest

from tests.lab.faults import matrix
from tests.lab.faults.faults import DriveReturned, Fault, FullRoot, OutOfMemory, PowerCut
from tests.lab.faults.matrix import Bench, Case
from tests.lab.faults.stages import BUILT, Stage


def test_which_faults_need_a_run_that_has_not_ended() -> None:
    server: Any = None
    found = {kind: kind(server, random.Random(1)).momentary for kind in (PowerCut, DriveReturned, FullRoot)}
    assert found == {PowerCut: True, DriveReturned: True, FullRoot: False}
    memory = [OutOfMemory(server, random.Random(seed)) for seed in range(20)]
    assert {one.momentary for one in memory} == {True, False}
    assert all(one.momentary is (one.room == 0) for one in memory)


def test_a_fault_that_came_too_late_is_tried_again_earlier(monkeypatch: pytest.MonkeyPatch) -> None:
    happened: list[str] = []

    class Late(Fault):
        name = "late"

        def during(self) -> None:
            happened.append(self.name)

    def run(_server: Any) -> dict[str, Any]:
        time.sleep(0.3)
        return {"changed": False}

    lab: Any = SimpleNamespace(restore=happened.append)
    monkeypatch.setattr(matrix, "Server", lambda _lab: SimpleNamespace(bystanders=lambda: ["same"]))
    told: list[str] = []
    bench = Bench(lab, told.append)
    bench.typical["nothing"] = 4.0  # so that the moment is 0.6 s or later
    result = bench.run(Case(Stage("nothing", BUILT, run, lambda _server: None), Late, 7))
    assert result.verdict == "converged", result
    assert happened == [BUILT] * (len(told) + 1) + ["late"], "it happens once, in the last of the runs"
    assert told
    assert all("again, earlier" in line for line in told)
    assert result.moment < 0.3
