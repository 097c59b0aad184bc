# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The layers of `make test` and the checks in each.

python -m tests.tools.layers LAYER... runs the named layers in the order given, ends with a
table and a line 'N passed, N failed', and exits with 1 when anything failed.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path

from tests.tools import cores, tree
from tests.tools.runner import Check, Outcome, run_beside, run_layer, say, summary

REPO = tree.REPO
CONFIG = REPO / "tests" / "config"
JUNIT = tree.OUTPUT / "junit"
PLUGINS = "ansible_collections.evenkeel.split_actuator.plugins"
NOT_QUICK = "not lab_long and not long and not bench"
# About half of the lab's time: they go first, so that two machines are busy to the end.
LONGEST = ("tests/lab/faults", "tests/lab/test_health.py", "tests/lab/test_lab.py", "tests/lab/test_member_states.py")


def words(text: str, *more: object) -> tuple[str, ...]:
    """A command line from words, and what may hold blanks."""
    return (*text.split(), *map(str, more))


def tool(name: str) -> tuple[str, ...]:
    """The command line of one of our own checks."""
    return (sys.executable, "-m", f"tests.tools.{name}")


def lint(copy: Path) -> list[Check]:
    """Everything that reads the files and runs none of them."""
    ruff = ("--no-cache", "--config", CONFIG / "ruff.toml")
    docs = "lint-collection-docs --plugin-docs --validate-collection-refs self --disallow-unknown-collection-refs"
    lint_options = "--offline --strict --profile production --project-dir . -c"
    return [
        Check("ansible-lint", words(f"ansible-lint {lint_options}", CONFIG / "ansible-lint.yml"), copy),
        Check("ruff", words("ruff check .", *ruff), copy),
        Check("format", words("ruff format --check --diff .", *ruff), copy),
        Check("yamllint", words("yamllint --strict . -c", CONFIG / "yamllint.yml"), copy),
        Check("docs", words(f"antsibull-docs {docs} ."), copy),
        Check("changelog", words("antsibull-changelog lint"), copy),
        Check("reuse", tool("check_licences"), copy),
        Check("files", tool("check_files"), copy),
        Check("groups", tool("check_groups"), copy),
        Check("variables", tool("check_variables"), copy),
        Check("phrases", tool("check_phrases"), copy),
        Check("shell", tool("check_shell"), copy, tool="shellcheck"),
    ]


def types(_copy: Path) -> list[Check]:
    """Static types: strict for what is delivered and for the tools, plain for the tests."""

    def mypy(name: str, options: str) -> Check:
        ours = ("--cache-dir", REPO / ".work" / "mypy" / name, "--config-file", CONFIG / "mypy.ini")
        return Check(name, words(f"mypy {options}", *ours))

    return [
        mypy("plugins", f"--strict -p {PLUGINS}"),
        mypy("tools", "--strict -p tests.tools"),
        mypy("tests", "-p tests"),
    ]


def unit(_copy: Path) -> list[Check]:
    """Tests that need no host: the library against its sources and recorded outputs."""
    options = "tests/unit -n 2 --dist worksteal --hypothesis-profile ci --durations 10 --durations-min 1.0 -m"
    return [pytest("unit", *words(options, f"not lab and {NOT_QUICK}"))]


def sanity(copy: Path) -> list[Check]:
    """ansible-test sanity under this environment's ansible-core."""
    return [ansible_test(copy, "sanity")]


def sanity_all(copy: Path) -> list[Check]:
    """ansible-test sanity under every supported ansible-core that this machine can run."""
    return sanity_under(copy, cores.supported())


def sanity_ends(copy: Path) -> list[Check]:
    """ansible-test sanity under the oldest and the newest supported ansible-core."""
    known = cores.supported()
    return sanity_under(copy, [known[0], known[-1]])


