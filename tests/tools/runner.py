# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs the checks of a layer, two at a time, and tells what happened and how long it took."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO, cast

from tests.tools import junit
from tests.tools.junit import Count
from tests.tools.tree import OUTPUT, REPO

TAIL_LINES = 60


@dataclass(frozen=True)
class Check:
    """One command. It passes when it exits with 0.

    *where* is the folder it runs in. *shown* lets its output through as it comes; otherwise it
    goes to a log and is shown only on failure. *beside* lets it run beside the others of its layer although it
    is shown; each of its lines then begins with its name. *report* is the JUnit file the command writes
    itself. *tool* is a program from a Debian package without which the check is skipped (in
    continuous integration it fails instead). *skip* is a reason not to run it at all.
    """

    name: str
    argv: tuple[str, ...]
    where: Path = REPO
    shown: bool = False
    beside: bool = False
    report: Path | None = None
    tool: str = ""
    skip: str = ""


@dataclass(frozen=True)
class Outcome:
    """What became of a check or, as *layer*, of all checks of a layer."""

    layer: str
    check: str
    seconds: float
    count: Count

    @property
    def bad(self) -> bool:
        return self.count.failed > 0


def say(text: str) -> None:
    print(text, flush=True)


def run_layer(layer: str, checks: list[Check], jobs: int = 2) -> list[Outcome]:
    """Run all *checks*, also after a failure, and return an outcome for each, in order."""
    say(f"\n== {layer}: {', '.join(check.name for check in checks)}")
    alone = any(check.shown and not check.beside for check in checks)
    with ThreadPoolExecutor(max_workers=1 if alone else jobs) as pool:
        return list(pool.map(lambda check: run_check(layer, check), checks))


def run_beside(layers: dict[str, list[Check]], jobs: int = 2) -> list[Outcome]:
    """Run the checks of several layers beside each other, *jobs* at a time, in the given order.

    Their output is shown as it comes, each line with its check's name.
    """
    pairs = [(layer, replace(check, beside=check.shown)) for layer, checks in layers.items() for check in checks]
    say(f"\n== {', '.join(f'{layer}/{check.name}' for layer, check in pairs)}")
    with ThreadPoolExecutor(max_workers=jobs) as pool:
        return list(pool.map(lambda pair: run_check(*pair), pairs))


def run_check(layer: str, check: Check) -> Outcome:
    """Run one check, leave a log and a JUnit file, and tell the outcome in a line."""
    began = time.monotonic()
    reason = check.skip or missing_tool(check)
    if reason:
        return note(layer, check, 0.0, skipped=reason)
    log = OUTPUT / "logs" / f"{layer}-{check.name}.log"
    log.parent.mkdir(parents=True, exist_ok=True)
    if check.report:
        check.report.parent.mkdir(parents=True, exist_ok=True)
        check.report.unlink(missing_ok=True)
    code = execute(check, log)
    seconds = time.monotonic() - began
    return note(layer, check, seconds, failure=failure_text(check, code, log) if code else "")


def missing_tool(check: Check) -> str:
    """Why the check cannot run here, or nothing. Continuous integration must have every tool."""
    if not check.tool or os.environ.get("CI") or shutil.which(check.tool):
        return ""
    return f"{check.tool} is not installed (apt-get install {check.tool})"


def execute(check: Check, log: Path) -> int:
    """Run the command and return its exit status; output goes to *log* and, when shown, to ours."""
    env = dict(os.environ, PYTHONUNBUFFERED="1")
    if not check.shown:
        env.update(NO_COLOR="1", ANSIBLE_NOCOLOR="1", TERM="dumb")
    if check.where.parts[-3:-2] == ("ansible_collections",):
        env["ANSIBLE_COLLECTIONS_PATH"] = str(check.where.parents[2])
    try:
        process = subprocess.Popen(
            check.argv,
            cwd=check.where,
            env=env,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
    except OSError as error:
        log.write_text(f"{check.argv[0]} could not be started: {error}\n")
        return 127
    with process, log.open("wb") as sink:
        output = cast(BinaryIO, process.stdout)
        rest = b""
        while chunk := os.read(output.fileno(), 65536):
            sink.write(chunk)
            if check.beside:
                *lines, rest = (rest + chunk).split(b"\n")
                _show(b"".join(b"%s | %s\n" % (check.name.encode(), line) for line in lines))
            elif check.shown:
                _show(chunk)
        if rest:
            _show(b"%s | %s\n" % (check.name.encode(), rest))
    return process.returncode


def _show(output: bytes) -> None:
    sys.stdout.buffer.write(output)
    sys.stdout.buffer.flush()


def failure_text(check: Check, code: int, log: Path) -> str:
    lines = log.read_text(errors="replace").splitlines()
    head = f"$ {' '.join(check.argv)}\nexit status {code}; full output in {log.relative_to(REPO)}"
    return "\n".join([head, *lines[-TAIL_LINES:]])


def note(layer: str, check: Check, seconds: float, *, failure: str = "", skipped: str = "") -> Outcome:
    """Write the JUnit file where the command wrote none, and tell the outcome."""
    count = junit.count(check.report) if check.report else Count()
    if count == Count():
        path = check.report or OUTPUT / "junit" / f"{layer}-{check.name}.xml"
        junit.write(path, layer, check.name, seconds, failure=failure, skipped=skipped)
        count = junit.count(path)
    elif failure and not count.failed:
        count += Count(failed=1)  # it failed beside its tests, such as in a session's teardown
    word = "FAIL" if count.failed else ("skip" if count.skipped and not count.passed else "ok")
    say(f"   {word:<5}{seconds:7.1f} s  {check.name}" + (f": {skipped}" if skipped else ""))
    if failure and not check.shown:
        say("      " + failure.replace("\n", "\n      "))
    return Outcome(layer, check.name, seconds, count)


def summary(outcomes: list[Outcome], seconds: dict[str, float]) -> str:
    """A table of the layers, the failed checks, and the closing line with the totals."""
    lines = ["", f"{'layer':<10}{'passed':>8}{'failed':>8}{'skipped':>9}{'seconds':>10}"]
    total = Count()
    for layer, took in seconds.items():
        count = sum((o.count for o in outcomes if o.layer == layer), Count())
        total += count
        lines.append(f"{layer:<10}{count.passed:>8}{count.failed:>8}{count.skipped:>9}{took:>10.1f}")
    lines += [f"failed: {o.layer}/{o.check} (tests/output/logs/{o.layer}-{o.check}.log)" for o in outcomes if o.bad]
    lines.append(f"JUnit files: {(OUTPUT / 'junit').relative_to(REPO)}/")
    lines.append(str(total))
    return "\n".join(lines)
