# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The check of phrases and old names: what it finds in which kind of text, in which line, and what may stay."""

from __future__ import annotations

import pytest
import yaml

from tests.checkout import REPO
from tests.tools import check_phrases

RULES = {
    "scope": [
        {"files": ["docs/*"], "read": ["text"]},
        {"files": ["plugins/*.py"], "read": ["strings", "docstrings", "comments"]},
    ],
    "phrases": [
        {"phrase": "goes well", "pattern": r"\bgo(?:es)? well\b", "instead": "works", "example": "It goes well."}
    ],
    "names": [{"name": "old_name", "instead": "new_name"}],
    "allowed": [],
}
FILES = {"docs/page.md": "Fine.\n", "plugins/module.py": "X = 1\n"}


def check(top, files=None, **more):
    said = {**FILES, **(files or {}), check_phrases.CONFIG: yaml.safe_dump({**RULES, **more})}
    for name, text in said.items():
        path = top / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return check_phrases.check(top, sorted(said))


@pytest.mark.parametrize(
    ("name", "text", "line"),
    [
        ("docs/page.md", "It is so.\n\nThis GOES WELL.\n", 3),
        ("docs/page.md", "It is so, and goes\nwell.\n", 1),
        ("docs/values.yml", "# A comment that goes\n# well on.\n", 1),
        ("docs/page.md", "This goes\n\nwell apart.\n", None),
        ("tests/unit/test_any.py", '"""This goes well."""\n', None),
        ("plugins/module.py", "# It goes\n# well.\n", 1),
        ("plugins/module.py", "goes = well = 1\n", None),
        ("plugins/module.py", 'def f():\n    """Does it.\n\n    Goes well.\n    """\n', 4),
        ("plugins/module.py", 'WHY = (\n    "so that "\n    "it goes "\n    "well"\n)\n', 3),
        ("plugins/module.py", 'WHY = f"{1} goes well"\n', 1),
        ("plugins/module.py", "# It goes\nX = 1\n# well\n", None),
    ],
)
def test_phrases(tmp_path, name, text, line):
    found = check(tmp_path, {name: text})
    assert [fault.split(" ")[0] for fault in found] == ([] if line is None else [f"{name}:{line}:"])
    assert all(fault.endswith("(goes well): write works") for fault in found)


@pytest.mark.parametrize(
    ("name", "text", "where"),
    [
        ("tests/unit/test_any.py", "x = 1\nold_name = 2\n", "tests/unit/test_any.py:2"),
        ("plugins/old_name.py", "", "plugins/old_name.py: in the file's name"),
        ("docs/page.md", "Old_name\n", None),
    ],
)
def test_old_names_anywhere(tmp_path, name, text, where):
    found = check(tmp_path, {name: text})
    assert found == ([] if where is None else [f"{where}: 'old_name' (old_name): write new_name"])


def test_what_is_allowed_stays_and_what_is_not_does_not(tmp_path):
    files = {"docs/page.md": "This goes well now.\n\n" + "And so on. " * 9 + "That goes well later.\n"}
    entry = {"file": "docs/*.md", "phrase": "goes well", "reason": "Said so.", "text": "now"}
    assert [fault.split(" ")[0] for fault in check(tmp_path, files, allowed=[entry])] == ["docs/page.md:3:"]
    assert check(tmp_path, files, allowed=[{**entry, "text": ""}]) == []


@pytest.mark.parametrize(
    ("more", "fault"),
    [
        (
            {"allowed": [{"file": "docs/page.md", "phrase": "goes well", "reason": "Was so."}]},
            "matches nothing any more",
        ),
        ({"allowed": [{"file": "docs/page.md", "phrase": "goes well", "reason": " "}]}, "and a reason"),
        ({"allowed": [{"file": "docs/page.md", "phrase": "goes ill", "reason": "So."}]}, "name a phrase or name"),
        ({"scope": [{"files": ["docs/*", "doc/*"], "read": ["text"]}]}, "no file matches doc/*"),
        ({"scope": [{"files": ["docs/*"], "read": ["verses"]}]}, "verses is not one of"),
        ({"names": [{"name": "old_name", "pattern": "older", "instead": "new"}]}, "does not match its example"),
    ],
)
def test_faults_of_the_rules_themselves(tmp_path, more, fault):
    found = check(tmp_path, **more)
    assert len(found) == 1
    assert fault in found[0]


@pytest.mark.parametrize(
    "text",
    [
        "A spare stands in for a failed member; * stands for any text.",
        "OpenZFS could not tell the two hosts apart, and you can tell which is which.",
        "There is no pool yet, and the drive is no longer declared.",
        "Planning took minutes; water-filling is fast.",
        "A test that left no result is tried again.",
        "evenkeel.split_actuator.survey_file with -e split_actuator_leave=bay07",
        "evenkeel.split_actuator.drift, /var/lib/evenkeel/health",
    ],
)
def test_our_rules_leave_good_english_alone(text):
    said = check_phrases.rules(REPO / check_phrases.CONFIG)
    found = check_phrases.hits("docs/page.md", check_phrases.passage(text), (*said.phrases, *said.names))
    assert [hit.said for hit in found] == []


def test_our_rules_find_their_own_examples():
    said = check_phrases.rules(REPO / check_phrases.CONFIG)
    for one in (*said.phrases, *said.names):
        found = check_phrases.hits("docs/page.md", check_phrases.passage(one.example), (one,))
        assert [hit.phrase for hit in found], one.name
