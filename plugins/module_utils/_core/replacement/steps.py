# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The steps of replacing a drive. Each looks, decides, shows, acts and verifies, and can be run again at any time."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Dict, List, Sequence, Tuple

from ..errors import CoreError, HostError, Refusal
from ..host.replacement_notes import NotedLeaf, ReplacementNote
from ..host.run import Command, carry_out
from ..model import Drive, Unit
from ..names import DIRECTORY, unit_name
from ..partition import actions as split
from ..zfs import erase
from ..zfs.access import Access
from ..zfs.resolve import PoolMember
from . import candidate, passes, places, risk
from .outcome import Outcome, picture, status, unchanged
from .progress import Progress, progress
from .situation import View, Wish, bay_of, look


def _progress(view: View) -> Progress:
    return progress(view.scan, time.time())


def plan(access: Access, wish: Wish) -> Outcome:
    """Everything that is left to do, without doing any of it. Raises Refusal where the replacement would be refused."""
    view = look(access, wish)
    if view.stage in ("done", "resilvering"):
        return unchanged(view, _progress(view))
    commands = () if view.hot else _out(view, wish)
    entering: Tuple[Command, ...] = ()
    if view.entering is not None and (view.hot or view.stage == "entered"):
        entering = _entry(access, view, wish, view.entering, check_mode=True)
    elif wish.by_name and view.note.bay:
        paths = {place.index: _named(view.note.bay, place.index) for place in view.places}
        entering = passes.plan(access.run, wish.pool, view.places, paths)
    after = {place.index: "unit {0} of the new drive".format(place.index) for place in view.places}
    return Outcome(
        True,
        (*commands, *entering),
        picture(view, {}),
        picture(view, after),
        status(view, _progress(view)),
        view.entering,
    )


def take_out(access: Access, wish: Wish, check_mode: bool) -> Outcome:
    """Take the leaving units out of service, so that the drive can be pulled."""
    view = look(access, wish)
    if view.hot or view.stage not in ("idle", "out"):
        if view.stage == "entered" and not (view.hot or view.noted or check_mode):
            # Changed before the first run: once the new drive is declared, only the note knows which drive left.
            access.note_replacement(_absent(view))
        return unchanged(view, _progress(view))
    view, back = _bring_back(access, wish, view, check_mode)
    commands = _out(view, wish)
    before = picture(view, {})
    if not commands:
        if not view.noted and not check_mode:
            access.note_replacement(_absent(view))
        return replace(unchanged(view, _progress(view)), changed=bool(back), commands=back)
    after = picture(view, {place.index: "serial {0}, OFFLINE".format(place.leaving.serial) for place in view.places})
    if not check_mode:
        access.note_replacement(_absent(view))
        carry_out(access.run, commands)
        view = look(access, wish)
        left = [place.leaving.name for place in view.places if place.leaving.state in ("ONLINE", "DEGRADED")]
        if left:
            raise CoreError("{0} did not go offline".format(", ".join(left)), subject=view.leaving)
    return Outcome(True, (*back, *commands), before, after, status(view, _progress(view)))


def _absent(view: View) -> ReplacementNote:
    """The note of a replacement that begins, with the drives that the pool lacks already."""
    there = {drive.serial for drive in view.drives}
    members = {member.serial for vdev in view.pool.vdevs for member in vdev.members}
    return replace(view.note, absent=tuple(sorted(members - there - {"", view.note.serial})))


def _out(view: View, wish: Wish) -> Tuple[Command, ...]:
    """The commands that take the leaving units out; refuses where the pool would not survive that."""
    if view.stage not in ("idle", "out"):
        return ()
    so_far = _progress(view)
    commands = places.offline(wish.pool, view.places)
    if commands:
        risk.refuse_too_many_out(view.pool, view.places, view.scan, wish.least_margin, so_far)
        risk.refuse_scan(view.pool, view.places, view.scan, wish.interrupt, so_far)
    return commands


def returned(view: View) -> Tuple[PoolMember, ...]:
    """Members that OpenZFS gave up although their drive is on the host again, without those of the leaving drive.

    A wrong pull that was undone leaves such members. What a person took offline stays offline.
    """
    there = {one.label.guid for one in view.held.values()}
    leaving = {place.leaving.guid for place in view.places}
    return tuple(
        member
        for vdev in view.pool.vdevs
        for member in vdev.members
        if member.state in ("REMOVED", "UNAVAIL") and member.guid in there and member.guid not in leaving
    )


def _bring_back(access: Access, wish: Wish, view: View, check_mode: bool) -> Tuple[View, Tuple[Command, ...]]:
    """Bring returned members online and wait until they are resilvered, a minute at most."""
    commands = places.online(wish.pool, returned(view))
    if commands and not check_mode:
        carry_out(access.run, commands)
        for dummy in range(30):
            view = look(access, wish)
            if not returned(view) and not view.scan.running:
                break
            time.sleep(2)
    return view, commands


