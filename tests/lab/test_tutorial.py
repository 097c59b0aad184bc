# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""docs/start-here.md, word for word: its commands are run in order, from the installed artefact, on a clean server."""

from __future__ import annotations

import json
import os
import subprocess
from pathlib import Path

import pytest
import yaml

from tests.checkout import REPO
from tests.lab.lab import Lab
from tests.lab.truth import check_built
from tests.tools import tree
from tests.unit.docs.blocks import blocks, commands

pytestmark = pytest.mark.lab_long

BLOCKS = list(blocks(REPO / "docs" / "start-here.md", "console"))


class Reader:
    """A person at a controller who types what the page says: a home folder, a shell, and where they are."""

    def __init__(self, lab: Lab, home: Path, checkout: Path) -> None:
        self.here = checkout
        self.said: dict[str, str] = {}
        self._artefact = str(home / "artefact")
        lab.write_inventory(home / "lab.yml")
        self._reach = yaml.safe_load((home / "lab.yml").read_text())["all"]["hosts"]["ebb01"]
        self._environment = {
            **{key: value for key, value in os.environ.items() if not key.startswith("ANSIBLE_")},
            "HOME": str(home),
            "ANSIBLE_COLLECTIONS_PATH": str(home / ".ansible" / "collections"),
            "ANSIBLE_NOCOLOR": "1",
            "ANSIBLE_LOCALHOST_WARNING": "false",
        }

    def type(self, command: str) -> str:
        """Runs a command; C(cd) moves. How the server is reached is all that is added to what the page says."""
        if command.startswith("cd "):
            self.here = self.here / command.removeprefix("cd ")
            variables = self.here / "host_vars" / "ebb01" / "connection.yml"
            variables.parent.mkdir(parents=True, exist_ok=True)
            variables.write_text(yaml.safe_dump(self._reach))
            return ""
        done = subprocess.run(
            ("bash", "-c", command.replace("/tmp/evenkeel-artefact", self._artefact)), cwd=self.here,
            env=self._environment, text=True, capture_output=True, check=False, timeout=1500, stdin=subprocess.DEVNULL,
        )  # fmt: skip
        assert done.returncode == 0, f"$ {command}\n{done.stdout}\n{done.stderr}"
        self.said[command] = done.stdout
        return done.stdout


def test_the_tutorial(lab: Lab, tmp_path: Path) -> None:
    typed = [command for block in BLOCKS for command in commands(block)]
    with tree.checkout() as checkout:
        reader = Reader(lab, tmp_path, checkout)
        for command in typed:
            before = lab.content_hashes() if "--check" in command else []
            reader.type(command)
            assert not before or lab.content_hashes() == before
        again = reader.type(next(one for one in typed if one.endswith("build -l ebb01")))
    said = reader.said
    (check,) = [text for command, text in said.items() if "--check" in command]
    assert "zpool create" in check
    (status,) = [text for command, text in said.items() if "zpool status" in command]
    assert all(f"bay{bay:02d}.{unit}" in status for bay in range(12) for unit in range(2))
    (facts,) = [text for command, text in said.items() if "pool_info" in command]
    pool = json.loads(facts.partition("=>")[2])["pools"][0]
    assert (pool["state"], pool["margin"]) == ("ONLINE", 2)
    check_built(lab, "archive")
    assert "changed=0" in again


def test_the_page_still_shows_every_step() -> None:
    shown = " ".join(command for block in BLOCKS for command in commands(block))
    steps = ("collection install", ".survey", ".plan", ".build", "--check --diff", "zpool status", "pool_info")
    assert [step for step in steps if step not in shown] == []
