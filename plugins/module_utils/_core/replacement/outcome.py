# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""What a step of a replacement did, as data and as text. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Mapping, Optional, Sequence, Tuple

from ..host.run import Command
from ..model import Drive
from . import risk
from .progress import Progress
from .situation import View, bay_of


@dataclass(frozen=True)
class PlaceStatus:
    """A place of the leaving drive: vdev, unit index, state of its member, state of the member that replaces it."""

    vdev: str
    index: int
    leaving: str
    resilvering: str


@dataclass(frozen=True)
class Status:
    """The state of a replacement. *margin_without* is the margin while the leaving units are out of service."""

    stage: str
    way: str
    leaving_serial: str
    leaving_bay: str
    entering_serial: str
    entering_bay: str
    places: Tuple[PlaceStatus, ...]
    margin: int
    margin_without: int
    progress: Progress
    notes: Tuple[str, ...] = ()


@dataclass(frozen=True)
class Outcome:
    """What was, or in check mode would be, done. *before* and *after* are text for a diff."""

    changed: bool
    commands: Tuple[Command, ...]
    before: str
    after: str
    status: Status
    entering: Optional[Drive] = None


def status(view: View, progress: Progress, notes: Sequence[str] = ()) -> Status:
    """The situation for people and playbooks."""
    entering = view.entering
    return Status(
        stage=view.stage,
        way="hot" if view.hot else "in_place",
        leaving_serial=view.note.serial,
        leaving_bay=view.note.bay,
        entering_serial=view.note.entering or (entering.serial if entering else ""),
        entering_bay=view.note.entering_bay or (bay_of(entering) if entering else ""),
        places=tuple(
            PlaceStatus(place.vdev, place.index, place.leaving.state, place.incoming.state if place.incoming else "")
            for place in view.places
        ),
        margin=risk.margin_without(view.pool, ()),
        margin_without=risk.margin_without(view.pool, view.places),
        progress=progress,
        notes=(*risk.siblings_words(view.places), *notes),
    )


def unchanged(view: View, progress: Progress, notes: Sequence[str] = ()) -> Outcome:
    """The outcome of a step with nothing to do."""
    return Outcome(False, (), "", "", status(view, progress, notes), view.entering)


def picture(view: View, states: Mapping[int, str]) -> str:
    """The places as text, each with the state that *states* gives its unit index, else as it is."""
    return "".join(
        "{0} {1}: {2}\n".format(place.vdev, place.leaving.name, states.get(place.index, as_found(view, place.index)))
        for place in view.places
    )


def as_found(view: View, index: int) -> str:
    """What is in the place of a unit index now."""
    place = next(one for one in view.places if one.index == index)
    text = "serial {0}, {1}".format(place.leaving.serial or "unknown", place.leaving.state)
    return "{0}, being replaced by {1}".format(text, place.incoming.name) if place.incoming else text
