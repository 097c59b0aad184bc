# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""What the documents show: fenced blocks and commands out of Markdown, examples out of modules, filters and roles."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.checkout import REPO

_FENCE = re.compile(r"^( *)```(\w*)[^\n]*\n(.*?)^\1```[ ]*$", re.MULTILINE | re.DOTALL)


@dataclass(frozen=True)
class Block:
    """A fenced block: its file relative to the repository, the line its text begins at, its language, its text."""

    file: str
    line: int
    language: str
    text: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}"


def pages() -> list[Path]:
    """All Markdown pages that users or contributors read."""
    found = [REPO / "README.md", REPO / "DEVELOPERS.md", REPO / "tests" / "lab" / "README.md"]
    for pattern in ("docs/**/*.md", "roles/*/README.md", "playbooks/**/*.md"):
        found += REPO.glob(pattern)
    return sorted(found)


def blocks(path: Path, language: str = "") -> Iterator[Block]:
    """The fenced blocks of a page, of one language or of all."""
    text = path.read_text(encoding="utf-8")
    for match in _FENCE.finditer(text):
        if language in ("", match.group(2)):
            line = text.count("\n", 0, match.start(3)) + 1
            yield Block(str(path.relative_to(REPO)), line, match.group(2), match.group(3))


def all_blocks(language: str) -> list[Block]:
    """The blocks of one language in all pages."""
    return [block for page in pages() for block in blocks(page, language)]


def commands(block: Block) -> list[str]:
    """The commands of a console block: what follows C($ ), or C(host# ), without the comment; C(\\) continues a line.

    A block without any prompt holds one command a line.
    """
    text = block.text.replace("\\\n", " ")
    prompted = re.findall(r"^\S*[$#] (.*)$", text, re.MULTILINE)
    lines = prompted or [line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    return [re.split(r"\s+#\s", line)[0].strip() for line in lines]


def module_texts(name: str) -> list[tuple[str, str]]:
    """File and text of a documentation variable (C(EXAMPLES), C(DOCUMENTATION)) of every module."""
    found = []
    for path in sorted((REPO / "plugins" / "modules").glob("*.py")):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == name:
                found.append((path.stem, ast.literal_eval(node.value)))
    return found
