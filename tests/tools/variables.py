# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Which variables the YAML files and templates of a collection read and set, and where.

Files are read as YAML nodes, so that every fault has its line, and expressions are parsed by Jinja2 itself.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import yaml
from jinja2 import Environment, TemplateSyntaxError, meta, nodes

Scope = frozenset[str]

# Task keywords whose values are expressions without braces, and the like among options of modules.
BARE = {"when", "changed_when", "failed_when", "until", "break_when"}
BARE_OPTIONS = {"assert": "that", "debug": "var"}
TASK_LISTS = {"tasks", "pre_tasks", "post_tasks", "handlers", "block", "rescue", "always"}
TASK_FILES = {"include_tasks", "import_tasks"}
ROLE_CALLS = {"include_role", "import_role"}
# Filters by which a template reads variables of other hosts: their first argument names one.
BY_NAME = {"map", "selectattr", "rejectattr"}
JINJA = Environment(extensions=["jinja2.ext.do", "jinja2.ext.loopcontrols"], autoescape=True)


@dataclass(frozen=True)
class Read:
    """A variable that an expression reads, and the names that are set around that expression. *key* is the key that
    the expression takes of it, if it names one."""

    file: str
    line: int
    name: str
    scope: Scope = frozenset()
    key: str = ""


@dataclass(frozen=True)
class Given:
    """A variable that a file sets. *to* is the role or the tasks file that it is handed to, if any; *kept* says that it
    lasts beyond its task, as what is registered does."""

    file: str
    line: int
    name: str
    to: str = ""
    kept: bool = False


@dataclass(frozen=True)
class Lent:
    """A tasks file or template that a file uses, and the names that are set around it there. Blanks of a name that is
    computed are asterisks."""

    target: str
    scope: Scope


@dataclass
class File:
    """What was found in one file."""

    name: str
    reads: list[Read] = field(default_factory=list)
    gives: list[Given] = field(default_factory=list)
    lends: list[Lent] = field(default_factory=list)
    broken: list[tuple[int, str]] = field(default_factory=list)

    @property
    def kept(self) -> Scope:
        """Names that are set for the rest of a run."""
        return frozenset(given.name for given in self.gives if given.kept)


def short(module: str) -> str:
    """The last part of a module's full name."""
    return module.rsplit(".", 1)[-1]


def pairs(node: yaml.Node | None) -> Iterator[tuple[yaml.Node, yaml.Node]]:
    """Keys and values of a mapping; nothing of any other node."""
    if isinstance(node, yaml.MappingNode):
        yield from node.value


def items(node: yaml.Node | None) -> Iterator[yaml.Node]:
    """The entries of a list; nothing of any other node."""
    if isinstance(node, yaml.SequenceNode):
        yield from node.value


def text(node: yaml.Node | None) -> str:
    """A scalar's text; empty for any other node."""
    return str(node.value) if isinstance(node, yaml.ScalarNode) else ""


def entry(node: yaml.Node | None, *names: str) -> yaml.Node | None:
    """The value of the first of these keys that a mapping has."""
    return next((value for key, value in pairs(node) if text(key) in names), None)


def keys(node: yaml.Node | None) -> Scope:
    """The keys of a mapping."""
    return frozenset(text(key) for key, _value in pairs(node))


