# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Finds variables that a playbook or role could pick up from somebody's inventory by accident.

A name that is read must begin with `split_actuator_`, or be set by the same playbook or role under its own name as a
prefix, or be a loop's or Ansible's. A variable of a task or block counts only inside it. A role's own options count
where its defaults or argument specification declare them.

docs/inventory.md must name, in a table's first column, every `split_actuator_` variable that is read, and no other.

Prints one line for each fault and exits with 1 when there is any. Run in a clean copy of the tree.
"""

from __future__ import annotations

import fnmatch
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from tests.tools.tree import listed
from tests.tools.variables import File, Given, Read, Reader, Scope

PREFIX = "split_actuator_"
PAGE = "docs/inventory.md"
# What Ansible itself sets, and its functions.
ANSIBLES = {
    *("environment", "group_names", "groups", "hostvars", "inventory_dir", "inventory_file", "inventory_hostname"),
    *("inventory_hostname_short", "omit", "play_hosts", "playbook_dir", "role_name", "role_names", "role_path", "vars"),
    *("lookup", "now", "q", "query", "undef"),
}
ANSIBLE_PREFIX = "ansible_"
NAMED = re.compile(rf"`({PREFIX}\w+(?:\.\w+)*)`")
INVENTORY_FOLDERS = ("group_vars", "host_vars")
YAML = {".yml", ".yaml"}


@dataclass
class Owner:
    """A playbook, tasks file of playbooks, role or inventory. What it sets begins with one of *prefixes*."""

    kind: str
    name: str
    files: list[File] = field(default_factory=list)
    prefixes: set[str] = field(default_factory=set)

    @property
    def kept(self) -> Scope:
        return frozenset().union(*(file.kept for file in self.files))


class Tree:
    """The files of a collection below *top*, read."""

    def __init__(self, top: Path, names: list[str]) -> None:
        self._top = top
        self.owners: dict[tuple[str, str], Owner] = {}
        for name in names:
            self._take(name)
        for owner in self.owners.values():
            owner.prefixes.add(f"{owner.name}_")

    def of(self, kind: str) -> list[Owner]:
        return [owner for (of, _name), owner in sorted(self.owners.items()) if of == kind]

    def files(self) -> Iterator[tuple[Owner, File]]:
        for _key, owner in sorted(self.owners.items()):
            yield from ((owner, file) for file in owner.files)

    def _take(self, name: str) -> None:
        parts = Path(name).parts
        if parts[0] == "playbooks" and Path(name).suffix in YAML:
            kind = "playbook" if len(parts) == 2 else "tasks file"
            self._add(kind, Path(name).stem, name, "playbook" if len(parts) == 2 else "tasks")
        elif parts[0] == "roles" and len(parts) > 3:
            self._take_role(name, parts)
        elif parts[:2] == ("docs", "examples") and len(parts) > 3 and Path(name).suffix in YAML:
            self._take_inventory(name, parts)

    def _take_role(self, name: str, parts: tuple[str, ...]) -> None:
        folder = parts[2]
        if folder == "templates":
            self._add("role", parts[1], name, "template")
        elif Path(name).suffix in YAML and folder != "files":
            ways = {"defaults": "values", "vars": "values", "tasks": "tasks", "handlers": "tasks"}
            way = "specification" if parts[-1].startswith("argument_specs.") else ways.get(folder, "plain")
            self._add("role", parts[1], name, way)

    def _take_inventory(self, name: str, parts: tuple[str, ...]) -> None:
        folder = self._top.joinpath(*parts[:3])
        if any(part in INVENTORY_FOLDERS for part in parts[3:-1]):
            self._add("inventory", parts[2], name, "values")
        elif any((folder / one).is_dir() for one in INVENTORY_FOLDERS):
            self._add("inventory", parts[2], name, "inventory")

    def _add(self, kind: str, owner: str, name: str, way: str) -> None:
        file: File = getattr(Reader(self._top, name), way)()
        self.owners.setdefault((kind, owner), Owner(kind, owner)).files.append(file)


class Judge:
    """Says what is wrong with the variables of a tree."""

    def __init__(self, tree: Tree) -> None:
        self._tree = tree
        self._declared = {role.name: self._options(role) for role in tree.of("role")}
        self._users = {owner.name: self._users_of(owner) for owner in tree.of("tasks file")}
        for owner in tree.of("tasks file"):
            owner.prefixes.update(f"{user.name}_" for user, _scope in self._users[owner.name])

    def faults(self) -> Iterator[str]:
        """Everything but the page."""
        for owner, file in self._tree.files():
            yield from (f"{file.name}:{line}: cannot be parsed: {why}" for line, why in file.broken)
            lent = self._lent(owner, file)
            found = [self._set_fault(owner, given) for given in file.gives]
            found += [self._read_fault(owner, read, lent) for read in file.reads if not read.key]
            yield from sorted({fault for fault in found if fault}, key=place)

    def known(self) -> dict[str, dict[str, Read]]:
        """The variables of the collection's prefix that playbooks and roles read: by name, the first place of each key,
        and under no key that of the variable itself."""
        known: dict[str, dict[str, Read]] = {}
        for owner, file in self._tree.files():
            for read in file.reads:
                if owner.kind != "inventory" and read.name.startswith(PREFIX):
                    known.setdefault(read.name, {}).setdefault(read.key, read)
        return known

    # --- what is set

    def _set_fault(self, owner: Owner, given: Given) -> str:
        where = f"{given.file}:{given.line}: {given.name}"
        if owner.kind == "inventory":
            return self._inventory_fault(owner, given, where)
        own = given.name.startswith(PREFIX) or any(given.name.startswith(prefix) for prefix in owner.prefixes)
        if given.to and given.name.startswith(f"{given.to}_"):
            declared = self._declared.get(given.to)
            if declared is not None and given.name not in declared and not own:
                return f"{where}: the role {given.to} has no such option. Correct the name, or declare it there."
            return ""
        if own:
            return ""
        return f"{where}: set without its owner's name, so it may change somebody's variable. Name it {owner.name}_..."

    def _inventory_fault(self, owner: Owner, given: Given, where: str) -> str:
        if given.name.startswith(PREFIX):
            return "" if given.name in self.known() else f"{where}: nothing reads it. Correct the name, or take it out."
        reads = {read.name for file in owner.files for read in file.reads}
        if given.name.startswith(ANSIBLE_PREFIX) or given.name in reads:
            return ""
        return f"{where}: nothing reads it. Name it {PREFIX}..., or take it out."

    def _options(self, role: Owner) -> Scope:
        """The options that a role declares."""
        parts = ("defaults", "meta")
        return frozenset(given.name for file in role.files if Path(file.name).parts[2] in parts for given in file.gives)

    # --- what is read

    def _read_fault(self, owner: Owner, read: Read, lent: Scope) -> str:
        name = read.name
        if name.startswith((PREFIX, ANSIBLE_PREFIX)) or name in ANSIBLES:
            return ""
        if name in read.scope or name in lent or name in owner.kept:
            return ""
        where = f"{read.file}:{read.line}: {name}"
        if owner.kind == "inventory":
            return f"{where}: this inventory does not set it. Set it there."
        if name.startswith(f"{owner.name}_"):
            where_to = "its defaults and argument_specs" if owner.kind == "role" else "the play, or around this task"
            return f"{where}: read, and set nowhere that it would be known here. Set it in {where_to}."
        return (
            f"{where}: an inventory may hold this name by accident. Read {PREFIX}{name} or the like, or set it as"
            f" {owner.name}_{name} first."
        )

    def _lent(self, owner: Owner, file: File) -> Scope:
        """The names that are set for a file by those that use it."""
        if owner.kind == "tasks file":
            users = [scope | user.kept for user, scope in self._users[owner.name]]
            return users[0].intersection(*users[1:]) if users else frozenset()
        if owner.kind == "playbook":
            return frozenset().union(*(used.kept for used in self._used_by(owner)))
        return lent_within(owner).get(file.name, frozenset())

    def _users_of(self, tasks: Owner) -> list[tuple[Owner, Scope]]:
        """The playbooks that use a tasks file, with the names that are set around each use."""
        return [
            (owner, lent.scope)
            for owner in self._tree.of("playbook")
            for file in owner.files
            for lent in file.lends
            if fnmatch.fnmatchcase(Path(tasks.files[0].name).name, Path(lent.target).name)
        ]

    def _used_by(self, playbook: Owner) -> list[Owner]:
        tasks = self._tree.of("tasks file")
        return [one for one in tasks if any(user is playbook for user, _scope in self._users[one.name])]


def lent_within(owner: Owner) -> dict[str, Scope]:
    """For every file of a role, the names that are set around its uses in that role, also in several steps."""
    lent: dict[str, Scope] = {file.name: frozenset() for file in owner.files}
    before: dict[str, Scope] = {}
    while before != lent:
        before = dict(lent)
        for file in owner.files:
            for loan in file.lends:
                for name in lent:
                    if name != file.name and fnmatch.fnmatchcase(Path(name).name, Path(loan.target).name):
                        lent[name] |= loan.scope | lent[file.name]
    return lent


def page_faults(top: Path, known: dict[str, dict[str, Read]]) -> Iterator[str]:
    """What the page of the inventory's variables lacks, and what it has too much."""
    path = top / PAGE
    named: dict[str, int] = {}
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines() if path.exists() else [], start=1):
        if line.startswith("|"):
            named.update((name, number) for name in NAMED.findall(line.split("|")[1]) if name not in named)
    whole = {name for name in named if "." not in name}
    roots = {name.split(".")[0] for name in named}
    for name, places in sorted(known.items()):
        if name not in roots:
            yield unnamed(places[""], name)
        elif name not in whole:
            keys = {key: read for key, read in sorted(places.items()) if key}
            wanted = {key: read for key, read in keys.items() if not any(covers(one, f"{name}.{key}") for one in named)}
            yield from (unnamed(read, f"{name}.{key}") for key, read in wanted.items())
    for name, number in sorted(named.items(), key=lambda one: one[1]):
        if name.split(".")[0] not in known:
            yield f"{PAGE}:{number}: {name}: no playbook and no role reads it. Correct the name, or take it out."


def covers(named: str, wanted: str) -> bool:
    return named == wanted or named.startswith(f"{wanted}.")


def unnamed(read: Read, name: str) -> str:
    return f"{read.file}:{read.line}: {name}: {PAGE} does not name it. Add it to a table there, in the first column."


def place(fault: str) -> tuple[str, int, str]:
    """Faults in the order of their lines."""
    file, line, rest = fault.split(":", 2)
    return file, int(line), rest


def check(top: Path, names: list[str]) -> list[str]:
    """Every fault in the files *names* below *top*."""
    tree = Tree(top, names)
    if not tree.of("playbook"):
        return ["playbooks: there is none to check"]
    judge = Judge(tree)
    return [*judge.faults(), *page_faults(top, judge.known())]


def main() -> int:
    """Check the copy in the current folder."""
    faults = check(Path.cwd(), listed(Path.cwd()))
    for fault in faults:
        print(fault)
    return int(bool(faults))


if __name__ == "__main__":
    sys.exit(main())
