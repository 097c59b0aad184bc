# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The state of a replacement, read from the pool, the labels on the drives, and the notes on the host."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Dict, List, Mapping, Optional, Sequence, Tuple

from ..declared import DeclaredDrive
from ..errors import InputError, Refusal
from ..host.replacement_notes import NotedLeaf, ReplacementNote
from ..host.run import settle
from ..model import Bay, Drive
from ..zfs.access import Access, Holding
from ..zfs.pools import read_pools, version
from ..zfs.resolve import Index, Pool, PoolMember, paths_in, resolve
from ..zfs.tree import PoolTree, Scan
from .places import Identity, Place, identified, places_of

Key = Tuple[str, int]


@dataclass(frozen=True)
class Wish:
    """The request to replace the drive *leave* (serial or bay) of a pool.

    *enter* is the new drive, by serial or bay; empty for whatever is put into the bay of the leaving one.
    *erase_serials*: the entering drive's serial, when its contents may be destroyed. *interrupt*: C(scrub),
    C(resilver). *least_margin*: how many further drive failures the worst vdev must survive meanwhile.
    *by_name*: new members are addressed by their unit names, which the role disk_inventory makes.
    """

    pool: str
    leave: str
    enter: str = ""
    declared: Tuple[DeclaredDrive, ...] = ()
    erase_serials: Tuple[str, ...] = ()
    interrupt: Tuple[str, ...] = ()
    least_margin: int = 0
    by_name: bool = False


@dataclass(frozen=True)
class View:
    """The situation.

    *stage*: C(idle) (nothing done yet), C(out) (the leaving units do not serve), C(entered) (the new drive is
    there), C(resilvering) (all its units are resilvering) or C(done). *hot*: the old drive serves until the new one, in
    another bay, is resilvered. *note* is what was, or is to be, noted of it.
    """

    tree: PoolTree
    pool: Pool
    drives: Tuple[Drive, ...]
    held: Mapping[Key, Holding]
    note: ReplacementNote
    places: Tuple[Place, ...]
    entering: Optional[Drive]
    noted: bool = False

    @property
    def hot(self) -> bool:
        """Whether the new drive is in another bay than the old one."""
        return self.note.hot

    @property
    def scan(self) -> Scan:
        """The pool's last or running scan."""
        return self.tree.scan or Scan()

    @property
    def leaving(self) -> str:
        """How messages name the leaving drive."""
        return "{0} (serial {1})".format(self.note.bay or "bay unknown", self.note.serial or "unknown")

    @property
    def here(self) -> Tuple[Drive, ...]:
        """The drives that sit in the leaving drive's bay now."""
        return tuple(drive for drive in self.drives if self.note.bay and bay_of(drive) == self.note.bay)

    @property
    def stage(self) -> str:
        """How far it is."""
        if not self.places:
            return "done"
        if all(place.incoming is not None for place in self.places):
            return "resilvering"
        if self.entering is not None:
            return "entered"
        serving = [place for place in self.places if place.leaving.state in ("ONLINE", "DEGRADED")]
        return "idle" if serving else "out"


def bay_of(drive: Drive) -> str:
    """A drive's bay label; empty where it is not known."""
    return drive.bay.label if drive.bay is not None else ""


def look(access: Access, wish: Wish) -> View:
    """Read the situation. Raises InputError when pool or member does not exist, Refusal when the pool is suspended."""
    zfs = version(access.run)
    settle(access.run)
    drives = tuple(access.drives())
    trees = {tree.name: tree for tree in read_pools(access.run, zfs)}
    tree = trees.get(wish.pool)
    if tree is None:
        raise InputError(
            "no pool of this name is imported",
            subject="pool {0}".format(wish.pool),
            remedy="Imported: {0}.".format(", ".join(sorted(trees)) or "none"),
        )
    if tree.state == "SUSPENDED":
        raise Refusal(
            "Pool {0} is suspended; nothing was changed.".format(tree.name),
            [tree.status or "OpenZFS reports no reason"],
            "Make its drives reachable again, then run `zpool clear {0}`.".format(tree.name),
        )
    held = access.labels()
    notes = [note for note in access.replacements() if note.pool_guid == tree.guid]
    index = Index(drives, wish.declared, access.nodes_of(paths_in([tree])))
    pool = identified(resolve(tree, index), _known(notes), _labelled(held, drives, tree.guid))
    return _View(wish, tree, pool, drives, held, notes).view()


def _known(notes: Sequence[ReplacementNote]) -> Dict[str, Identity]:
    known: Dict[str, Identity] = {}
    for note in notes:
        known.update({leaf.guid: Identity(note.serial, note.bay, leaf.index) for leaf in note.leaves})
        known.update({leaf.guid: Identity(note.entering, note.entering_bay, leaf.index) for leaf in note.entered})
    return known


def _labelled(held: Mapping[Key, Holding], drives: Sequence[Drive], pool_guid: str) -> Dict[str, Identity]:
    bays = {drive.serial: bay_of(drive) for drive in drives}
    return {
        one.label.guid: Identity(serial, bays.get(serial, ""), index)
        for (serial, index), one in held.items()
        if one.label.pool_guid in (pool_guid, "")
    }