class Reader:
    """Reads one file into a `File`."""

    def __init__(self, top: Path, name: str) -> None:
        self.file = File(name)
        self._source = (top / name).read_text(encoding="utf-8")
        self._lines = self._source.splitlines()

    # --- kinds of files

    def template(self) -> File:
        """A template."""
        self._expression(self._source, 1, len(self._lines), frozenset())
        return self.file

    def values(self) -> File:
        """Defaults or variables of a role, variables of an inventory: names and their values."""
        root = self._root()
        self._note(root, kept=True)
        self._values(root, frozenset())
        return self.file

    def specification(self) -> File:
        """A role's argument specification: its options."""
        root = self._root()
        for _entry, spec in pairs(entry(root, "argument_specs")):
            self._note(entry(spec, "options"), kept=True)
        self._values(root, frozenset())
        return self.file

    def inventory(self) -> File:
        """An inventory of groups."""
        for _name, group in pairs(self._root()):
            self._group(group)
        return self.file

    def tasks(self) -> File:
        """A file of tasks or handlers."""
        self._tasks(self._root(), frozenset())
        return self.file

    def playbook(self) -> File:
        """A file of plays."""
        for play in items(self._root()):
            self._play(play)
        return self.file

    def plain(self) -> File:
        """Any other file with expressions."""
        self._values(self._root(), frozenset())
        return self.file

    # --- what they are made of

    def _root(self) -> yaml.Node | None:
        try:
            return yaml.compose(self._source, Loader=yaml.SafeLoader)
        except yaml.YAMLError as error:
            self.file.broken.append((1, " ".join(str(error).split())))
            return None

    def _group(self, group: yaml.Node) -> None:
        for _host, variables in pairs(entry(group, "hosts")):
            self._note(variables, kept=True)
            self._values(variables, frozenset())
        self._note(entry(group, "vars"), kept=True)
        self._values(entry(group, "vars"), frozenset())
        for _name, child in pairs(entry(group, "children")):
            self._group(child)

    def _play(self, play: yaml.Node) -> None:
        asked = {text(entry(one, "name")) for one in items(entry(play, "vars_prompt"))}
        scope = frozenset(asked | keys(entry(play, "vars")))
        self._note(entry(play, "vars"))
        for key, value in pairs(play):
            if text(key) in TASK_LISTS:
                self._tasks(value, scope)
            elif text(key) == "roles":
                for role in items(value):
                    self._role(role, scope)
            else:
                self._values(value, scope)

    def _role(self, role: yaml.Node, scope: Scope) -> None:
        """An entry of a play's list of roles."""
        name = short(text(role) or text(entry(role, "role", "name")))
        self._note(entry(role, "vars"), to=name)
        inner = scope | keys(entry(role, "vars"))
        for key, value in pairs(role):
            self._keyword(text(key), value, inner)

    def _tasks(self, tasks: yaml.Node | None, scope: Scope) -> None:
        for task in items(tasks):
            self._task(task, scope)

    def _task(self, task: yaml.Node, scope: Scope) -> None:
        scope = scope | keys(entry(task, "vars")) | loop_names(task)
        self._note(entry(task, "vars"), to=self._callee(task))
        for key, value in pairs(task):
            word = short(text(key))
            if word in TASK_LISTS:
                self._tasks(value, scope)
            elif word == "register":
                self.file.gives.append(Given(self.file.name, line_of(value), text(value), kept=True))
            else:
                self._keyword(word, value, scope)
                self._action(word, value, scope)

    def _callee(self, task: yaml.Node) -> str:
        """The role or the tasks file that a task hands its variables to."""
        for key, value in pairs(task):
            if short(text(key)) in ROLE_CALLS:
                return short(text(entry(value, "name")))
            if short(text(key)) in TASK_FILES:
                return Path(text(value) or text(entry(value, "file"))).stem
        return ""

    def _action(self, module: str, value: yaml.Node, scope: Scope) -> None:
        """What a module does to variables."""
        if module == "set_fact":
            self._note(value, kept=True)
        elif module in TASK_FILES:
            self._lend(text(value) or text(entry(value, "file")), scope)
        elif module == "template":
            self._lend(text(entry(value, "src")), scope)

    def _keyword(self, word: str, value: yaml.Node, scope: Scope) -> None:
        """The expressions in the value of a keyword, or in the options of a module."""
        bare = BARE_OPTIONS.get(word, "")
        if word in BARE:
            self._bare(value, scope)
        elif bare:
            for key, option in pairs(value):
                (self._bare if text(key) == bare else self._values)(option, scope)
        elif word == "loop_control":
            for key, option in pairs(value):
                (self._bare if text(key) in BARE else self._values)(option, scope)
        else:
            self._values(value, scope)

    def _bare(self, node: yaml.Node, scope: Scope) -> None:
        for one in items(node):
            self._bare(one, scope)
        if isinstance(node, yaml.ScalarNode) and node.tag == "tag:yaml.org,2002:str":
            source = node.value if "{{" in node.value else "{{ " + node.value + " }}"
            self._expression(source, line_of(node), node.end_mark.line + 1, scope)

    def _values(self, node: yaml.Node | None, scope: Scope) -> None:
        """The expressions in braces in everything below *node*."""
        for one in items(node):
            self._values(one, scope)
        for key, value in pairs(node):
            self._values(key, scope)
            self._values(value, scope)
        if isinstance(node, yaml.ScalarNode) and ("{{" in node.value or "{%" in node.value):
            if node.tag != "!unsafe":
                self._expression(node.value, line_of(node), node.end_mark.line + 1, scope)

    def _note(self, variables: yaml.Node | None, to: str = "", kept: bool = False) -> None:
        for key, _value in pairs(variables):
            if not (kept and text(key) == "cacheable"):
                self.file.gives.append(Given(self.file.name, line_of(key), text(key), to, kept))

    def _lend(self, target: str, scope: Scope) -> None:
        self.file.lends.append(Lent(re.sub(r"\{\{.*?\}\}", "*", target), scope))

    def _expression(self, source: str, first: int, last: int, scope: Scope) -> None:
        try:
            tree = JINJA.parse(source)
        except TemplateSyntaxError as error:
            self.file.broken.append((first, str(error)))
            return
        for name, key in sorted(set(names_in(tree))):
            self.file.reads.append(Read(self.file.name, self._line(name, first, last), name, scope, key))
        for include in tree.find_all(nodes.Include):
            if isinstance(include.template, nodes.Const):
                self._lend(str(include.template.value), scope)

    def _line(self, name: str, first: int, last: int) -> int:
        """The line in which the name is written first."""
        word = re.compile(rf"(?<![\w.]){re.escape(name)}\b")
        rows = range(first, min(last, len(self._lines)) + 1)
        return next((number for number in rows if word.search(self._lines[number - 1])), first)


