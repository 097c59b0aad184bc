# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs the collection's playbooks against a lab machine, with the quickstart inventory."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.checkout import REPO

from .errors import LabError
from .lab import Lab

QUICKSTART = REPO / "docs" / "examples" / "quickstart"
COLLECTION = "evenkeel.split_actuator"
_RECAP = re.compile(r"^(\S+)\s*:\s*ok=(\d+)\s+changed=(\d+)\s+unreachable=(\d+)\s+failed=(\d+)", re.MULTILINE)


@dataclass(frozen=True)
class Run:
    """What a playbook run gave: exit code, output, and how many tasks changed something."""

    rc: int
    output: str

    @property
    def changed(self) -> int:
        """Changed tasks over all hosts, from the recap."""
        return sum(int(match.group(3)) for match in _RECAP.finditer(self.output))

    def check(self) -> Run:
        """This run. Raises LabError with the output when it failed."""
        if self.rc != 0:
            raise LabError(f"the playbook failed with code {self.rc}:\n{self.output}")
        return self


class Site:
    """A copy of the quickstart inventory in *folder*, whose host *host* is the lab machine."""

    def __init__(self, lab: Lab, folder: Path, host: str = "ebb01") -> None:
        self.lab = lab
        self.host = host
        self.folder = folder
        if not (folder / "hosts.yml").exists():
            shutil.copytree(QUICKSTART, folder, dirs_exist_ok=True)
        self.refresh()

    def refresh(self) -> None:
        """Write how the lab is reached now (its port changes when it boots anew)."""
        self.lab.write_inventory(self.folder / "lab.yml")

    def playbook(
        self,
        name: str,
        *options: str,
        variables: Mapping[str, Any] | None = None,
        line: Callable[[str], None] | None = None,
    ) -> Run:
        """Run a playbook of the collection by name (or a file by path); *line* is told each line of output."""
        book = name if "/" in name else f"{COLLECTION}.{name}"
        argv = ["ansible-playbook", *self._inventory(), "--limit", self.host, book, *options]
        if variables:
            argv += ["--extra-vars", json.dumps(variables)]
        return self._run(argv, line)

    def _inventory(self) -> Sequence[str]:
        return ("-i", str(self.folder / "hosts.yml"), "-i", str(self.folder / "lab.yml"))

    def _run(self, argv: Sequence[str], line: Callable[[str], None] | None) -> Run:
        environment = {
            **os.environ,
            "ANSIBLE_COLLECTIONS_PATH": str(REPO / ".work"),
            "ANSIBLE_LOCALHOST_WARNING": "false",
            "ANSIBLE_INVENTORY_UNPARSED_WARNING": "false",
            "ANSIBLE_NOCOLOR": "1",
        }
        output: list[str] = []
        with subprocess.Popen(
            list(argv), cwd=self.folder, env=environment, text=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
            stdin=subprocess.DEVNULL,
        ) as process:  # fmt: skip
            for text in process.stdout or ():
                output.append(text)
                if line is not None:
                    line(text.rstrip("\n"))
        return Run(process.returncode, "".join(output))
