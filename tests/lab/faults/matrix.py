# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Every stage with every fault, on one virtual server that each case restores to the beginning of its stage.

python -m tests.lab.faults.matrix [--seed N] [--only EXPRESSION] [--results FILE] [--lab NAME] [--page FILE] runs the
cases without a result in FILE, writes each result as it comes, and writes the page at the end, which says how many
cases have a result.
"""

from __future__ import annotations

import argparse
import json
import random
import re
import sys
import time
import zlib
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from copy import copy
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from tests.checkout import REPO
from tests.lab.errors import LabError
from tests.lab.lab import Lab
from tests.lab.parts import load

from .faults import FAULTS, ConnectionCut, ControllerKilled, Fault, FullRoot, OutOfMemory, PowerCut
from .page import page
from .server import Server
from .stages import AWAY, BUILT, EMPTY, STAGES, Stage

CHASSIS = REPO / "tests" / "lab" / "chassis" / "faults.yml"
RESULTS = REPO / "tests" / "output" / "faults.json"
PAGE = REPO / "docs" / "reliability-evidence.md"
SEED = 20261125
# Seconds until a job that refused runs again: what it named (a creation, a resilver) may have ended by then.
PATIENCE = 60.0


@dataclass(frozen=True)
class Case:
    """One stage with one fault; *seed* decides the moment, the drive and the rest."""

    stage: Stage
    fault: type[Fault]
    seed: int

    def __str__(self) -> str:
        return f"{self.stage} / {self.fault.name}"


@dataclass(frozen=True)
class Result:
    """What came of a case: how the run with the fault ended, how the run after it did, and the verdict.

    *second* holds every run after the fault. *verdict* is C(converged), C(explained, then converged) (a run refused
    with a reason, the next one did it), C(explained) (it still refuses), or C(FAILED: why).
    """

    stage: str
    fault: str
    seed: int
    moment: float
    first: str
    second: str
    verdict: str
    seconds: float

    @property
    def failed(self) -> bool:
        """Whether a promise was broken."""
        return self.verdict.startswith("FAILED")


def cases(seed: int) -> list[Case]:
    """All cases in a fixed order; each has a seed of its own, made from *seed* and its names."""
    found = []
    for stage in STAGES:
        for fault in FAULTS:
            own = zlib.crc32(f"{seed} {stage} {fault.name}".encode())
            found.append(Case(stage, fault, own))
    return found


class Bench:
    """The lab with one checkpoint for each kind of beginning, and how long each stage takes undisturbed."""

    def __init__(self, lab: Lab, tell: Callable[[str], None]) -> None:
        self.lab = lab
        self.tell = tell
        self.typical: dict[str, float] = {}

    def prepare(self) -> None:
        """Boots once and keeps the three beginnings; what is kept already is used."""
        if all(self.lab.has_checkpoint(tag) for tag in (EMPTY, BUILT, AWAY)):
            return
        if not self.lab.running:
            self.lab.up()
        server = Server(self.lab)
        server.set_up()
        self.lab.checkpoint(EMPTY)
        server.build()
        self.lab.checkpoint(BUILT)
        self.lab.run("zpool export archive")
        self.lab.checkpoint(AWAY)

    def run(self, case: Case) -> Result:
        """Runs a case from its beginning to its verdict."""
        begun = time.monotonic()
        chance = random.Random(case.seed)
        length = self._length(case.stage)
        moment = round(chance.uniform(0.15, 0.95) * length, 2)
        first = second = ""
        try:
            while not first:
                self.lab.restore(case.stage.start)
                server = Server(self.lab)
                before = server.bystanders()
                fault = case.fault(server, copy(chance))
                fault.before()
                first = self._disturbed(case.stage, fault, server, moment)
                if not first:
                    self.tell(f"{case}: the run had ended after {moment} s; again, earlier")
                    moment = round(moment / 2, 2)
            fault.after()
            runs = [_told(lambda: case.stage.run(server))]
            if runs[-1].startswith("refused"):
                time.sleep(PATIENCE)
                runs.append(_told(lambda: case.stage.run(server)))
            second = " | ".join(runs)
            verdict = self._verdict(case, server, first, runs)
            if server.bystanders() != before:
                verdict = "FAILED: a drive that nobody named has changed"
        except (LabError, OSError, AssertionError) as error:
            verdict = f"FAILED: {error}"
        seconds = round(time.monotonic() - begun, 1)
        return Result(str(case.stage), case.fault.name, case.seed, moment, first, second, verdict, seconds)

    def _length(self, stage: Stage) -> float:
        """How long the stage takes here without any fault; this run must converge as well."""
        if stage.name not in self.typical:
            self.lab.restore(stage.start)
            server = Server(self.lab)
            begun = time.monotonic()
            server.require(stage.run(server))
            self.typical[stage.name] = time.monotonic() - begun
            stage.verify(server)
            self.tell(f"{stage}: {self.typical[stage.name]:.1f} s undisturbed")
        return self.typical[stage.name]

    def _disturbed(self, stage: Stage, fault: Fault, server: Server, moment: float) -> str:
        """How the run went, or both did. Nothing when it had ended before a fault that needs it running."""
        with ThreadPoolExecutor(2) as hands:
            runs = [hands.submit(_told, lambda: stage.run(server)) for dummy in range(2 if fault.twice else 1)]
            time.sleep(moment)
            if fault.momentary and all(run.done() for run in runs):
                return ""
            fault.during()
            ends = [run.result() for run in runs]
        if fault.twice and any(end.startswith("died") for end in ends):
            raise LabError(f"one of two controllers died: {ends}")
        return " | ".join(ends)

    def _verdict(self, case: Case, server: Server, first: str, runs: list[str]) -> str:
        """The verdict of a case. Raises LabError when the pool or its files are not as they must be."""
        for run in runs:
            if run.startswith("died"):
                return f"FAILED: the run after the fault {run}"
        if first.startswith("died") and not issubclass(case.fault, MAY_KILL):
            return f"FAILED: the run with the fault {first}"
        if runs[-1].startswith("refused"):
            if case.stage.files:
                server.serving(sure=True)  # its files are looked at in any case
                server.check_pool(files=True)
            return "explained"
        case.stage.verify(server)
        return "converged" if len(runs) == 1 else "explained, then converged"


def _told(run: Callable[[], dict[str, Any]]) -> str:
    """How a run ended: C(done), C(refused: why) by the module itself, or C(died: how)."""
    try:
        result = run()
    except (AssertionError, LabError, OSError) as error:
        # Ansible's output shows paths of this machine; it stays out of the page.
        words = re.sub(r"((?:told|returned) nothing):.*", r"\1", str(error), flags=re.DOTALL)
        return f"died: {' '.join(words.split())[:400]}"
    if not result.get("failed"):
        return "done" + (", changed" if result.get("changed") else "")
    return f"refused: {' '.join(str(result.get('msg', '')).split())[:400]}"


# Faults that can end a module from outside, or keep Ansible from starting it.
MAY_KILL = (PowerCut, ConnectionCut, ControllerKilled, FullRoot, OutOfMemory)


def main() -> int:
    """Run what is missing; 1 when any case broke a promise."""
    parser = argparse.ArgumentParser(description="Put every fault into every stage.")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--only", default="", help="only cases whose name this expression finds")
    parser.add_argument("--results", type=Path, default=RESULTS)
    parser.add_argument("--lab", default="faults", help="the lab's name; with another, two can run side by side")
    parser.add_argument("--page", type=Path, help=f"write this page at the end, e.g. {PAGE.name}")
    parser.add_argument("--minutes", type=float, default=1e9, help="begin no further case after this time")
    options = parser.parse_args()
    done: dict[str, Result] = {}
    if options.results.exists():
        done = {f"{one['stage']} / {one['fault']}": Result(**one) for one in json.loads(options.results.read_text())}
    wanted = [case for case in cases(options.seed) if re.search(options.only, str(case))]
    print(f"seed {options.seed}: {len(wanted)} cases, {sum(str(case) in done for case in wanted)} have a result")
    end = time.monotonic() + options.minutes * 60
    lab = Lab(load(CHASSIS), name=options.lab, tell=print)
    bench = Bench(lab, print)
    try:
        for case in wanted:
            if str(case) in done or time.monotonic() >= end:
                continue
            bench.prepare()
            result = done[str(case)] = bench.run(case)
            print(f"{case} (seed {case.seed}, {result.seconds:.0f} s): {result.verdict}", flush=True)
            options.results.parent.mkdir(parents=True, exist_ok=True)
            options.results.write_text(json.dumps([asdict(one) for one in done.values()], indent=1))
    finally:
        if all(str(case) in done for case in wanted):
            lab.down()
        elif lab.running:
            lab.power_cut()  # what is missing goes on from the same checkpoints
    if options.page:
        known = [done[str(case)] for case in cases(options.seed) if str(case) in done]
        options.page.write_text(page(known, options.seed, len(cases(options.seed))))
    return int(any(done[str(case)].failed for case in wanted if str(case) in done))


if __name__ == "__main__":
    sys.exit(main())
