# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""What the servers of a class have in common apart from the pool: bays of the chassis, paths, models. Pure."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any, Dict, List, Mapping, Sequence, Tuple

from .checks import mapping, whole
from .declared import MOST_UNITS, VARIABLE, DeclaredDrive, read_sizes
from .errors import InputError
from .model import Bay

BAYS = "split_actuator_bays"
MODELS = "split_actuator_models"
PATHS = "split_actuator_paths_per_unit"

_RANGE = re.compile(r"((?:[a-z][a-z0-9_]{0,15}-)?bay)\[([0-9]{1,4}):([0-9]{1,4})\]")
_MODEL_KEYS = ("unit_count", "unit_bytes", "logical_block", "firmware")
_BLOCKS = (512, 4096)
_MOST_PATHS = 8


@dataclass(frozen=True)
class ModelFacts:
    """What every drive of a model should have; 0, no size and empty text are not compared."""

    unit_count: int = 0
    unit_bytes: Tuple[int, ...] = ()
    logical_block: int = 0
    firmware: str = ""


@dataclass(frozen=True)
class ServerClass:
    """The class of a server: *bays* of its chassis (empty: any), *paths_per_unit* (0: any), *models*."""

    bays: Tuple[str, ...] = ()
    paths_per_unit: int = 0
    models: Mapping[str, ModelFacts] = field(default_factory=dict)


def read_class(bays: Any, paths_per_unit: Any, models: Any, host: str = "") -> ServerClass:
    """The class from the values of C(split_actuator_bays), C(_paths_per_unit) and C(_models).

    Raises InputError naming host, key and value.
    """
    lead = "{0}: ".format(host) if host else ""
    return ServerClass(
        bays=_bays(bays, lead + BAYS),
        paths_per_unit=whole(paths_per_unit, 0, _MOST_PATHS, lead + PATHS),
        models=_models(models, lead + MODELS),
    )


def refuse_strange_bays(drives: Sequence[DeclaredDrive], about: ServerClass, host: str = "") -> None:
    """Raise InputError for a drive that is declared in a bay that the chassis does not have."""
    if not about.bays:
        return
    where = "{0}: {1}".format(host, VARIABLE) if host else VARIABLE
    for drive in drives:
        if drive.bay not in about.bays:
            raise InputError(
                "serial {0} is declared in a bay that the chassis does not have".format(drive.serial),
                subject="{0}.{1}".format(where, drive.bay),
                remedy="{0} has {1} bays, {2} to {3}.".format(BAYS, len(about.bays), about.bays[0], about.bays[-1]),
            )


def _bays(value: Any, where: str) -> Tuple[str, ...]:
    if not isinstance(value, (list, tuple)):
        raise InputError("{0!r} is not a list".format(value), subject=where)
    found: List[str] = []
    for number, item in enumerate(value):
        found += _expand(item, "{0}[{1}]".format(where, number))
    twice = sorted({label for label in found if found.count(label) > 1}, key=Bay.parse)
    if twice:
        raise InputError("{0} is listed twice".format(", ".join(twice)), subject=where)
    return tuple(sorted(found, key=Bay.parse))


def _expand(item: Any, where: str) -> List[str]:
    match = _RANGE.fullmatch(item) if isinstance(item, str) else None
    if match:
        first, last = int(match.group(2)), int(match.group(3))
        if first > last:
            raise InputError("{0!r} ends before it begins".format(item), subject=where)
        return [Bay.parse("{0}{1}".format(match.group(1), slot)).label for slot in range(first, last + 1)]
    try:
        return [Bay.parse(item if isinstance(item, str) else "").label]
    except InputError as error:
        raise InputError(
            "{0!r} is not a bay".format(item), subject=where, remedy="Write bay07, west-bay07 or bay[00:11]."
        ) from error


def _models(value: Any, where: str) -> Dict[str, ModelFacts]:
    if not isinstance(value, Mapping):
        raise InputError("{0!r} is not a dictionary of models".format(value), subject=where)
    return {str(name): _model(facts, "{0}.{1}".format(where, name)) for name, facts in value.items()}


def _model(facts: Any, where: str) -> ModelFacts:
    mapping(facts, _MODEL_KEYS, where)
    block = facts.get("logical_block", 0)
    if block and block not in _BLOCKS:
        raise InputError("{0!r} is neither 512 nor 4096".format(block), subject=where + ".logical_block")
    firmware = facts.get("firmware", "")
    if not isinstance(firmware, str):
        raise InputError("{0!r} is not text; quote it".format(firmware), subject=where + ".firmware")
    units = whole(facts.get("unit_count", 0), 0, MOST_UNITS, where + ".unit_count")
    return ModelFacts(
        unit_count=units,
        unit_bytes=read_sizes(facts.get("unit_bytes", 0), units, where + ".unit_bytes"),
        logical_block=block,
        firmware=firmware,
    )