def put_in(access: Access, wish: Wish, check_mode: bool) -> Outcome:
    """Put the entering drive's units into the places, all in one pass. Raises Refusal when the drive does not fit."""
    view = look(access, wish)
    if view.stage == "done":
        return unchanged(view, _progress(view))
    if view.stage == "resilvering":
        return _joined(access, wish, view, check_mode)
    if view.entering is None:
        if check_mode:
            return replace(plan(access, wish), commands=_expected(access, view, wish))
        raise HostError(
            "no new drive is in this bay yet" if view.note.bay else "the new drive is not on the host",
            subject=view.note.bay or view.leaving,
            remedy="Insert the new drive, then run this again.",
        )
    drive = view.entering
    commands = _entry(access, view, wish, drive, check_mode)
    before = picture(view, {})
    after = picture(
        view, {place.index: "{0}, unit {1} resilvering".format(drive.label, place.index) for place in view.places}
    )
    if check_mode:
        return Outcome(True, commands, before, after, status(view, _progress(view)), drive)
    note = replace(
        view.note,
        entering=drive.serial,
        entering_bay=bay_of(drive),
        wwns=tuple(unit.wwn for unit in drive.units if unit.wwn),
        hot=view.hot,
    )
    access.note_replacement(note)
    _carry_out(access, view, wish, drive, commands)
    view = _in_one_pass(access, wish)
    wrong = [place.leaving.name for place in view.places if place.incoming is None]
    if wrong:
        raise CoreError(
            "{0} is not resilvering".format(", ".join(wrong)), subject=view.leaving, remedy="Run this again."
        )
    access.note_replacement(replace(note, entered=_entered(view)))
    return Outcome(True, commands, before, after, status(view, _progress(view)), drive)


def _in_one_pass(access: Access, wish: Wish) -> View:
    """The situation once the new pass has begun, half a minute at most: it does so with the pool's next transaction."""
    view = look(access, wish)
    for dummy in range(15):
        if not any(place.incoming.put_off for place in view.places if place.incoming):
            break
        time.sleep(2)
        view = look(access, wish)
    return view


def _entered(view: View) -> Tuple[NotedLeaf, ...]:
    """The leaves of the entering drive, so that they are known when it is removed one day."""
    return tuple(
        NotedLeaf(member.guid, member.index, vdev.name)
        for vdev in view.pool.vdevs
        for member in vdev.members
        if member.serial and member.serial == view.note.entering
    )


def _joined(access: Access, wish: Wish, view: View, check_mode: bool) -> Outcome:
    """Where all places have a new member, but one was deferred by an interruption, resilver them in one pass."""
    put_off = any(place.incoming.put_off for place in view.places if place.incoming)
    commands = (places.one_pass(wish.pool),) if put_off and passes.puts_off(access.run, wish.pool) else ()
    if commands and not check_mode:
        carry_out(access.run, commands)
    return replace(unchanged(view, _progress(view)), changed=bool(commands), commands=commands)


def _expected(access: Access, view: View, wish: Wish) -> Tuple[Command, ...]:
    if not wish.by_name or not view.note.bay:
        return ()
    return passes.plan(
        access.run, wish.pool, view.places, {place.index: _named(view.note.bay, place.index) for place in view.places}
    )


def _named(bay: str, index: int) -> str:
    return "{0}/{1}".format(DIRECTORY, unit_name(bay, index))


def _entry(access: Access, view: View, wish: Wish, drive: Drive, check_mode: bool) -> Tuple[Command, ...]:
    """Every command to put a drive in, from clearing it on; refuses a drive that does not fit."""
    so_far = _progress(view)
    candidate.refuse_unfit(view, drive)
    risk.refuse_scan(view.pool, view.places, view.scan, wish.interrupt, so_far)
    commands: List[Command] = []
    if view.scan.running and view.scan.function == "scrub":
        commands.append(Command(("zpool", "scrub", "-s", wish.pool), "end the scrub"))
    if candidate.is_unsplit(drive):
        commands += split.ensure_split(access, _splitting(wish, drive), True).commands
    else:
        commands += _clearing(access, view, wish, drive)
    commands += places.release(wish.pool, candidate.spares_of(view, drive))
    paths = _paths(view, wish, drive, expected=check_mode or candidate.is_unsplit(drive))
    return (*commands, *passes.plan(access.run, wish.pool, view.places, paths))


def _splitting(wish: Wish, drive: Drive) -> split.Wish:
    return split.Wish((drive.serial,), tuple(one for one in wish.erase_serials if one == drive.serial))


def _clearing(access: Access, view: View, wish: Wish, drive: Drive) -> List[Command]:
    units = candidate.wanted_units(view, drive)
    contents = access.contents([(drive.serial, index) for index in units])
    halves = access.half_made([unit for unit in units.values() if unit.unit_kind != "range"])
    keys = candidate.refuse_contents(view, drive, contents, halves, wish.erase_serials)
    commands: List[Command] = []
    for _serial, index in keys:
        unit, subject = units[index], "{0} unit {1}".format(drive.label, index)
        if unit.unit_kind == "range":  # its table is what splits the drive
            commands += erase.clear_labels(unit.node, 0, unit.size, subject)
            commands.append(Command(("wipefs", "--all", unit.node), "clear signatures of {0}".format(subject)))
        else:
            commands += erase.commands(unit.node, access.partitions(unit), unit.size, subject)
    return commands


