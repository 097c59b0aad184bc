# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""A seeded choice of the fault matrix, and of the drives that are replaced, for every run of the tests.

C(make faults) and C(make swap-long) run all of them.
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
from tests.lab.modules import call
from tests.lab.truth import members

pytestmark = pytest.mark.lab

CHOSEN = int(os.environ.get("EVENKEEL_FAULTS_SEED", SEED))
COUNT = 5
QUICK = 2  # of them, in every run; the others with `make lab-long`


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
    marks = [() if number < QUICK else pytest.mark.lab_long for number in range(COUNT)]
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
    leaving, entering = bench.lab.drive(bay).serial, bench.lab.drive(FRESH[0]).serial
    print(f"seed {CHOSEN}: {leaving} of bay{bay:02d}")
    given: dict[str, Any] = {"pool": "archive", "leave": leaving, "enter": entering, "declared": server.declared}
    server.require(call(bench.lab, "drive_swap", step="put_in", **given))
    done = call(bench.lab, "drive_swap", step="follow", seconds=300, **given)
    assert done["swap"]["stage"] == "done", done
    serials = [bench.lab.drive(one).serial for one in MEMBERS]
    expected = [entering if serial == leaving else serial for serial in serials]
    for index, vdev in enumerate(members(bench.lab, "archive").values()):
        assert [(one.serial, one.unit) for one in vdev] == [(serial, index) for serial in expected]
    server.check_pool(files=True)
    assert server.bystanders() == before