def sanity_under(copy: Path, wanted: list[cores.Core]) -> list[Check]:
    checks = []
    for core in wanted:
        lacking = "" if core.python() else f"none of Python {', '.join(core.pythons)} is on this machine"
        checks.append(ansible_test(copy, f"core-{core.version}", "--core", core.version, skip=lacking))
    return checks


def ansible_test(copy: Path, name: str, *arguments: str, skip: str = "") -> Check:
    report = JUNIT / f"{name}.xml"
    argv = (*tool("sanity"), *arguments, "--report", str(report))
    return Check(name, argv, copy, shown=True, report=report, skip=skip)


def package(copy: Path) -> list[Check]:
    """The artefact: built, imported as a registry would, installed elsewhere and run from there."""
    return [Check("artefact", tool("package"), copy, shown=True)]


def lab(_copy: Path) -> list[Check]:
    """Tests in the virtual machine, with real block devices and real pools; two machines at a time."""
    absent = none_of("tests/lab/**/test_*.py", "lab test")
    scenarios = f"MOLECULE_GLOB={REPO}/tests/molecule/*/molecule.yml"
    rest = [f"--ignore={path}" for path in LONGEST]
    options = words("-v --durations 10 -m", NOT_QUICK)
    return [
        pytest("lab-longest", *LONGEST, *options, check="longest", beside=True),
        Check("molecule", ("env", scenarios, *words("molecule test --all")), shown=True, beside=True),
        pytest("lab", "tests/lab", *rest, *options, skip=absent, beside=True),
    ]


def pytest(name: str, *arguments: str, check: str = "pytest", skip: str = "", beside: bool = False) -> Check:
    report = JUNIT / f"{name}.xml"
    return Check(
        check,
        (sys.executable, "-m", "pytest", *arguments, f"--junit-xml={report}"),
        shown=True,
        beside=beside,
        report=report,
        skip=skip,
    )


def browser(_copy: Path) -> list[Check]:
    """The report in a real browser."""
    report = JUNIT / "browser.xml"
    argv = (sys.executable, "-m", "pytest", "tests/browser", "-v", f"--junit-xml={report}")
    return [Check("pytest", argv, shown=True, report=report, tool="chromium")]


def none_of(pattern: str, noun: str) -> str:
    """A reason to skip when no file matches *pattern*; a check over nothing proves nothing."""
    found = any(path.name != "__init__.py" for path in REPO.glob(pattern))
    return "" if found else f"there is no {noun} yet ({pattern})"


LAYERS: dict[str, Callable[[Path], list[Check]]] = {
    "lint": lint,
    "types": types,
    "unit": unit,
    "sanity": sanity,
    "sanity-all": sanity_all,
    "sanity-ends": sanity_ends,
    "package": package,
    "browser": browser,
    "lab": lab,
}


def named(text: str) -> list[str]:
    """The layers in one word of the command line. Raises ValueError for another word."""
    names = text.split("+")
    if not set(names) <= set(LAYERS):
        raise ValueError
    return names


def main() -> int:
    """Run the layers named on the command line."""
    parser = argparse.ArgumentParser(description="Run layers of the tests.")
    parser.add_argument(
        "layers", nargs="+", type=named, metavar="LAYER", help=f"{', '.join(LAYERS)}; one+other beside each other"
    )
    wanted = parser.parse_args().layers
    outcomes: list[Outcome] = []
    seconds: dict[str, float] = {}
    with tree.checkout() as copy:
        for names in wanted:
            began = time.monotonic()
            if len(names) > 1:
                found = run_beside({name: LAYERS[name](copy) for name in names})
                seconds.update({name: sum(one.seconds for one in found if one.layer == name) for name in names})
            else:
                found = run_layer(names[0], LAYERS[names[0]](copy))
                seconds[names[0]] = time.monotonic() - began
            outcomes += found
    say(summary(outcomes, seconds))
    return int(any(outcome.bad for outcome in outcomes))


if __name__ == "__main__":
    sys.exit(main())
