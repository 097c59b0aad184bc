# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Reads plain data key by key, with errors that name the key and the value (pure)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from .errors import ChassisError

_SIZE = re.compile(r"([0-9]+(?:\.[0-9]+)?) *([kKMGT]?)(i?)B?")


def parse_size(value: object, key: str) -> int:
    """Bytes of C(9 TB), C(512 MiB) or a plain number. Raises ChassisError."""
    if isinstance(value, int) and not isinstance(value, bool) and value >= 0:
        return value
    match = _SIZE.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is None:
        raise ChassisError(key, f"{value!r} is no size. Write a number of bytes, 9 TB or 512 MiB.")
    number, prefix, binary = match.groups()
    base = 1024 if binary else 1000
    power = "_KMGT".index(prefix.upper() or "_")
    return round(Decimal(number) * Decimal(base) ** power)


class Table:
    """A mapping read key by key; what nobody asked for is an error."""

    def __init__(self, data: object, key: str) -> None:
        if not isinstance(data, Mapping):
            raise ChassisError(key or "chassis", f"{data!r} is not a mapping")
        self._left = dict(data)
        self._key = key

    def key(self, name: str) -> str:
        return f"{self._key}.{name}" if self._key else name

    def take(self, name: str, default: object = None) -> object:
        return self._left.pop(name, default)

    def text(self, name: str, longest: int = 200, default: str | None = None) -> str:
        value = self.take(name, default)
        if not isinstance(value, str) or not 0 < len(value) <= longest:
            raise ChassisError(self.key(name), f"{value!r} is no text of 1 to {longest} characters")
        return value

    def choice(self, name: str, allowed: tuple[str, ...], default: str) -> str:
        value = self.take(name, default)
        if value not in allowed:
            raise ChassisError(self.key(name), f"{value!r} is not one of {', '.join(allowed)}")
        return str(value)

    def integer(self, name: str, default: int | None, low: int, high: int) -> int:
        value = self.take(name, default)
        if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
            raise ChassisError(self.key(name), f"{value!r} is no whole number from {low} to {high}")
        return value

    def boolean(self, name: str, default: bool) -> bool:
        value = self.take(name, default)
        if not isinstance(value, bool):
            raise ChassisError(self.key(name), f"{value!r} is neither true nor false")
        return value

    def mapping(self, name: str) -> dict[Any, Any]:
        value = self.take(name, {})
        if not isinstance(value, Mapping):
            raise ChassisError(self.key(name), f"{value!r} is not a mapping")
        return dict(value)

    def listing(self, name: str) -> list[Any]:
        value = self.take(name, [])
        if not isinstance(value, list):
            raise ChassisError(self.key(name), f"{value!r} is not a list")
        return value

    def done(self) -> None:
        if self._left:
            left = ", ".join(str(name) for name in self._left)
            raise ChassisError(self._key or "chassis", f"unknown key {left}")
