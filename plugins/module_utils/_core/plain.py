# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Dataclasses to and from plain dictionaries, as they cross the Ansible border or a file; counts in words."""

from __future__ import annotations

import dataclasses
from functools import lru_cache
from typing import Any, Dict, Type, TypeVar, Union, cast, get_type_hints

from .checks import mapping
from .errors import InputError

T = TypeVar("T")

_NOTHING = type(None)


def amount(number: int, noun: str) -> str:
    """C(1 drive), C(2 drives)."""
    return "{0} {1}{2}".format(number, noun, "" if number == 1 else "s")


def to_plain(value: Any) -> Any:
    """The same value in dicts, lists, strings and numbers only, ready for JSON."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: to_plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, (list, tuple)):
        return [to_plain(item) for item in value]
    if isinstance(value, dict):
        return {str(key): to_plain(item) for key, item in value.items()}
    # JSON has no bytes.
    return value.hex() if isinstance(value, bytes) else value


def from_plain(kind: Type[T], data: Any, where: str = "") -> T:
    """An instance of the dataclass *kind* from a dictionary made by `to_plain`.

    Unknown keys, missing required keys and wrong types raise InputError naming the
    dotted place.
    """
    return cast(T, _build(kind, data, where or kind.__name__))


def _build(hint: Any, data: Any, where: str) -> Any:
    origin = getattr(hint, "__origin__", None)
    if dataclasses.is_dataclass(hint):
        return _build_dataclass(hint, data, where)
    if origin is Union:
        if data is None and _NOTHING in hint.__args__:
            return None
        (inner,) = [arg for arg in hint.__args__ if arg is not _NOTHING]
        return _build(inner, data, where)
    if origin is tuple:
        _require(isinstance(data, (list, tuple)), data, where, "a list")
        return tuple(_build(hint.__args__[0], item, "{0}[{1}]".format(where, n)) for n, item in enumerate(data))
    if origin is dict:
        _require(isinstance(data, dict), data, where, "a dictionary")
        return {str(key): _build(hint.__args__[1], item, "{0}.{1}".format(where, key)) for key, item in data.items()}
    if hint is bytes and isinstance(data, str):
        return _bytes(data, where)
    if hint is float and isinstance(data, int) and not isinstance(data, bool):
        return _float(data, where)
    if hint is not Any:
        right = isinstance(data, hint) and not (isinstance(data, bool) and hint is not bool)
        _require(right, data, where, "of type {0}".format(hint.__name__))
    return data


def _bytes(data: str, where: str) -> bytes:
    try:
        return bytes.fromhex(data)
    except ValueError as error:
        raise InputError("{0!r} is not hexadecimal".format(data), subject=where) from error


def _float(data: int, where: str) -> float:
    try:
        return float(data)
    except OverflowError as error:
        raise InputError("a whole number of {0} bits is too large".format(data.bit_length()), subject=where) from error


@lru_cache(maxsize=None)
def _hints(kind: Any) -> Dict[str, Any]:
    # Evaluating annotations costs more than all the rest; there are few classes and many instances.
    return get_type_hints(kind)


def _build_dataclass(kind: Any, data: Any, where: str) -> Any:
    hints = _hints(kind)
    known = {field.name: field for field in dataclasses.fields(kind) if field.init}
    mapping(data, sorted(known), where)
    made: Dict[str, Any] = {}
    for name, field in known.items():
        if name in data:
            made[name] = _build(hints[name], data[name], "{0}.{1}".format(where, name))
        elif field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING:
            raise InputError("key {0} is missing".format(name), subject=where)
    return kind(**made)


def _require(condition: bool, data: Any, where: str, wanted: str) -> None:
    if not condition:
        raise InputError("{0!r} is not {1}".format(data, wanted), subject=where)
