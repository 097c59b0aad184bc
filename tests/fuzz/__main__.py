# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Attacks every parser with inputs that the fuzzer derives from those that reached new code.

python -m tests.fuzz [--runs N] [--page FILE] [TARGET...]: N inputs for each (default 40000).
Each target runs in a process of its own. The results are in tests/output/fuzz.json, and inputs that broke a
target in tests/output/fuzz/. Exit code 1 when any did.
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from tests.checkout import REPO

OUTPUT = REPO / "tests" / "output"
SEED = 20261125
CHILD = "--child"
PAGE = """<!--
Copyright (c) 2026, The evenkeel maintainers
SPDX-License-{identifier} GPL-3.0-or-later
-->

# Evidence: hostile input

Every parser gets inputs that are built to break it. `make fuzz` wrote this page on {date} with seed {seed}: {count}
parsers got {total:,} inputs, {verdict}.

The parsers read what comes from a device, another program, a file or a person. A coverage-guided fuzzer (libFuzzer,
run by Atheris) starts from examples of valid input, changes them, and keeps the inputs that reach new code. A parser
may return a result or raise the library's own error. Any other exception, a hang of 20 seconds, or more than 2 GB of
memory counts as broken. *Edges* are the branches of the library that the fuzzer reached, by its own count.

Three more tests attack by example:

* `tests/unit/host/test_files.py`: links and exchanged folders under files that root writes
* `tests/unit/test_rights.py`: owner and mode of every file that a role writes
* `tests/unit/test_secrets.py`: no secret among the options that Ansible logs

| parser | inputs | edges | seconds | broken |
| --- | --- | --- | --- | --- |
"""
_DONE = re.compile(r"^Done (\d+) runs? in", re.MULTILINE)
_COVERED = re.compile(r"cov: (\d+)")


def main() -> int:
    """Run the chosen targets, one after the other; 1 when one broke or ran short."""
    from tests.fuzz.targets import TARGETS

    parser = argparse.ArgumentParser(description="Attack the parsers.")
    parser.add_argument("--runs", type=int, default=40_000)
    parser.add_argument("--page", type=Path)
    parser.add_argument("targets", nargs="*")
    options = parser.parse_args()
    results = [run(name, options.runs) for name in TARGETS if not options.targets or name in options.targets]
    total = sum(one["runs"] for one in results)
    OUTPUT.mkdir(parents=True, exist_ok=True)
    (OUTPUT / "fuzz.json").write_text(json.dumps({"seed": SEED, "inputs": total, "targets": results}, indent=1))
    if options.page:
        options.page.write_text(page(results))
    broken = [one["target"] for one in results if one["broken"] or one["runs"] < options.runs]
    print(f"{total} inputs for {len(results)} parsers; broken or cut short: {', '.join(broken) or 'none'}")
    return int(bool(broken))


def page(results: list[dict[str, Any]]) -> str:
    """The results as the page docs/hostile-input.md. *results* come from `run`."""
    broken = [one["target"] for one in results if one["broken"]]
    rows = "".join(
        "| {target} | {runs} | {covered} | {seconds} | {0} |\n".format("yes" if one["broken"] else "no", **one)
        for one in results
    )
    head = PAGE.format(
        identifier="Identifier:",
        date=time.strftime("%Y-%m-%d", time.gmtime()),
        seed=SEED,
        total=sum(one["runs"] for one in results),
        count=len(results),
        verdict="broken: " + ", ".join(broken) if broken else "none broken",
    )
    return head + rows


def run(name: str, runs: int) -> dict[str, Any]:
    """One target in a process of its own."""
    folder = OUTPUT / "fuzz" / re.sub(r"\W+", "-", name)
    folder.mkdir(parents=True, exist_ok=True)
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as corpus:
        argv = [
            sys.executable, "-m", "tests.fuzz", CHILD, name, corpus, f"-runs={runs}", f"-seed={SEED}",
            f"-artifact_prefix={folder}/", "-max_len=16384", "-timeout=20",
            "-rss_limit_mb=2048", "-print_final_stats=1",
        ]  # fmt: skip
        done = subprocess.run(argv, cwd=REPO, text=True, capture_output=True, errors="replace", check=False)
    finished = _DONE.search(done.stderr)
    covered = _COVERED.findall(done.stderr)
    result = {
        "target": name,
        "runs": int(finished.group(1)) if finished else 0,
        "covered": int(covered[-1]) if covered else 0,
        "seconds": round(time.monotonic() - begun, 1),
        "broken": done.returncode != 0,
    }
    if done.returncode != 0:
        (folder / "log.txt").write_text(done.stdout + done.stderr)
        print((done.stdout + done.stderr)[-3000:])
    print(f"{name}: {result['runs']} inputs, {result['covered']} edges, {result['seconds']} s", flush=True)
    return result


def child(name: str, corpus: str, fuzzer_options: list[str]) -> None:
    """The process under attack: instruments the library, then never returns."""
    import atheris  # type: ignore[import-not-found,import-untyped,unused-ignore]

    with atheris.instrument_imports(include=["ansible_collections.evenkeel"]):
        from tests.fuzz.targets import TARGETS, attack
    target = TARGETS[name]
    for number, seed in enumerate(target.seeds):
        Path(corpus, str(number)).write_bytes(seed)
    atheris.Setup([sys.argv[0], *fuzzer_options, corpus], lambda data: attack(target, data))
    atheris.Fuzz()


if __name__ == "__main__":
    if sys.argv[1:2] == [CHILD]:
        child(sys.argv[2], sys.argv[3], sys.argv[4:])
    else:
        sys.exit(main())
