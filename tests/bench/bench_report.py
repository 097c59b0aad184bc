# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""What a report of a large fleet costs: `python -m tests.bench.bench_report`, from the repository root.

1,000 simulated hosts of 24 drives, each with a pool, a layout and a trial. Timed is a process of its own, from the
records on the disk to the pages on the disk, without bay labels; memory is its largest resident set. The limits are
those of issue 07.
"""

from __future__ import annotations

import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import tests.checkout  # noqa: F401  pylint: disable=unused-import

HOSTS, BAYS = 1000, 24
RUNS = 3
SECONDS_LIMIT = 10.0
MEMORY_LIMIT = 500.0


@dataclass(frozen=True)
class Cost:
    """Of one report: wall and processor seconds, and MB."""

    hosts: int
    wall: float
    cpu: float
    megabytes: float
    pages: int


def write_records(folder: Path, hosts: int, bays: int = BAYS) -> None:
    """The records of so many hosts as files."""
    import random

    from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core import record
    from tests.unit.report import records

    chance = random.Random(7)
    folder.mkdir()
    for number in range(hosts):
        one = records.one_of_many(number, bays, chance)
        (folder / f"{one.host}.json").write_text(record.to_text(one))


def report(home: Path) -> Cost:
    """Make the report; run in a process of its own."""
    began, used = time.monotonic(), time.process_time()
    from ansible_collections.evenkeel.split_actuator.plugins.plugin_utils._report.report import Report, Request

    done = Report(Request(str(home / "records"), str(home / "pages"), labels=False)).write(check_mode=False)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    assert done.unreadable == ()
    return Cost(
        len(done.hosts), time.monotonic() - began, time.process_time() - used, peak, len(done.made) + len(done.replaced)
    )


def measure(hosts: int = HOSTS, runs: int = RUNS) -> list[Cost]:
    """The cost of several runs, each into an empty folder."""
    with tempfile.TemporaryDirectory() as name:
        write_records(Path(name) / "records", hosts)
        costs = []
        for number in range(runs):
            home = Path(name) / str(number)
            home.mkdir()
            (home / "records").symlink_to(Path(name) / "records")
            argv = [sys.executable, "-m", "tests.bench.bench_report", str(home)]
            costs.append(Cost(**json.loads(subprocess.run(argv, check=True, capture_output=True, text=True).stdout)))
        return costs


def told(costs: list[Cost]) -> str:
    """The medians in words."""
    wall, cpu, memory = (
        statistics.median(getattr(one, what) for one in costs) for what in ("wall", "cpu", "megabytes")
    )
    return (
        f"{costs[0].hosts} hosts of {BAYS} drives: {wall:.1f} s ({cpu:.1f} s of processor), {memory:.0f} MB, "
        f"median of {len(costs)}"
    )


def main() -> int:
    """One run for a folder that is named, else all of them."""
    if len(sys.argv) > 1:
        print(json.dumps(report(Path(sys.argv[1])).__dict__))
    else:
        print(told(measure()))
    return 0


if __name__ == "__main__":
    sys.exit(main())
