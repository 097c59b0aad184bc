# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Checks of single values that people write. Every InputError names the place, the value and what is allowed. Pure."""

from __future__ import annotations

from typing import Any, Mapping, Sequence

from .errors import InputError


def mapping(value: Any, allowed: Sequence[str], where: str, remedy: str = "", more: str = "") -> Mapping[str, Any]:
    """*value*, when it is a dictionary with no other keys than *allowed*.

    *remedy* is for a value that is not a dictionary; *more* follows the list of allowed keys.
    """
    if not isinstance(value, Mapping):
        raise InputError("{0!r} is not a dictionary".format(value), subject=where, remedy=remedy)
    unknown = sorted(str(key) for key in value if key not in allowed)
    if unknown:
        raise InputError(
            "unknown key {0}".format(", ".join(unknown)),
            subject=where,
            remedy="Allowed: {0}{1}.".format(", ".join(allowed), more),
        )
    return value


def whole(value: Any, least: int, most: int, where: str) -> int:
    """*value*, when it is a whole number from *least* to *most*."""
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
        raise refused(value, where, "a whole number from {0} to {1}".format(least, most))
    return value


def choice(value: Any, allowed: Sequence[str], where: str) -> str:
    """*value*, when it is one of *allowed*."""
    if value not in allowed:
        raise refused(value, where, ", ".join(allowed))
    return str(value)


def flag(value: Any, where: str) -> bool:
    """*value*, when it is true or false."""
    if not isinstance(value, bool):
        raise refused(value, where, "true or false")
    return value


def refused(value: Any, where: str, allowed: str) -> InputError:
    """The error for a *value* that is not one of those *allowed*."""
    return InputError("{0!r} is not allowed".format(value), subject=where, remedy="Allowed: {0}.".format(allowed))