def line_of(node: yaml.Node) -> int:
    return int(node.start_mark.line) + 1


def loop_names(task: yaml.Node) -> Scope:
    """The names that a task's loop sets."""
    if not any(text(key) == "loop" or text(key).startswith("with_") for key, _value in pairs(task)):
        return frozenset()
    control = entry(task, "loop_control")
    given = {text(entry(control, "loop_var")) or "item", text(entry(control, "index_var"))}
    return frozenset(given - {""})


def names_in(tree: nodes.Template) -> Iterator[tuple[str, str]]:
    """The variables that an expression reads, each with a key that it takes of them or nothing. Variables that it
    reads by their names, as hostvars[host].name, are among them."""
    read = undeclared(tree)
    yield from ((name, "") for name in read)
    calls = list(tree.find_all(nodes.Call))
    methods = {id(call.node) for call in calls}
    for node in tree.find_all((nodes.Getattr, nodes.Getitem)):
        if id(node) not in methods:
            yield from keyed(node, read)
    for call in calls:
        yield from looked_up(call)
    for filtered in tree.find_all(nodes.Filter):
        yield from by_name(filtered)


def known(value: object) -> object:
    """Takes the place of Ansible's and the collection's filters and tests."""
    return value


def undeclared(tree: nodes.Template) -> set[str]:
    """What Jinja2 finds. It wants to know every filter and test; which there are is for other checks to say."""
    for used in tree.find_all(nodes.Filter):
        JINJA.filters.setdefault(used.name, known)
    for asked in tree.find_all(nodes.Test):
        JINJA.tests.setdefault(asked.name, known)
    return meta.find_undeclared_variables(tree)


def keyed(node: nodes.Expr, read: set[str]) -> Iterator[tuple[str, str]]:
    """The variable of which a key is taken, and what the key names where it is one of variables."""
    owner = getattr(node, "node", None)
    if isinstance(owner, nodes.Name) and owner.name in read:
        yield owner.name, key_of(node)
        if owner.name == "vars":
            yield key_of(node) or "vars[...]", ""
    elif isinstance(owner, (nodes.Getattr, nodes.Getitem)) and is_name(owner.node, "hostvars"):
        yield key_of(node) or "hostvars[...][...]", ""


def looked_up(call: nodes.Call) -> Iterator[tuple[str, str]]:
    """The variables that lookup('vars', ...) names."""
    words = [arg.value if isinstance(arg, nodes.Const) else "" for arg in call.args]
    called = isinstance(call.node, nodes.Name) and call.node.name in {"lookup", "query", "q"}
    if called and words and short(str(words[0])) == "vars":
        yield from ((str(word) or "lookup('vars', ...)", "") for word in words[1:])


def by_name(filtered: nodes.Filter) -> Iterator[tuple[str, str]]:
    """The variable of other hosts that a filter names, as in hostvars.values() | map(attribute='name')."""
    if filtered.name not in BY_NAME or filtered.node is None:
        return
    if not any(is_name(one, "hostvars") for one in [filtered.node, *filtered.node.find_all(nodes.Name)]):
        return
    attribute = [word.value for word in filtered.kwargs if word.key == "attribute"]
    first = attribute if filtered.name == "map" else filtered.args[:1]
    yield from ((str(one.value).split(".", maxsplit=1)[0], "") for one in first if isinstance(one, nodes.Const))


def key_of(node: nodes.Node) -> str:
    if isinstance(node, nodes.Getattr):
        return str(node.attr)
    arg = getattr(node, "arg", None)
    return arg.value if isinstance(arg, nodes.Const) and isinstance(arg.value, str) else ""


def is_name(node: nodes.Node, name: str) -> bool:
    return isinstance(node, nodes.Name) and node.name == name
