# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The pools on a host's units that are not imported, and the layout of each. Pure.

This reads what the labels themselves say. `importing` decides whether such a pool may be imported.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import FrozenSet, Mapping, Optional, Sequence, Tuple

from ..declared import DeclaredDrive
from ..layout.promise import survives_drives, survives_enclosures
from ..model import Drive, Layout, Member, Vdev
from .labels import LabelVdev
from .membership import Candidate, Key, Labels, candidates, last_use, newest_tops
from .resolve import Index
from .standing import KnownUnits


@dataclass(frozen=True)
class OnUnits:
    """A pool that is not imported. *state*: C(active), C(exported) or C(destroyed); *last_used* in words."""

    name: str
    guid: str
    state: str
    last_used: str
    layout: Layout


def on_units(
    labels: Labels, drives: Sequence[Drive], declared: Sequence[DeclaredDrive], imported: FrozenSet[str]
) -> Tuple[OnUnits, ...]:
    """The pools that labels name, except those whose GUID is among *imported*; by name and GUID."""
    reader = _Reader(drives, declared)
    found = [one for guid, one in candidates(labels).items() if guid not in imported]
    return tuple(
        OnUnits(one.newest.name, one.guid, one.newest.state, last_use(one), reader.layout(one))
        for one in sorted(found, key=lambda one: (one.newest.name, one.guid))
    )


class _Reader:
    def __init__(self, drives: Sequence[Drive], declared: Sequence[DeclaredDrive]) -> None:
        self._index = Index(drives, declared, {})
        self._data = {drive.serial for drive in declared if drive.use == "data"}
        self._known = KnownUnits(drives, declared)

    def layout(self, pool: Candidate) -> Layout:
        """The data vdevs: no logs, and where drives are declared for data, only vdevs with such a drive."""
        holders = {label.guid: key for key, label in pool.labels.items()}
        tops = newest_tops(pool)
        vdevs = [self._vdev(tree, holders) for _guid, tree in sorted(tops.items()) if not tree.is_log]
        data = [vdev for vdev in vdevs if not self._data or any(one.serial in self._data for one in vdev.members)]
        ordered = tuple(sorted(data, key=lambda vdev: [(one.bay, one.index) for one in vdev.members]))
        return Layout(
            vdevs=ordered,
            survives_drives=survives_drives(ordered),
            survives_enclosures=survives_enclosures(ordered),
        )

    def _vdev(self, tree: LabelVdev, holders: Mapping[str, Key]) -> Vdev:
        members = tuple(self._member(place, holders) for place in tree.places)
        if not tree.children:
            return Vdev("stripe", 0, members)
        parity = tree.nparity if tree.kind != "mirror" else len(members) - 1
        return Vdev(tree.kind, parity, members, tree.data, tree.spares)

    def _member(self, place: LabelVdev, holders: Mapping[str, Key]) -> Member:
        """The unit of a place. While it holds several, the first one found counts: it is the outgoing one."""
        here = [holders[leaf.guid] for leaf in place.leaves if leaf.guid in holders]
        key = here[0] if here else self._spelled(place)
        if key is None:
            # Its drive is missing and no declared drive has its name: an empty place, by the label's own GUID.
            return Member(place.guid, -1)
        return self._known.member(key, self._index.bay(key[0]))

    def _spelled(self, place: LabelVdev) -> Optional[Key]:
        found = Counter(key for key in (self._index.find(leaf.path) for leaf in place.leaves) if key)
        return found.most_common(1)[0][0] if found else None
