# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""A seeded choice of the fault matrix, and of the drives that are replaced, for every run of the tests.

C(make faults) and C(make replace-long) run all of them.
"""

from __future__ import annotations

import os
import random
from typing import Any

import pytest

from tests.lab.faults.faults import FAULTS
from tests.lab.faults.matrix import SEED, Bench, Case, cases
from tests.lab.faults.server import FRESH, MEMBERS, Server
from tests.lab.faults.stages import BUILT, STAGES

pytestmark = pytest.mark.lab

CHOSEN = int(os.environ.get("EVENKEEL_FAULTS_SEED", SEED))
COUNT = 5
QUICK = {0}  # of them, in every run; the others, which take many minutes each, with `make lab-long`


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


def marked() -> list[Any]:
    marks = [() if number in QUICK else pytest.mark.lab_long for number in range(COUNT)]
    return [pytest.param(case, marks=mark, id=str(case)) for case, mark in zip(choice(), marks, strict=True)]


@pytest.mark.parametrize("case", marked())
def test_a_fault_is_survived(bench: Bench, case: Case) -> None:
    result = bench.run(case)
    assert not result.failed, result


def test_a_drive_is_replaced_while_it_serves(bench: Bench) -> None:
    bay = random.Random(CHOSEN).choice(list(MEMBERS))
    bench.lab.restore(BUILT)
    server = Server(bench.lab)
    before = server.bystanders()
    print(f"seed {CHOSEN}: {bench.lab.drive(bay).serial} of bay{bay:02d}")
    server.require(server.replace("put_in", bay))
    done = server.replace("follow", bay, wait_seconds=300)
    assert done["replacement"]["stage"] == "done", done
    assert server.places() == server.expected([FRESH[0] if one == bay else one for one in MEMBERS])
    server.check_pool(files=True)
    assert server.bystanders() == before
