# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""A bay's label begins with the word: no message puts it in front once more, as in "bay bay03"."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]
# A place for a value right behind the word: str.format and f-strings, Jinja, percent, and joined texts.
DOUBLED = re.compile(r"""\b[Bb]ays? (?:\{\{?[^\n{};:]*\}|%[sr(]|["'] *[~+])""")


@pytest.mark.parametrize("folder", ["plugins", "roles", "playbooks"])
def test_no_text_puts_the_word_in_front_of_a_label(folder: str) -> None:
    files = [path for path in (ROOT / folder).rglob("*") if path.suffix in (".py", ".yml", ".j2", ".sh")]
    assert files
    found = [
        "{0}:{1}".format(path.relative_to(ROOT), number)
        for path in files
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if DOUBLED.search(line)
    ]
    assert found == []


@pytest.mark.parametrize(
    "text",
    [
        '"bay {0}".format(bay)',
        "Bay {{ item.bay }}",
        '"bay %s" % bay',
        "'bay ' ~ item.bay",
        'f"in bay {drive.bay.label}"',
    ],
)
def test_such_a_text_is_found(text: str) -> None:
    assert DOUBLED.search(text)


@pytest.mark.parametrize("text", ['"{0} (serial {1})".format(bay)', ".bay { background: red; }", "bay07"])
def test_another_text_is_not(text: str) -> None:
    assert not DOUBLED.search(text)
