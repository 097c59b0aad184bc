# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""A clean copy of the working tree, laid out as an installed collection's checkout.

Checks that look at every file run in such a copy, so that caches, build products and
ignored files neither disturb them nor hide from them, and nothing is written to the tree.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

REPO = Path(__file__).resolve().parents[2]
OUTPUT = REPO / "tests" / "output"
LICENCE = "GPL-3.0-or-later"


def listed(top: Path = REPO) -> list[str]:
    """The files git tracks or would add, relative to *top*; deleted ones left out."""
    names = subprocess.run(
        ["git", "ls-files", "-co", "--exclude-standard", "-z"],
        cwd=top,
        check=True,
        capture_output=True,
        text=True,
    ).stdout.split("\0")
    return sorted({name for name in names if name and ((top / name).is_symlink() or (top / name).exists())})


def lay(target: Path) -> None:
    """Copy the working tree to *target* and make it a git checkout of its own."""
    for name in listed():
        place = target / name
        place.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(REPO / name, place, follow_symlinks=False)
    for command in (["init", "--quiet"], ["add", "--all"]):
        subprocess.run(["git", *command], cwd=target, check=True, capture_output=True)


def add_licence_folder(target: Path) -> None:
    """Give *target* the LICENSES folder that REUSE asks for, filled from the LICENSE file."""
    (target / "LICENSES").mkdir()
    shutil.copy2(target / "LICENSE", target / "LICENSES" / f"{LICENCE}.txt")


@contextmanager
def checkout() -> Iterator[Path]:
    """A fresh copy at .../ansible_collections/evenkeel/split_actuator, removed at the end."""
    with tempfile.TemporaryDirectory(prefix="evenkeel-copy-") as top:
        target = Path(top) / "ansible_collections" / "evenkeel" / "split_actuator"
        target.mkdir(parents=True)
        lay(target)
        yield target