def _paths(view: View, wish: Wish, drive: Drive, expected: bool) -> Dict[int, str]:
    units = candidate.wanted_units(view, drive)
    if not wish.by_name:
        nameless = [str(index) for index, unit in units.items() if not _link(unit) and not expected]
        if nameless:
            raise Refusal(
                "{0} cannot be addressed; nothing was changed.".format(drive.label),
                ["unit {0} has no stable device name".format(index) for index in nameless],
                "Run drive_info to see what the host shows of it.",
            )
        return {index: _link(unit) or unit.node for index, unit in units.items()}
    bay = bay_of(drive)
    paths = {index: _named(bay, index) for index in units} if bay else {}
    wrong = [path for index, path in paths.items() if not expected and path not in units[index].links]
    if wrong or not bay:
        raise Refusal(
            "The units of {0} do not have their names yet; nothing was changed.".format(drive.label),
            ["{0} does not point to it".format(path) for path in wrong] or ["its bay is not known"],
            "Declare the drive (the playbook survey drafts the entry), then run the role disk_inventory.",
        )
    return paths


def _link(unit: Unit) -> str:
    return unit.links[0] if unit.links else ""


def _carry_out(access: Access, view: View, wish: Wish, drive: Drive, commands: Sequence[Command]) -> None:
    """Run the commands; those that write to the entering drive finish before its units are addressed."""
    first = [one for one in commands if one.argv[:2] not in (("zpool", "replace"), ("zpool", "resilver"))]
    rest = [one for one in commands if one not in first]
    if candidate.is_unsplit(drive):
        ending = [one for one in first if one.argv[0] == "zpool"]
        if ending:
            carry_out(access.run, ending)
        split.ensure_split(access, _splitting(wish, drive), False)
        found = next((one for one in access.drives() if one.serial == drive.serial), drive)
        _paths(view, wish, found, expected=False)
    elif first:
        carry_out(access.run, first)
    passes.start(access, rest)


def follow(access: Access, wish: Wish, seconds: float, check_mode: bool) -> Outcome:
    """Watch the resilver for *seconds* at most; once it is done, verify that each unit is where it belongs."""
    end = time.monotonic() + seconds
    view = look(access, wish)
    while view.stage == "resilvering" and not check_mode and time.monotonic() < end:
        time.sleep(min(5.0, max(0.5, end - time.monotonic())))
        view = look(access, wish)
    if view.stage != "done":
        return unchanged(view, _progress(view))
    _verify(view)
    if view.noted and not view.note.done and not check_mode:
        access.note_replacement(replace(view.note, done=True, entered=_entered(view)))
    return unchanged(view, _progress(view))


def _verify(view: View) -> None:
    """Raises CoreError when a unit of the entering drive is not where the unit of the same index was."""
    note = view.note
    wrong: List[str] = []
    for leaf in note.leaves:
        homes = [
            vdev.name
            for vdev in view.pool.vdevs
            for slot in vdev.slots
            if (slot.members[0].serial, slot.members[0].index) == (note.entering, leaf.index)
        ]
        if homes != [leaf.vdev]:
            wrong.append(
                "unit {0} of serial {1} belongs in {2}, but is in {3}".format(
                    leaf.index, note.entering or "unknown", leaf.vdev, ", ".join(homes) or "no vdev"
                )
            )
    if wrong and not note.done:
        raise CoreError(
            "units are not in the vdevs where the replacement should have put them: {0}".format("; ".join(wrong)),
            subject=view.leaving,
            remedy="Run pool_info to see where each unit is.",
        )


def put_back(access: Access, wish: Wish, check_mode: bool) -> Outcome:
    """Cancel a replacement: bring the leaving units online, and detach what was put in their places."""
    view = look(access, wish)
    if view.stage == "done" or not view.noted:
        return unchanged(view, _progress(view))
    there = {one.label.guid for one in view.held.values()}
    absent = [place.leaving.name for place in view.places if place.leaving.guid not in there]
    if absent:
        raise HostError(
            "{0} {1} not on the host".format(", ".join(absent), "is" if len(absent) == 1 else "are"),
            subject=view.leaving,
            remedy="Put the drive back into its bay, then run this again.",
        )
    offline = [place.leaving for place in view.places if place.leaving.state not in ("ONLINE", "DEGRADED")]
    resilvering = [place.incoming for place in view.places if place.incoming is not None]
    commands = (*places.online(wish.pool, offline), *(places.detach(wish.pool, one) for one in resilvering))
    before = picture(view, {})
    after = picture(view, {place.index: "serial {0}, ONLINE".format(place.leaving.serial) for place in view.places})
    if not check_mode:
        if commands:
            carry_out(access.run, commands)
        access.forget_replacement(view.note)
        view = look(access, wish)
    return Outcome(
        bool(commands), commands, before if commands else "", after if commands else "", status(view, _progress(view))
    )
