# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The net itself: what the runner of the checks counts and how it ends."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.tools import check_files, junit, layers, runner
from tests.tools.junit import Count
from tests.tools.runner import Check, Outcome


@pytest.fixture(autouse=True)
def output(tmp_path, monkeypatch):
    monkeypatch.setattr(runner, "OUTPUT", tmp_path)
    monkeypatch.setattr(runner, "REPO", tmp_path)
    monkeypatch.delenv("CI", raising=False)
    return tmp_path


def python(code: str, **more) -> Check:
    return Check("probe", (sys.executable, "-c", code), **{"where": Path.cwd(), **more})


def test_counts_as_pytest_counts(tmp_path):
    """pytest's own JUnit file for one test of each kind, against the numbers in its closing line."""
    tests = tmp_path / "test_kinds.py"
    tests.write_text(
        "import pytest\n"
        "def test_passes(): pass\n"
        "def test_fails(): assert 0\n"
        "def test_skips(): pytest.skip('no')\n"
        "@pytest.fixture\n"
        "def bad(): raise ValueError\n"
        "def test_errs(bad): pass\n"
    )
    report = tmp_path / "kinds.xml"
    code = (
        f"import pytest; raise SystemExit(pytest.main(['-q', '-c/dev/null', {str(tests)!r}, '--junit-xml={report}']))"
    )
    check = python(code, report=report, where=tmp_path)
    outcome = runner.run_check("layer", check)
    said = (tmp_path / "logs" / "layer-probe.log").read_text()
    assert "1 failed, 1 passed, 1 skipped, 1 error" in said
    assert outcome.count == Count(passed=1, failed=2, skipped=1)


@pytest.mark.parametrize(
    ("check", "count"),
    [
        (python("pass"), Count(passed=1)),
        (python("raise SystemExit(3)"), Count(failed=1)),
        (Check("probe", ("/nowhere/at/all",), Path.cwd()), Count(failed=1)),
        (python("raise SystemExit(3)", skip="not here"), Count(skipped=1)),
        (python("pass", tool="no-such-tool-anywhere"), Count(skipped=1)),
    ],
)
def test_outcome_and_junit_file_agree(check, count, tmp_path, capsys):
    outcome = runner.run_check("layer", check)
    assert outcome.count == count
    assert junit.count(tmp_path / "junit" / "layer-probe.xml") == count
    assert outcome.bad == bool(count.failed)
    assert "probe" in capsys.readouterr().out


def test_a_missing_tool_fails_in_continuous_integration(monkeypatch):
    monkeypatch.setenv("CI", "true")
    check = Check("check", ("no-such-tool-anywhere",), Path.cwd(), tool="no-such-tool-anywhere")
    assert runner.run_check("layer", check).count == Count(failed=1)


def test_a_failure_outside_the_tests_counts(tmp_path):
    """All tests pass, and still the command fails: such as in a session's teardown."""
    report = tmp_path / "report.xml"
    code = f"from pathlib import Path; from tests.tools import junit; junit.write(Path({str(report)!r}), 's', 'n', 0)"
    outcome = runner.run_check("layer", python(f"{code}\nraise SystemExit(1)", report=report))
    assert outcome.count == Count(passed=1, failed=1)


def test_a_report_of_an_earlier_run_is_not_counted(tmp_path):
    report = tmp_path / "report.xml"
    junit.write(report, "suite", "name", 0.0)
    assert runner.run_check("layer", python("raise SystemExit(1)", report=report)).count == Count(failed=1)


def test_control_characters_do_not_break_the_file(tmp_path):
    path = tmp_path / "odd.xml"
    junit.write(path, "suite", "name", 0.0, failure="\x1b[31mred\x00 \ud800 \U0001f600 <&>")
    assert junit.count(path) == Count(failed=1)


def test_the_closing_line_stands_alone():
    outcomes = [Outcome("lint", "a", 1.0, Count(passed=1)), Outcome("unit", "b", 1.0, Count(2, 1, 1))]
    text = runner.summary(outcomes, {"lint": 1.0, "unit": 2.0})
    assert text.splitlines()[-1] == "3 passed, 1 failed, 1 skipped"
    assert "failed: unit/b" in text


@pytest.mark.parametrize(
    ("data", "fault"),
    [
        (b"plain\n", None),
        (b"no end", "line feed"),
        (b"\xff\n", "UTF-8"),
        ("right\u202eleft\n".encode(), "U+202E"),
        ("wide\u00a0space\n".encode(), "U+00A0"),
        (b"dos\r\n", "U+000D"),
        (b"\ttab\n", "U+0009"),
        (b"blank \n", "blanks"),
    ],
)
def test_odd_characters(data, fault):
    found = list(check_files.text_faults("docs/name.md", data))
    assert bool(found) == bool(fault)
    assert not fault or fault in found[0]


def test_shown_checks_run_one_after_the_other_unless_they_may_run_beside(tmp_path, capfdbinary):
    """Each of two waits for the other's file: together both pass, in turn neither can."""

    def waiting(mine, other, **more):
        code = (
            "import pathlib, sys, time\n"
            f"print('{mine} began', flush=True); pathlib.Path('{mine}').touch()\n"
            f"end = time.monotonic() + 5\n"
            f"while not pathlib.Path('{other}').exists() and time.monotonic() < end: time.sleep(0.02)\n"
            f"sys.stdout.write('{mine} ends'); sys.exit(not pathlib.Path('{other}').exists())"
        )
        return Check(mine, (sys.executable, "-c", code), where=tmp_path, shown=True, **more)

    together = runner.run_layer("layer", [waiting("one", "two", beside=True), waiting("two", "one", beside=True)])
    assert [outcome.bad for outcome in together] == [False, False]
    lines = capfdbinary.readouterr().out.splitlines()
    assert {b"one | one began", b"one | one ends", b"two | two began", b"two | two ends"} <= set(lines)
    assert (tmp_path / "logs" / "layer-one.log").read_bytes() == b"one began\none ends"
    for name in ("one", "two"):
        (tmp_path / name).unlink()
    in_turn = runner.run_layer("layer", [waiting("one", "two"), waiting("two", "one", beside=True)])
    assert [outcome.bad for outcome in in_turn] == [True, False]
    for name in ("one", "two"):
        (tmp_path / name).unlink()
    across = runner.run_beside({"first": [waiting("one", "two")], "second": [waiting("two", "one")]})
    assert [(outcome.layer, outcome.check, outcome.bad) for outcome in across] == [
        ("first", "one", False),
        ("second", "two", False),
    ]


@pytest.mark.parametrize(("word", "names"), [("lint", ["lint"]), ("lab+sanity-ends", ["lab", "sanity-ends"])])
def test_layers_are_named_singly_or_beside_each_other(word, names):
    assert layers.named(word) == names


@pytest.mark.parametrize("word", ["", "lint+", "lab+sanety"])
def test_other_words_name_no_layer(word):
    with pytest.raises(ValueError):
        layers.named(word)
