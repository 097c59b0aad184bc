# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Discovery in a device tree that umockdev serves: the real pyudev, libudev and readers, another /sys and /dev."""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Drive, Finding, Unit
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import from_plain
from tests.checkout import REPO
from tests.unit.host.trees import Tree


@dataclass(frozen=True)
class Seen:
    """What discovery made of a tree."""

    drives: tuple[Drive, ...]
    findings: tuple[Finding, ...]
    seconds: float

    def drive(self, serial: str) -> Drive:
        (one,) = [drive for drive in self.drives if drive.serial == serial]
        return one

    def unit(self, serial: str, index: int) -> Unit:
        (one,) = [unit for unit in self.drive(serial).units if unit.index == index]
        return one

    @property
    def codes(self) -> list[tuple[str, str, int | None]]:
        return [(one.code, one.serial, one.index) for one in self.findings]


def see(tree: Tree, files: Mapping[str, str] | None = None, **wanted: object) -> Seen:
    """Discover in *tree*. *wanted* are options of drive_info; *files* may hold mountinfo and swaps."""
    return see_text(tree.text, tree.links, files or {}, wanted)


def see_text(text: str, links: Mapping[str, str], files: Mapping[str, str], wanted: Mapping[str, object]) -> Seen:
    """Discover in a tree given in umockdev's format. Fails when the reader fails."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for file, content in {
            "tree.umockdev": text,
            "links.json": json.dumps(dict(links)),
            "wanted.json": json.dumps(dict(wanted)),
            **files,
        }.items():
            (folder / file).write_text(content, encoding="utf-8")
        reader = "import runpy, sys; sys.path[:0] = [{0!r}, {1!r}]; sys.argv = ['reader', {2!r}];".format(
            str(REPO), str(REPO / ".work"), name
        )
        done = subprocess.run(
            ["umockdev-run", "--device", str(folder / "tree.umockdev"), "--", sys.executable, "-c",
             reader + " runpy.run_module('tests.unit.host.reader', run_name='__main__')"],
            capture_output=True, text=True, timeout=120, check=False,
        )  # fmt: skip
    if done.returncode != 0:
        raise AssertionError(done.stderr)
    answer = json.loads(done.stdout)
    # In every discovery of every test: no program but the one by which pyudev finds libudev, once, however many units.
    assert answer["started"] == ["subprocess.Popen ['/sbin/ldconfig', '-p']"]
    return Seen(
        tuple(from_plain(Drive, one) for one in answer["drives"]),
        tuple(from_plain(Finding, one) for one in answer["findings"]),
        answer["seconds"],
    )
