# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Finds phrases that a storage engineer would stumble over, and names that the collection had once.

tests/config/phrases.yml lists both, what to write in their place, where phrases are looked for, and what is allowed,
with a reason for each. Names are looked for in the whole tree, in the files' names too.

Prints one line for each and exits with 1 when there is any. Run in a clean copy of the tree.
"""

from __future__ import annotations

import ast
import fnmatch
import io
import re
import sys
import tokenize
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from tests.tools.tree import listed

CONFIG = "tests/config/phrases.yml"
COMMENT = re.compile(r"^[ \t]*#+", re.MULTILINE)
# How much around a phrase an entry of the list of what is allowed can name.
AROUND = 60


@dataclass(frozen=True)
class Phrase:
    """A phrase or an old name; *example* is a text in which it must be found."""

    name: str
    pattern: re.Pattern[str]
    instead: str
    example: str


@dataclass(frozen=True)
class Passage:
    """A piece of text with every run of blanks made one, so that a phrase is found across lines, and the line of each
    character. A line feed parts paragraphs."""

    text: str
    lines: tuple[int, ...]


@dataclass(frozen=True)
class Hit:
    """A phrase that was found, and some text around it."""

    file: str
    line: int
    phrase: Phrase
    said: str
    around: str

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}" if self.line else f"{self.file}: in the file's name"
        return f"{where}: {self.said!r} ({self.phrase.name}): write {self.phrase.instead}"


@dataclass(frozen=True)
class Allowed:
    """What may stay in the files of a pattern: all of a phrase, or where *text* is around it."""

    file: str
    phrase: str
    reason: str
    text: str = ""

    def covers(self, hit: Hit) -> bool:
        return self.phrase == hit.phrase.name and fnmatch.fnmatchcase(hit.file, self.file) and self.text in hit.around


@dataclass(frozen=True)
class Scope:
    """Files, by patterns in which an asterisk is any text, and the kinds of text that are read in them."""

    files: tuple[str, ...]
    read: tuple[str, ...]


@dataclass(frozen=True)
class Rules:
    """All of tests/config/phrases.yml."""

    scope: tuple[Scope, ...]
    phrases: tuple[Phrase, ...]
    names: tuple[Phrase, ...]
    allowed: tuple[Allowed, ...]


def rules(path: Path) -> Rules:
    """Read the configuration."""
    said: dict[str, Any] = yaml.safe_load(path.read_text(encoding="utf-8"))
    return Rules(
        tuple(Scope(tuple(one["files"]), tuple(one["read"])) for one in said["scope"]),
        tuple(phrase(one, "phrase") for one in said["phrases"]),
        tuple(phrase(one, "name") for one in said["names"]),
        tuple(Allowed(**one) for one in said["allowed"] or []),
    )


def phrase(said: dict[str, Any], noun: str) -> Phrase:
    """An entry of either list. Without a pattern it is the name itself, wherever it is written."""
    name = str(said[noun])
    patterns = said.get("pattern", re.escape(name))
    one = patterns if isinstance(patterns, str) else "|".join(patterns)
    return Phrase(
        name, re.compile(one, re.IGNORECASE if noun == "phrase" else 0), said["instead"], said.get("example", name)
    )


# --- kinds of text


def passage(text: str, first: int = 1) -> Passage:
    """The text that begins in line *first*, with blanks made one."""
    flat: list[str] = []
    lines: list[int] = []
    line = first
    for run in re.findall(r"\s+|\S+", text):
        put = run if not run.isspace() else "\n" if run.count("\n") > 1 else " "
        flat.append(put)
        lines += [line] * len(put)
        line += run.count("\n")
    return Passage("".join(flat), tuple(lines))


def whole(source: str) -> Iterator[Passage]:
    """All of a file; the marks of its comments are blanks."""
    yield passage(COMMENT.sub(lambda mark: " " * len(mark.group()), source))


def comments(source: str) -> Iterator[Passage]:
    """The comments of a Python file, those in lines that follow each other as one."""
    block: list[str] = []
    first = last = 0
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type != tokenize.COMMENT:
            continue
        line = token.start[0]
        if block and line != last + 1:
            yield passage("\n".join(block), first)
            block = []
        first = first if block else line
        block.append(token.string.lstrip("#:! "))
        last = line
    if block:
        yield passage("\n".join(block), first)


def docstrings(source: str) -> Iterator[Passage]:
    """The docstrings of a Python file."""
    for node in doc_nodes(ast.parse(source)):
        yield literal(node, str(node.value), source)


def strings(source: str) -> Iterator[Passage]:
    """All other texts in a Python file; the values in a formatted one are braces."""
    tree = ast.parse(source)
    skipped = {id(node) for node in doc_nodes(tree)}
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            skipped.update(id(part) for part in node.values)
            yield literal(node, "".join(map(piece, node.values)), source)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in skipped:
            yield literal(node, node.value, source)


def doc_nodes(tree: ast.Module) -> Iterator[ast.Constant]:
    for node in ast.walk(tree):
        if isinstance(node, (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)) and node.body:
            first = node.body[0]
            if isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant):
                if isinstance(first.value.value, str):
                    yield first.value


def piece(part: ast.expr) -> str:
    return str(part.value) if isinstance(part, ast.Constant) else "{}"


def literal(node: ast.expr, value: str, source: str) -> Passage:
    """A text of a program. Where it is put together from several lines, each word's line is looked for."""
    found = passage(value, node.lineno)
    last = node.end_lineno or node.lineno
    if value.count("\n") == last - node.lineno:
        return found
    rows = source.splitlines()[node.lineno - 1 : last]
    lines: list[int] = []
    row = 0
    for word in re.findall(r"\s|[^\s]+", found.text):
        row = next((number for number in range(row, len(rows)) if word in rows[number]), row)
        lines += [node.lineno + row] * len(word)
    return Passage(found.text, tuple(lines))