@dataclass(frozen=True)
class _View:
    """Puts a `View` together."""

    wish: Wish
    tree: PoolTree
    pool: Pool
    drives: Tuple[Drive, ...]
    held: Mapping[Key, Holding]
    notes: Sequence[ReplacementNote]

    def view(self) -> View:
        note = self._begun()
        noted = note is not None
        if note is None:
            note = self._new()
        places = places_of(self.pool, note.serial, note.bay)
        if noted and not note.done:
            ours = {leaf.guid for leaf in note.leaves}
            places = tuple(place for place in places if place.leaving.guid in ours)
        if note.done:
            places = ()
        entering = self._entering(note)
        if entering is not None and not note.entering:
            note = replace(note, hot=self._is_hot(note, entering))
        return View(self.tree, self.pool, self.drives, self.held, note, places, entering, noted)

    # --- who leaves

    @property
    def _bay(self) -> str:
        """The bay that the wish names; empty when it names a serial."""
        return _bay_label(self.wish.leave)

    def _begun(self) -> Optional[ReplacementNote]:
        """The newest note about the drive that the wish names, unless it no longer applies."""
        bay = self._bay
        for note in reversed(self.notes):
            if (note.bay if bay else note.serial) == (bay or self.wish.leave):
                holds = self._still(note) if note.done else self._goes_on(note)
                return note if holds else None
        return None

    def _goes_on(self, note: ReplacementNote) -> bool:
        """Whether a replacement that was begun has been neither superseded nor undone by hand."""
        there = {member.guid for vdev in self.pool.vdevs for member in vdev.members}
        return bool(note.entering) or any(leaf.guid in there for leaf in note.leaves)

    def _still(self, note: ReplacementNote) -> bool:
        """Whether a replacement that was done is still what the wish asks for, so that the wish is not a new one."""
        if not self._bay:
            return not self._members(note.serial)
        here = [drive.serial for drive in self.drives if bay_of(drive) == note.bay]
        if note.hot:
            return not any(self._members(serial) for serial in here)
        members = self._members(note.entering)
        # A new drive that fails later is replaced like any other.
        return here == [note.entering] and bool(members) and all(member.serving for member in members)

    def _new(self) -> ReplacementNote:
        bay, serial = self._bay, "" if self._bay else self.wish.leave
        if bay:
            here = [drive.serial for drive in self.drives if bay_of(drive) == bay]
            serial = next((one for one in here if one and places_of(self.pool, one)), "")
            places = places_of(self.pool, serial, bay)
            serial = serial or next((place.leaving.serial for place in places), "")
        else:
            places = places_of(self.pool, serial)
            bay = self._where(serial, places)
        if not places:
            return self._not_a_member(serial, bay)
        leaves = tuple(NotedLeaf(place.leaving.guid, place.index, place.vdev) for place in places)
        return ReplacementNote(self.tree.guid, serial, bay, leaves)

    def _where(self, serial: str, places: Sequence[Place]) -> str:
        found = [bay_of(drive) for drive in self.drives if drive.serial == serial]
        declared = [one.bay for one in self.wish.declared if one.serial == serial]
        return next((bay for bay in [*found, *declared, *(place.leaving.bay for place in places)] if bay), "")

    def _not_a_member(self, serial: str, bay: str) -> ReplacementNote:
        entering = [drive for drive in self._named() if self._members(drive.serial)]
        if entering and not [drive for drive in self.drives if drive.serial == serial and self._members(serial)]:
            # Nothing was noted, but the old drive is not a member and the new one is: the replacement is done.
            new = entering[0]
            return ReplacementNote(
                self.tree.guid, serial, bay, (), entering=new.serial, entering_bay=bay_of(new), done=True
            )
        here = ", ".join(drive.label for drive in self.drives if bay_of(drive) == bay) if bay else ""
        raise InputError(
            "it is not a member of pool {0}".format(self.tree.name),
            subject=bay if self._bay else "serial {0}".format(serial),
            remedy="{0}Name a drive that has units in the pool; pool_info lists them.".format(
                "It holds {0}. ".format(here) if here else ""
            ),
        )

    def _members(self, serial: str) -> Tuple[PoolMember, ...]:
        return tuple(
            member for vdev in self.pool.vdevs for member in vdev.members if serial and member.serial == serial
        )

    # --- who enters

    def _named(self) -> List[Drive]:
        """The drives that the wish names as entering."""
        bay = _bay_label(self.wish.enter)
        return [
            drive
            for drive in self.drives
            if self.wish.enter and (bay_of(drive) == bay if bay else drive.serial == self.wish.enter)
        ]

    def _entering(self, note: ReplacementNote) -> Optional[Drive]:
        if note.entering:
            found = [drive for drive in self.drives if drive.serial == note.entering]
        elif self.wish.enter:
            found = self._named()
            self._refuse_empty(found, note)
        else:
            found = [drive for drive in self.drives if note.bay and bay_of(drive) == note.bay]
        others = [drive for drive in found if drive.serial != note.serial or not drive.serial]
        return others[0] if others else None

    def _refuse_empty(self, found: Sequence[Drive], note: ReplacementNote) -> None:
        bay = _bay_label(self.wish.enter)
        if bay and not found and bay != note.bay:
            raise InputError(
                "no drive was found in this bay",
                subject=bay,
                remedy="Insert the new drive, or leave out enter to replace the drive in its own bay.",
            )

    def _is_hot(self, note: ReplacementNote, entering: Drive) -> bool:
        leaving = [drive for drive in self.drives if drive.serial == note.serial]
        return bay_of(entering) != note.bay and bool(leaving or bay_of(entering))


def _bay_label(text: str) -> str:
    try:
        return Bay.parse(text).label
    except InputError:
        return ""
