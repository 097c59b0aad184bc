# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""What a run with nothing to do costs: round trips and wall time of playbooks on a built server, beside as many pings.

Writes tests/output/bench_rounds.json. A round trip is one `EXEC` line of Ansible's own -vvv output. Both
are run RUNS times in turn; times are medians.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path
from statistics import median
from typing import Any

import pytest
import yaml

from tests.checkout import REPO
from tests.lab.conftest import Labs
from tests.lab.playbooks import Run, Site

pytestmark = pytest.mark.bench

RUNS = 5
# A playbook with nothing to do may cost this many times as many pings.
MOST = 3.0
OUTPUT = REPO / "tests" / "output" / "bench_rounds.json"
BOOKS = tuple(name for name in ("build", "check") if (REPO / "playbooks" / f"{name}.yml").exists())


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    labs = Labs(print)
    try:
        found = Site(labs.get("ebb01"), tmp_path_factory.mktemp("site"))
        for book in ("survey", "build"):
            found.playbook(book).check()
        yield found
    finally:
        labs.end()


def rounds(run: Run) -> int:
    """How often the controller had the host execute something."""
    return sum(line.startswith("<") and "EXEC" in line for line in run.output.splitlines())


def timed(site: Site, book: str) -> tuple[float, Run]:
    begun = time.monotonic()
    run = site.playbook(book, "-vvv").check()
    return time.monotonic() - begun, run


@pytest.mark.parametrize("book", BOOKS)
def test_nothing_to_do_beside_as_many_pings(site: Site, book: str, tmp_path: Path) -> None:
    first = site.playbook(book, "-vvv").check()
    assert first.changed == 0
    count = rounds(first)
    pings: list[dict[str, Any]] = [{"name": f"Ping {number}", "ansible.builtin.ping": {}} for number in range(count)]
    play = {"name": "As many pings", "hosts": "all", "gather_facts": False, "become": True, "tasks": pings}
    (tmp_path / "pings.yml").write_text(yaml.safe_dump([play]))
    ours: list[float] = []
    theirs: list[float] = []
    for dummy in range(RUNS):
        ours.append(timed(site, book)[0])
        seconds, run = timed(site, str(tmp_path / "pings.yml"))
        assert abs(rounds(run) - count) <= 1
        theirs.append(seconds)
    row = {"round_trips": count, "seconds": median(ours), "pings": median(theirs)}
    row["ratio"] = row["seconds"] / row["pings"]
    print(f"\n{book}: {json.dumps(row)}")
    kept = json.loads(OUTPUT.read_text()) if OUTPUT.exists() else {}
    OUTPUT.parent.mkdir(parents=True, exist_ok=True)
    OUTPUT.write_text(json.dumps({**kept, book: row}, indent=1))
    assert row["ratio"] <= MOST, row