KINDS: dict[str, Callable[[str], Iterator[Passage]]] = {
    "text": whole,
    "comments": comments,
    "docstrings": docstrings,
    "strings": strings,
}


# --- what is found


def phrase_hits(top: Path, names: list[str], said: Rules) -> Iterator[Hit]:
    """The phrases in all files that are in scope."""
    for name in names:
        kinds = {kind for scope in said.scope if matches(name, scope.files) for kind in scope.read}
        for kind in sorted(kinds):
            for found in KINDS[kind](read(top / name)):
                yield from hits(name, found, said.phrases)


def name_hits(top: Path, names: list[str], said: Rules) -> Iterator[Hit]:
    """The old names in all files, and in the names of files."""
    for name in names:
        if name != CONFIG:
            yield from hits(name, Passage(name, (0,) * len(name)), said.names)
            for number, line in enumerate(read(top / name).splitlines(), start=1):
                yield from hits(name, Passage(line, (number,) * len(line)), said.names)


def hits(name: str, found: Passage, wanted: tuple[Phrase, ...]) -> Iterator[Hit]:
    for one in wanted:
        for match in one.pattern.finditer(found.text):
            around = found.text[max(0, match.start() - AROUND) : match.end() + AROUND]
            yield Hit(name, found.lines[match.start()], one, match.group(), around)


def matches(name: str, patterns: tuple[str, ...]) -> bool:
    return any(fnmatch.fnmatchcase(name, pattern) for pattern in patterns)


def read(path: Path) -> str:
    """The text of a file; nothing of a picture or a link."""
    if path.is_symlink():
        return ""
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        return ""


def rule_faults(said: Rules, names: list[str]) -> Iterator[str]:
    """What is wrong with the configuration itself."""
    known = {one.name for one in (*said.phrases, *said.names)}
    for one in (*said.phrases, *said.names):
        if not one.pattern.search(one.example):
            yield f"{CONFIG}: {one.name}: its pattern does not match its example {one.example!r}"
    for scope in said.scope:
        yield from (f"{CONFIG}: scope: no file matches {one}" for one in scope.files if not any_of(names, one))
        yield from (
            f"{CONFIG}: scope: {kind} is not one of {', '.join(KINDS)}" for kind in scope.read if kind not in KINDS
        )
    for entry in said.allowed:
        if entry.phrase not in known or not entry.reason.strip():
            yield f"{CONFIG}: allowed: {entry.file}: name a phrase or name of the lists, and a reason"


def any_of(names: list[str], pattern: str) -> bool:
    return any(fnmatch.fnmatchcase(name, pattern) for name in names)


def check(top: Path, names: list[str]) -> list[str]:
    """Every fault in the files *names* below *top*."""
    said = rules(top / CONFIG)
    faults = list(rule_faults(said, names))
    if faults:
        return faults
    found = [*phrase_hits(top, names, said), *name_hits(top, names, said)]
    left = [hit for hit in found if not any(entry.covers(hit) for entry in said.allowed)]
    idle = [entry for entry in said.allowed if not any(entry.covers(hit) for hit in found)]
    faults += [str(hit) for hit in sorted(left, key=lambda hit: (hit.file, hit.line, hit.phrase.name))]
    faults += [f"{CONFIG}: allowed: {one.file}: {one.phrase}: matches nothing any more; take it out" for one in idle]
    return faults


def main() -> int:
    """Check the copy in the current folder."""
    faults = check(Path.cwd(), listed(Path.cwd()))
    for fault in faults:
        print(fault)
    return int(bool(faults))


if __name__ == "__main__":
    sys.exit(main())
