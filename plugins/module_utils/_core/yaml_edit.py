# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Edits the declared drives in the text of a variables file. Pure: text in, text out.

The parser only says where each part begins and ends; only those characters are replaced, so that comments, order,
quotes and blank lines that people wrote stay. Every edit is verified by reading the result.
"""

from __future__ import annotations

import json
import re
from contextlib import suppress
from typing import Any, Container, Dict, List, Mapping, Optional, Sequence, Tuple

from .errors import InputError, MissingLibraryError
from .survey import Change, applied

_yaml: Any = None
with suppress(ImportError):
    import yaml as _yaml

_PLAIN = re.compile(r"[A-Za-z_][A-Za-z0-9_.-]*")
_WORDS = ("true", "false", "yes", "no", "on", "off", "null", "y", "n")
_BY_HAND = "Edit it by hand as the survey's notes say, or write it in the form that a survey drafts."


def read_variable(text: str, name: str) -> Any:
    """The value of a variable in *text*, None when it is missing. Raises InputError on invalid YAML."""
    data = _load(text)
    if data is None:
        return None
    if not isinstance(data, dict):
        raise InputError("the file is not a dictionary of variables", subject=name)
    return data.get(name)


def edit(text: str, name: str, todo: Sequence[Change]) -> str:
    """*text* with *todo* applied to the dictionary that is the value of the variable *name*.

    A missing variable is added at the end. Raises InputError when the text is written in a way that cannot be edited
    without changing more than is asked for.
    """
    before = read_variable(text, name) or {}
    if not todo:
        return text
    done = _Editor(text, name).edit(todo)
    wanted = applied(before, tuple(todo))
    found = read_variable(done, name)
    others = {key: value for key, value in (_load(text) or {}).items() if key != name}
    left = {key: value for key, value in (_load(done) or {}).items() if key != name}
    new = {change.bay for change in todo if change.kind == "add"}
    if found != wanted or _kept(found, new) != _kept(wanted, new) or others != left:
        raise InputError("the text cannot be edited in place", subject=name, remedy=_BY_HAND)
    return done


def _kept(drives: Mapping[Any, Any], new: Container[Any]) -> List[Any]:
    """The bays that were there before, in the order they are written in."""
    return [key for key in drives if key not in new]


def draft(name: str, host: str, entries: Mapping[str, Mapping[str, Any]]) -> str:
    """The text of a new variables file with *entries* as the value of the variable *name*."""
    lines = [
        "---",
        "# The drives of {0}, drafted by a survey. You may edit this file.".format(host),
        "# A later survey changes only what differs from what it finds, and keeps comments and order.",
        "{0}:{1}".format(name, "" if entries else " {}"),
    ]
    return "\n".join(lines + block(entries)) + "\n"


def block(entries: Mapping[str, Mapping[str, Any]], indent: int = 2, step: int = 2) -> List[str]:
    """Lines of the entries, each key on a line of its own."""
    lines: List[str] = []
    for label, entry in entries.items():
        lines.append("{0}{1}:".format(" " * indent, label))
        for key, value in entry.items():
            inner = " " * (indent + step)
            if isinstance(value, (list, tuple)) and value:
                lines.append("{0}{1}:".format(inner, key))
                lines += ["{0}{1}- {2}".format(inner, " " * step, scalar(item)) for item in value]
            else:
                lines.append("{0}{1}: {2}".format(inner, key, flow(value)))
    return lines


def flow(value: Any) -> str:
    """A value on one line."""
    if isinstance(value, Mapping):
        return "{" + ", ".join("{0}: {1}".format(scalar(key), flow(item)) for key, item in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(scalar(item) for item in value) + "]"
    return scalar(value)


def scalar(value: Any, style: Optional[str] = None) -> str:
    """A number or text as YAML: text in the quotes *style*, else bare where nothing could misread it."""
    if isinstance(value, bool) or not isinstance(value, (int, str)):
        raise InputError("{0!r} is neither text nor a whole number".format(value), subject="survey")
    if isinstance(value, int):
        return str(value)
    if style == "'" and "'" not in value and value.isprintable():
        return "'{0}'".format(value)
    if style != '"' and _PLAIN.fullmatch(value) and value.lower() not in _WORDS:
        return value
    return json.dumps(value)


def _require() -> Any:
    if _yaml is None:
        raise MissingLibraryError("PyYAML", "Run this on the controller, where ansible-core has installed it.")
    return _yaml


def _load(text: str) -> Any:
    module = _require()

    class Loader(module.SafeLoader):  # type: ignore[misc, name-defined]
        """Reads tags of Ansible (C(!vault), C(!unsafe)) as opaque values."""

    Loader.add_multi_constructor("", lambda _loader, tag, node: (tag, str(node.value)))
    try:
        return module.load(text, Loader=Loader)
    except module.YAMLError as error:
        raise InputError("this is not valid YAML: {0}".format(" ".join(str(error).split())), subject="file") from error


class _Editor:
    """Collects replacements of spans of the text, and makes them all at the end."""

    def __init__(self, text: str, name: str) -> None:
        self._end = "\r\n" if "\r\n" in text else "\n"
        self._text = text
        self._name = name
        self._spans: List[Tuple[int, int, str]] = []
        self._root = _require().compose(text, Loader=_require().SafeLoader)

    def edit(self, todo: Sequence[Change]) -> str:
        """The text with *todo* done."""
        found = self.find()
        if found is None:
            self._append({change.bay: change.entry for change in todo if change.kind == "add"})
        else:
            key, value = found
            if self._is_empty(value):
                self._fill(key, value, {change.bay: change.entry for change in todo if change.kind == "add"})
            else:
                _Drives(self, value).edit(todo)
        return self._result()

    def refuse(self, what: str) -> InputError:
        """The error to raise for a way of writing that is not edited."""
        return InputError(what, subject=self._name, remedy=_BY_HAND)

    def span(self, start: int, end: int, text: str) -> None:
        """Have the characters from *start* to *end* replaced."""
        self._spans.append((start, end, text))

    def replace(self, node: Any, value: Any) -> None:
        """Have a scalar replaced, in the quotes it has where the new value is one too."""
        start, end = node.start_mark.index, node.end_mark.index
        if node.style not in (None, "'", '"') or self._text[start : start + 1] in ("&", "!", "*"):
            raise self.refuse("a value is written as a block, with a tag or with an anchor")
        self.span(start, end, flow(value) if isinstance(value, (list, tuple)) else scalar(value, node.style))

    def put_behind(self, key: Any, text: str) -> None:
        """Have *text* put on the line of a key whose value follows on lines of its own."""
        at = self._text.index(":", key.end_mark.index) + 1
        self.span(at, at, " " + text)

    def insert_lines(self, after: int, lines: Sequence[str]) -> None:
        """Have lines put behind the line that the character *after* is on."""
        at = self._text.find("\n", after)
        text = self._end.join(lines)
        if at < 0:
            self.span(len(self._text), len(self._text), self._end + text + self._end)
        else:
            self.span(at + 1, at + 1, text + self._end)

    def delete_lines(self, first: int, last: int) -> None:
        """Have the lines deleted from the one with the character *first* to the one with *last*."""
        start = self._text.rfind("\n", 0, first) + 1
        at = self._text.find("\n", last)
        end = len(self._text) if at < 0 else at + 1
        self.span(start, end, "")

    def _result(self) -> str:
        text = self._text
        ordered = sorted(enumerate(self._spans), key=lambda pair: (pair[1][0], pair[1][1], pair[0]), reverse=True)
        low = len(text)
        for _number, (start, end, new) in ordered:
            if end > low:
                raise self.refuse("two edits meet")
            text = text[:start] + new + text[end:]
            low = start
        return text

    def find(self) -> Optional[Tuple[Any, Any]]:
        """Key and value of the variable; None when it is not there."""
        if self._root is None or _is_null(self._root):
            return None
        if self._root.id != "mapping" or (self._root.flow_style and self._root.value):
            raise self.refuse("the file is not written as a dictionary with one key on each line")
        for key, value in self._root.value:
            if key.id == "scalar" and key.value == self._name:
                if value.start_mark.index < key.end_mark.index:
                    raise self.refuse("its value is an alias")
                return key, value
        return None

    def _is_empty(self, value: Any) -> bool:
        if value.id == "mapping":
            return not value.value
        if _is_null(value):
            return True
        raise self.refuse("its value is not written out as a dictionary")

    def _append(self, entries: Mapping[str, Mapping[str, Any]]) -> None:
        if re.search(r"^\.\.\.", self._text, re.MULTILINE):
            raise self.refuse("the file ends its document with three dots")
        lines = ["{0}:".format(self._name), *block(entries)]
        lead = self._end if self._text and not self._text.endswith("\n") else ""
        self.span(len(self._text), len(self._text), lead + self._end.join(lines) + self._end)

    def _fill(self, key: Any, value: Any, entries: Mapping[str, Mapping[str, Any]]) -> None:
        start, end = value.start_mark.index, value.end_mark.index
        if end > start:
            while start > 0 and self._text[start - 1] == " ":
                start -= 1
            self.span(start, end, "")
        self.insert_lines(max(key.end_mark.index, end), block(entries))


class _Drives:
    """The dictionary of drives within the text."""

    def __init__(self, editor: _Editor, node: Any) -> None:
        self._editor = editor
        self._node = node
        self._flow = bool(node.flow_style)
        self._places: Dict[str, int] = {}
        for number, (key, value) in enumerate(node.value):
            if key.id != "scalar" or key.value == "<<" or value.id != "mapping":
                raise editor.refuse("an entry is not a dictionary, or is merged from elsewhere")
            if value.start_mark.index < key.end_mark.index:
                raise editor.refuse("the entry of {0} is an alias".format(key.value))
            self._places[_label(key.value)] = number

    def edit(self, todo: Sequence[Change]) -> None:
        """Have all of *todo* done."""
        moved = {change.to: change.bay for change in todo if change.kind == "move"}
        added = [change for change in todo if change.kind == "add"]
        for change in todo:
            if change.kind == "remove":
                self._remove(self._node, self._places[change.bay])
            elif change.kind == "move":
                self._editor.replace(self._node.value[self._places[change.bay]][0], change.to)
            elif change.kind == "set":
                self._set(self._places[moved.get(change.bay, change.bay)], change.entry)
        self._add({change.bay: change.entry for change in added})

    def _set(self, place: int, entry: Mapping[str, Any]) -> None:
        node = self._node.value[place][1]
        keys = {key.value: number for number, (key, _value) in enumerate(node.value)}
        for name, value in entry.items():
            if name not in keys:
                raise self._editor.refuse("{0} is merged from elsewhere".format(name))
            key, there = node.value[keys[name]]
            if there.start_mark.index < key.end_mark.index:
                raise self._editor.refuse("{0} is an alias".format(name))
            if value is None:
                self._remove(node, keys[name])
            elif isinstance(value, (list, tuple)):
                self._set_list(there, list(value))
            elif there.id == "sequence":
                self._set_one(key, there, value)
            else:
                self._editor.replace(there, value)

    def _set_one(self, key: Any, node: Any, value: Any) -> None:
        """A single value where a list was."""
        if node.flow_style:
            self._editor.span(node.start_mark.index, node.end_mark.index, scalar(value))
            return
        self._editor.put_behind(key, scalar(value))
        self._editor.delete_lines(node.start_mark.index, _end(node))

    def _set_list(self, node: Any, wanted: List[Any]) -> None:
        if node.id == "scalar":
            self._editor.replace(node, wanted)
            return
        if node.id != "sequence" or any(item.id != "scalar" for item in node.value):
            raise self._editor.refuse("a list is written in another way")
        for item, value in zip(node.value, wanted):
            if item.value != str(value):
                self._editor.replace(item, value)
        extra, more = node.value[len(wanted) :], wanted[len(node.value) :]
        if node.flow_style:
            if extra:
                start = node.value[len(wanted) - 1].end_mark.index
                self._editor.span(start, extra[-1].end_mark.index, "")
            elif more:
                at = node.value[-1].end_mark.index if node.value else node.end_mark.index - 1
                text = ", ".join(scalar(value) for value in more)
                self._editor.span(at, at, (", " if node.value else "") + text)
            return
        if extra:
            self._editor.delete_lines(extra[0].start_mark.index, extra[-1].end_mark.index)
        elif more:
            last = node.value[-1]
            lead = " " * node.start_mark.column
            self._editor.insert_lines(last.end_mark.index, ["{0}- {1}".format(lead, scalar(value)) for value in more])

    def _add(self, entries: Mapping[str, Mapping[str, Any]]) -> None:
        if not entries:
            return
        if self._flow:
            at = _last(self._node.value[-1])
            self._editor.span(at, at, "".join(", {0}: {1}".format(bay, flow(entry)) for bay, entry in entries.items()))
            return
        after: Dict[int, Dict[str, Mapping[str, Any]]] = {}
        for bay, entry in entries.items():
            after.setdefault(self._before(bay), {})[bay] = entry
        first = self._node.value[0][0].start_mark
        for place, some in after.items():
            lines = block(some, first.column, self._step())
            if place < 0:
                # Comments above the first entry are about it, so the new ones go above them.
                self._editor.insert_lines(self._head(), lines)
            else:
                self._editor.insert_lines(_last(self._node.value[place]), lines)

    def _before(self, bay: str) -> int:
        """The place of the entry that a new one goes behind; -1 for none."""
        earlier = [(_order(label), place) for label, place in self._places.items() if _order(label) < _order(bay)]
        return max(earlier)[1] if earlier else -1

    def _head(self) -> int:
        found = self._editor.find()
        return int(found[0].end_mark.index) if found else 0

    def _step(self) -> int:
        for key, value in self._node.value:
            if not value.flow_style and value.value:
                return int(value.value[0][0].start_mark.column - key.start_mark.column)
        return 2

    def _remove(self, node: Any, place: int) -> None:
        key, value = node.value[place]
        if not node.flow_style:
            self._editor.delete_lines(key.start_mark.index, _last((key, value)))
        elif place:
            self._editor.span(_last(node.value[place - 1]), _last((key, value)), "")
        elif len(node.value) > 1:
            self._editor.span(key.start_mark.index, node.value[1][0].start_mark.index, "")
        else:
            raise self._editor.refuse("an entry would be empty")


def _is_null(node: Any) -> bool:
    return bool(node.id == "scalar" and node.tag == "tag:yaml.org,2002:null")


def _last(pair: Tuple[Any, Any]) -> int:
    """The position of the last character of a key and its value, without comments behind it."""
    key, value = pair
    return max(int(key.end_mark.index), _end(value))


def _end(node: Any) -> int:
    if node.id == "scalar":
        return int(node.end_mark.index) if node.style not in ("|", ">") else int(node.end_mark.index) - 1
    if node.flow_style or not node.value:
        return int(node.end_mark.index)
    last = node.value[-1]
    return _last(last) if node.id == "mapping" else _end(last)


def _label(text: str) -> str:
    match = re.fullmatch(r"((?:[a-z][a-z0-9_]{0,15}-)?bay)([0-9]{1,4})", text)
    return "{0}{1:02d}".format(match.group(1), int(match.group(2))) if match else text


def _order(label: str) -> Tuple[str, int]:
    head, _bay, number = label.rpartition("bay")
    return (head, int(number))
