# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Waits, for a limited time, until a person has exchanged the drive in a bay, and notices a wrong pull."""

from __future__ import annotations

import time
from typing import Callable, List, Optional, Sequence, Tuple

from ..errors import CoreError, HostError, Refusal
from ..host.run import settle
from ..model import Drive
from ..zfs.access import Access
from . import candidate
from .outcome import Outcome, unchanged
from .progress import progress
from .situation import View, Wish, bay_of, look

POLL = 2.0
# The units of a drive do not appear all at once.
_GRACE = 20.0


def await_drive(
    access: Access,
    wish: Wish,
    seconds: float,
    check_mode: bool,
    now: Callable[[], float] = time.monotonic,
    pause: Callable[[float], None] = time.sleep,
) -> Outcome:
    """Wait until another drive is in the leaving drive's bay, and check that it fits. Changes nothing.

    Raises Refusal when another member's drive is pulled instead or the new drive does not fit, HostError
    when *seconds* have passed.
    """
    view = look(access, wish)
    if view.hot or view.stage in ("done", "resilvering") or (check_mode and view.entering is None):
        return unchanged(view, progress(view.scan, time.time()))
    _refuse_gone_since(view)
    members, end, drives = _members(view), now() + seconds, view.drives
    while view.entering is None:
        if now() >= end:
            strangers = _strangers(view, drives)
            raise HostError(
                _still(view, drives, seconds) + strangers,
                subject=_place(view),
                remedy=_NAME_IT + _REMEDY if strangers else _REMEDY,
            )
        pause(POLL)
        drives = tuple(access.drives())
        _refuse_wrong_pull(view, members, drives)
        if _arrived(view, wish, drives):
            view = _settled(access, wish, now, pause)
    candidate.refuse_unfit(view, view.entering)
    return unchanged(view, progress(view.scan, time.time()))


_REMEDY = (
    "Exchange the drive, then run this again; it continues from here. To cancel, put the old drive back and run the"
    " step put_back (playbook: split_actuator_undo)."
)
_NAME_IT = "If that is the new drive, name its serial in enter, or set bay_map. "


def _place(view: View) -> str:
    return view.note.bay or view.leaving


def _still(view: View, drives: Sequence[Drive], seconds: float) -> str:
    if any(drive.serial == view.note.serial for drive in drives):
        return "the old drive (serial {0}) is still in place after {1:g} s".format(view.note.serial, seconds)
    return "no new drive was inserted within {0:g} s".format(seconds)


def _strangers(view: View, drives: Sequence[Drive]) -> str:
    """What to say of drives that could be the new one but whose bay is not known; empty when there are none."""
    ours = {member.serial for vdev in view.pool.vdevs for member in vdev.members} | {view.note.serial}
    found = [
        drive.serial
        for drive in drives
        if drive.serial not in ours and not bay_of(drive) and len(drive.units) >= max(2, len(view.places))
    ]
    return "; serial {0} is on the host, but its bay is not known".format(", ".join(sorted(found))) if found else ""


def _members(view: View) -> Tuple[Drive, ...]:
    """The drives on the host that the pool has units of, except the leaving one."""
    serials = {member.serial for vdev in view.pool.vdevs for member in vdev.members if member.serving}
    return tuple(drive for drive in view.drives if drive.serial in serials and drive.serial != view.note.serial)


def _refuse_gone_since(view: View) -> None:
    """Refuses when a member's drive was pulled between two runs."""
    if not view.noted:
        return
    there = {drive.serial for drive in view.drives}
    known = {"", view.note.serial, view.note.entering, *view.note.absent, *there}
    gone = {
        (member.bay, member.serial)
        for vdev in view.pool.vdevs
        for member in vdev.members
        if member.serial not in known and member.state != "OFFLINE"
    }
    if gone:
        raise _wrong_pull(
            view, ["{0} (serial {1})".format(bay or "bay unknown", serial) for bay, serial in sorted(gone)]
        )


def _refuse_wrong_pull(view: View, members: Sequence[Drive], drives: Sequence[Drive]) -> None:
    there = {drive.serial for drive in drives}
    gone = [drive.label for drive in members if drive.serial not in there]
    if gone:
        raise _wrong_pull(view, gone)


def _wrong_pull(view: View, gone: Sequence[str]) -> CoreError:
    pulled = ", ".join(gone)
    return Refusal(
        "The wrong drive was pulled: {0} is missing; the drive to pull is {1}.".format(pulled, view.leaving),
        ["the pool now lacks the units of {0} as well".format(pulled)],
        "Put {0} back into its bay at once and pull nothing else. Then run this again: it brings those units online,"
        " waits until they are resilvered, and continues.".format(pulled),
    )


def _arrived(view: View, wish: Wish, drives: Sequence[Drive]) -> bool:
    def is_it(drive: Drive) -> bool:
        if wish.enter and drive.serial == wish.enter:
            return True
        return bool(view.note.bay) and bay_of(drive) == view.note.bay and drive.serial != view.note.serial

    return any(is_it(drive) for drive in drives)


def _settled(access: Access, wish: Wish, now: Callable[[], float], pause: Callable[[float], None]) -> View:
    """The situation once all units of the new drive have appeared, or had the time to."""
    end = now() + _GRACE
    while True:
        settle(access.run)
        view = look(access, wish)
        if _complete(view) or now() >= end:
            return view
        pause(POLL)


def _complete(view: View) -> bool:
    entering: Optional[Drive] = view.entering
    if entering is None:
        return True
    shown: List[int] = [unit.index for unit in entering.units]
    return all(place.index in shown for place in view.places)
