# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Progress and its estimate."""

from __future__ import annotations

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host import replacement_notes
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.replacement_notes import (
    NotedLeaf,
    ReplacementNote,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.replacement.progress import (
    Progress,
    progress,
    span,
    words,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.tree import Scan


def test_the_estimate_is_the_pace_so_far():
    # A quarter in 1800 s leaves three quarters for 5400 s.
    found = progress(Scan("resilver", "scanning", started=1000, issued=25, total=100), 2800)
    assert found == Progress(True, 0.25, 5400)
    assert words(found) == "25.0 % done, about 1.5 h left at the pace so far"


@pytest.mark.parametrize(("issued", "elapsed"), [(0, 1000), (5, 1000), (500, 10)])
def test_too_early_is_said(issued, elapsed):
    found = progress(Scan("resilver", "scanning", started=0, issued=issued, total=1000), elapsed)
    assert found.seconds_left is None
    assert "too early to estimate" in words(found)


def test_the_words_of_an_older_openzfs():
    # As cmd/zpool/zpool_main.c of 2.1 prints it (print_scan_scrub_resilver_status).
    text = (
        "resilver in progress since Wed Nov 25 20:00:00 2026 11.1G scanned at 1.0G/s, 5G issued at 500M/s, 40G total"
        " 1.2G resilvered, 12.50% done, 1 days 02:03:04 to go"
    )
    assert progress(Scan("resilver", "scanning", text=text), 0) == Progress(True, 0.125, 86400 + 7384)
    early = "resilver in progress since x 0.10% done, no estimated completion time"
    assert progress(Scan("resilver", "scanning", text=early), 0).seconds_left is None


def test_what_does_not_run_has_no_progress():
    assert words(progress(Scan("resilver", "finished", issued=1, total=1), 5)) == "not running"
    assert words(progress(None, 5)) == "not running"


@pytest.mark.parametrize(("seconds", "said"), [(5, "5 s"), (600, "10 min"), (7200, "2.0 h"), (200000, "2.3 days")])
def test_spans(seconds, said):
    assert span(seconds) == said


def test_notes_survive_and_a_broken_file_counts_as_none(tmp_path):
    path = str(tmp_path / "deep" / "replacements.json")
    one = ReplacementNote("7", "ACT3", "bay03", (NotedLeaf("1", 0, "raidz2-0"), NotedLeaf("2", 1, "raidz2-1")))
    other = ReplacementNote(
        "7", "ACT4", "bay04", (NotedLeaf("3", 0, "raidz2-0"),), hot=True, entering="NEW", wwns=("naa.1",)
    )
    assert replacement_notes.read(path) == ()
    replacement_notes.keep(one, path)
    replacement_notes.keep(other, path)
    done = ReplacementNote("7", "ACT3", "bay03", one.leaves, entering="X", done=True)
    replacement_notes.keep(done, path)
    assert replacement_notes.read(path) == (other, done)
    replacement_notes.drop(done, path)
    assert replacement_notes.read(path) == (other,)
    for broken in (
        "",
        "{",
        "[]",
        '{"version": 2, "replacements": []}',
        '{"version": 1, "replacements": [{"serial": 5}]}',
    ):
        (tmp_path / "deep" / "replacements.json").write_text(broken)
        assert replacement_notes.read(path) == ()
