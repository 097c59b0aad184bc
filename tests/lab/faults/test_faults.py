# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""A seeded choice of the fault matrix for every run of the tests; C(make faults) runs all of it."""

from __future__ import annotations

import os
import random
from typing import Any

import pytest

from tests.lab.faults.faults import FAULTS
from tests.lab.faults.matrix import SEED, Bench, Case, cases
from tests.lab.faults.stages import STAGES

pytestmark = pytest.mark.lab_long

CHOSEN = int(os.environ.get("EVENKEEL_FAULTS_SEED", SEED))
COUNT = 5


def choice() -> list[Case]:
    """Some cases, each with another fault; a run that names another seed gets others."""
    chance = random.Random(CHOSEN)
    faults = chance.sample(FAULTS, COUNT)
    return [case for fault in faults for case in [chance.choice([one for one in cases(CHOSEN) if one.fault is fault])]]


@pytest.fixture(scope="module")
def bench(labs: Any) -> Bench:
    made = Bench(labs.get("faults"), lambda text: print(f"[faults, seed {CHOSEN}] {text}"))
    made.prepare()
    return made


def test_the_matrix_holds_every_stage_with_every_fault() -> None:
    found = {(case.stage.name, case.fault.name) for case in cases(SEED)}
    assert len(found) == len(cases(SEED)) == len(STAGES) * len(FAULTS) >= 60


@pytest.mark.parametrize("case", choice(), ids=str)
def test_a_fault_is_survived(bench: Bench, case: Case) -> None:
    result = bench.run(case)
    assert not result.failed, result
