# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Finds files that do not belong in the collection and characters that do not belong in a text.

Prints one line for each and exits with 1 when there is any. Run in a clean copy of the tree.
"""

from __future__ import annotations

import os
import re
import sys
import unicodedata
from collections.abc import Iterator
from pathlib import Path

from tests.tools.tree import listed

TOP_LEVEL = {
    ".ci",
    ".gitignore",
    "DEVELOPERS.md",
    "LICENSE",
    "Makefile",
    "README.md",
    "changelogs",
    "docs",
    "galaxy.yml",
    "meta",
    "playbooks",
    "plugins",
    "roles",
    "tests",
}
MAX_BYTES = 400_000
NAME = re.compile(r"[A-Za-z0-9_.][A-Za-z0-9_.+@-]*")
SUFFIXES = {
    "plugins": {".py", ".yml", ".j2"},
    "roles": {".yml", ".j2", ".md", ".py", ".service", ".timer", ".rules", ".conf"},
    "playbooks": {".yml", ".j2", ".md"},
    "meta": {".yml", ".txt"},
    "docs": {".md", ".rst", ".svg", ".png", ".yml", ".ini", ".cfg", ".prom", ".json", ".html", ".txt", ".toml"},
}
PICTURES = {".png"}
KEEPS_TABS = {"Makefile"}
# Format characters that hide or reorder what a reader sees, and spaces that look like spaces.
ODD_CATEGORIES = {"Cc", "Cf", "Co", "Cs", "Zl", "Zp"}
ODD_SPACES = {"\u00a0", "\u2007", "\u202f", "\u3000", "\ufeff"}


def path_faults(name: str) -> Iterator[str]:
    """What is wrong with the name, place or mode of a file."""
    parts = name.split("/")
    if parts[0] not in TOP_LEVEL:
        yield "does not belong at the top level"
    if not all(NAME.fullmatch(part) for part in parts):
        yield "has a character in its name that some systems cannot keep"
    allowed = SUFFIXES.get(parts[0])
    if allowed and Path(name).suffix not in allowed:
        yield f"is of a kind not expected under {parts[0]}/ ({', '.join(sorted(allowed))})"
    path = Path(name)
    if path.is_symlink():
        if not path.resolve().is_relative_to(Path.cwd()):
            yield "is a link that leaves the collection"
        return
    if path.stat().st_size > MAX_BYTES:
        yield f"is larger than {MAX_BYTES} bytes"
    started = path.read_bytes().startswith(b"#!")
    # Ansible rewrites a module's first line and starts the module itself.
    if os.access(path, os.X_OK) != (started and not name.startswith("plugins/modules/")):
        yield "has an executable bit without a '#!' line, or the line without the bit"


def text_faults(name: str, data: bytes) -> Iterator[str]:
    """What is wrong with the characters of a text file."""
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        yield f"is not UTF-8 at byte {error.start}"
        return
    if text and not text.endswith("\n"):
        yield "does not end with a line feed"
    recorded = name.startswith("tests/data/")
    for number, line in enumerate(text.split("\n"), start=1):
        for char in set(line):
            if odd(char, tabs=recorded or name in KEEPS_TABS):
                yield f"line {number} holds U+{ord(char):04X} {unicodedata.name(char, 'control character')}"
        if line != line.rstrip() and not recorded:
            yield f"line {number} ends in blanks"


def odd(char: str, *, tabs: bool) -> bool:
    if char == "\t":
        return not tabs
    return char in ODD_SPACES or unicodedata.category(char) in ODD_CATEGORIES


def main() -> int:
    """Check every file of the copy in the current folder."""
    faults = 0
    for name in listed(Path.cwd()):
        found = list(path_faults(name))
        path = Path(name)
        if path.suffix not in PICTURES and not path.is_symlink():
            found += text_faults(name, path.read_bytes())
        for fault in found:
            print(f"{name}: {fault}")
        faults += len(found)
    return int(faults > 0)


if __name__ == "__main__":
    sys.exit(main())
