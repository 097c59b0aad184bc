# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""JUnit files: written for checks that are plain commands, counted for those that write their own."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

# XML 1.0 section 2.2: the characters a document may not hold.
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@dataclass(frozen=True)
class Count:
    """How many tests ended how."""

    passed: int = 0
    failed: int = 0
    skipped: int = 0

    def __add__(self, other: Count) -> Count:
        return Count(self.passed + other.passed, self.failed + other.failed, self.skipped + other.skipped)

    def __str__(self) -> str:
        return f"{self.passed} passed, {self.failed} failed" + (f", {self.skipped} skipped" if self.skipped else "")


def write(path: Path, suite: str, name: str, seconds: float, *, failure: str = "", skipped: str = "") -> None:
    """Write the outcome of one command as a suite of one test."""
    top = ElementTree.Element(
        "testsuite",
        name=suite,
        tests="1",
        failures=str(int(bool(failure))),
        errors="0",
        skipped=str(int(bool(skipped))),
        time=f"{seconds:.3f}",
    )
    case = ElementTree.SubElement(top, "testcase", classname=suite, name=name, time=f"{seconds:.3f}")
    if failure:
        ElementTree.SubElement(case, "failure", message=f"{name} failed").text = _NOT_XML.sub("?", failure)
    if skipped:
        ElementTree.SubElement(case, "skipped", message=skipped)
    path.parent.mkdir(parents=True, exist_ok=True)
    ElementTree.ElementTree(top).write(path, encoding="utf-8", xml_declaration=True)


def count(path: Path) -> Count:
    """Count the tests in the file at *path*; nothing where there is no such file."""
    if not path.exists():
        return Count()
    total = Count()
    for case in ElementTree.parse(path).getroot().iter("testcase"):
        kinds = {child.tag for child in case}
        if kinds & {"failure", "error"}:
            total += Count(failed=1)
        else:
            total += Count(skipped=1) if "skipped" in kinds else Count(passed=1)
    return total
