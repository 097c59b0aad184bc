# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Grows a pool to its layout: adds vdevs of the same shape, and expands vdevs whose members are all larger now.

No member moves, and nothing is added that would make the pool survive less than it does.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Dict, List, Mapping, Sequence, Tuple

from ..errors import CoreError, HostError, Refusal
from ..host.run import Command, carry_out, checked, settle
from ..layout.promise import survives_drives, survives_enclosures
from ..model import Drive, Layout, Unit, Vdev
from . import argv, build, fitting
from . import support as beside
from .access import Access, Holding
from .actions import Outcome, Wish, lost_race, picture, prepared
from .current import current_pools
from .enlarging import Enlarged, enlarged
from .pools import ZfsVersion, version
from .resolve import Pool
from .standing import layout_of


@dataclass(frozen=True)
class Report:
    """What was done, besides the outcome: vdevs *added* (shape and units) and *expanded* (names and bytes).

    *waiting* has a line for each vdev with some larger members: what it waits for.
    """

    outcome: Outcome
    added: Tuple[str, ...] = ()
    expanded: Tuple[str, ...] = ()
    waiting: Tuple[str, ...] = ()


@dataclass(frozen=True)
class _Look:
    """One look at the host."""

    zfs: ZfsVersion
    drives: Sequence[Drive]
    pool: Pool
    now: Layout
    held: Mapping[build.Key, Holding]


def ensure_grown(access: Access, wish: Wish, check_mode: bool) -> Report:
    """Add the vdevs of the layout that the pool lacks, and expand those whose members are all larger.

    Raises Refusal, with nothing changed, when the pool is suspended or differs from the layout, when a new vdev would
    weaken it, or when a unit of a new vdev is absent or not empty.
    """
    argv.pool_name(wish.pool)
    look = _look(access, wish)
    new = further(look.pool, wish.layout)
    wrong = beside.differences(look.pool, wish.support)
    if wrong:
        raise Refusal("Pool {0} has other supporting vdevs; nothing was changed.".format(wish.pool), wrong, _CORRECT)
    refuse_weaker(look.now, new)
    build.refuse_siblings(Layout(new), wish.allow_siblings)
    growth = _growth(access, look.pool, look.now, look.drives, look.held)
    expanding = _expanding(wish.pool, growth)
    adding = _adding(access, wish, new, look.drives, check_mode)
    commands = (*expanding, *adding.commands)
    after = Layout((*look.now.vdevs, *new), look.now.spares)
    outcome = Outcome(
        bool(commands),
        commands,
        _lines(wish.pool, look.now, growth.before),
        _lines(wish.pool, after, growth.after),
        None if commands and not check_mode else look.pool,
    )
    if commands and not check_mode:
        outcome = replace(outcome, pool=_act(access, wish, look, expanding, adding))
    return Report(
        outcome,
        tuple("{0}: {1}".format(vdev.keyword or "stripe", _names(vdev)) for vdev in new),
        tuple(growth.after),
        growth.waiting,
    )


_CORRECT = "Correct the declared inventory or policy. Growing a pool does not change its supporting vdevs."


def _look(access: Access, wish: Wish) -> _Look:
    zfs = version(access.run)
    settle(access.run)
    drives = access.drives()
    pools = {pool.name: pool for pool in current_pools(access, zfs, drives, wish.declared)}
    pool = pools.get(wish.pool)
    if pool is None:
        raise HostError(
            "the pool is not imported, so it cannot grow",
            subject="pool {0}".format(wish.pool),
            remedy="Import it, or create it with state: present.",
        )
    if pool.suspended:
        raise Refusal(
            "Pool {0} is suspended; nothing was changed.".format(pool.name),
            [pool.status or "OpenZFS gives no reason"],
            "Bring its drives back, then run `zpool clear {0}`.".format(pool.name),
        )
    return _Look(zfs, drives, pool, layout_of(pool, drives, wish.declared), access.labels())


def further(pool: Pool, layout: Layout) -> Tuple[Vdev, ...]:
    """The vdevs of the layout that the pool lacks. Refuses when the pool has a vdev that the layout does not have."""
    here = {frozenset(build.keys_of(vdev)) for vdev in pool.vdevs if vdev.group == "data"}
    wrong = build.differences(pool, replace(layout, vdevs=tuple(v for v in layout.vdevs if build.places(v) in here)))
    taken = {key for keys in here for key in keys}
    new = [vdev for vdev in layout.vdevs if build.places(vdev) not in here]
    for vdev in new:
        both = sorted(build.places(vdev) & taken)
        if both:
            wrong += tuple("{0} unit {1}: already a member of another vdev".format(*key) for key in both)
    if wrong:
        raise Refusal(
            "The layout does not contain pool {0} as it is; nothing was changed.".format(pool.name),
            wrong,
            "Plan again, with placed set to the layout that pool_info returns: no member of a pool moves.",
        )
    return tuple(new)


def refuse_weaker(now: Layout, new: Sequence[Vdev]) -> None:
    """Refuses vdevs with which the pool would survive fewer failures than it does, or that are of another kind.

    Computed from the members: how many whole drives, and enclosures, may fail, whichever they are.
    """
    shapes = {(vdev.kind, vdev.parity) for vdev in now.vdevs}
    reasons = []
    for vdev in new:
        name = "{0} of {1}".format(vdev.keyword or "stripe", _names(vdev))
        if shapes and (vdev.kind, vdev.parity) not in shapes:
            has = ", ".join(sorted({old.keyword or "stripe" for old in now.vdevs}))
            reasons.append("{0}: the pool has {1}; OpenZFS refuses to add vdevs of another type".format(name, has))
        for what, count in (("drive", survives_drives), ("enclosure", survives_enclosures)):
            survives, had = count([vdev]), count(now.vdevs)
            if survives < had:
                reasons.append("{0}: {1} failures survived: {2} (the pool: {3})".format(name, what, survives, had))
    if reasons:
        raise Refusal(
            "The new vdevs would make the pool less safe; nothing was changed.",
            reasons,
            "Losing one vdev loses the pool. Plan again with the policy that the pool was built with.",
        )


def _growth(
    access: Access, pool: Pool, now: Layout, drives: Sequence[Drive], held: Mapping[build.Key, Holding]
) -> Enlarged:
    units = [unit for drive in drives for unit in drive.units if unit.unit_kind != "range"]
    fitted = {unit.node: fitting.own_partition(access, unit) for unit in units}
    return enlarged(
        pool, now, held, access.half_made(units), {node: part for node, part in fitted.items() if part is not None}
    )


def _expanding(pool: str, growth: Enlarged) -> List[Command]:
    commands = list(growth.moving)
    commands += [
        Command(argv.expand(pool, members), "expand {0} to the full size of its members".format(name))
        for name, members in growth.members
    ]
    # The next run reads the result from the labels, which are written with the next transaction group.
    return [*commands, Command(("zpool", "sync", pool), "write the new size to the labels")] if commands else []


@dataclass(frozen=True)
class _Adding:
    """What adds vdevs: the commands that prepare their units (*writing*), the one that adds them, their units."""

    writing: Tuple[Command, ...] = ()
    making: Tuple[Command, ...] = ()
    units: Mapping[build.Key, Unit] = field(default_factory=dict)
    paths: Mapping[build.Key, str] = field(default_factory=dict)
    fitting: fitting.Fitting = field(default_factory=fitting.Fitting)

    @property
    def commands(self) -> Tuple[Command, ...]:
        return (*self.writing, *self.making)


def _adding(access: Access, wish: Wish, new: Sequence[Vdev], drives: Sequence[Drive], check_mode: bool) -> _Adding:
    layout = Layout(tuple(new))
    if not new:
        return _Adding()
    units = build.units_of(layout, drives)
    wanted = fitting.fitting(access, layout, units)
    writing, asking = prepared(access, wish, layout, units, wanted)
    found = build.paths_as_found(units)
    paths = {**found, **build.paths_by_name(layout, units, expected=check_mode)} if wish.by_name else found
    paths = wanted.paths(paths)
    ashift = checked(access.run, ("zpool", "get", "-H", "-p", "-o", "value", "ashift", wish.pool)).strip()
    ashift = "" if ashift in ("0", "-") else ashift

    def whole(part: Layout, devices: Mapping[build.Key, str]) -> Sequence[str]:
        return argv.add(wish.pool, part.vdevs, devices, ashift, dry_run=True)

    def apart(part: Layout, devices: Mapping[build.Key, str]) -> Sequence[str]:
        # Not with zpool add: OpenZFS would refuse single devices because the pool has other vdevs.
        return argv.create(wish.pool, part.vdevs, devices, {}, {"mountpoint": "none"}, dry_run=True)

    if asking:
        wanted.ask(access.run, layout, found, whole, apart)
    making = Command(argv.add(wish.pool, new, paths, ashift), "add vdevs to pool {0}".format(wish.pool))
    return _Adding(tuple(writing), (making,), units, paths, wanted)


def _act(access: Access, wish: Wish, look: _Look, expanding: Sequence[Command], adding: _Adding) -> Pool:
    if expanding:
        carry_out(access.run, expanding)
    if adding.commands:
        with access.creation(wish.pool, [unit.wwn for unit in adding.units.values()]):
            fitting.fit(access, adding.fitting, adding.writing, adding.paths)
            carry_out(access.run, adding.making if adding.fitting.larger else adding.commands, lost_race)
    drives = access.drives()
    pools = {pool.name: pool for pool in current_pools(access, look.zfs, drives, wish.declared)}
    if wish.pool not in pools:
        raise CoreError("the pool is no longer imported", subject="pool {0}".format(wish.pool))
    pool = pools[wish.pool]
    lacking = ["vdev of {0}".format(_names(vdev)) for vdev in further(pool, wish.layout)]
    growth = _growth(access, pool, layout_of(pool, drives, wish.declared), drives, access.labels())
    lacking += ["larger size of {0}".format(name) for name, _members in growth.members]
    if lacking:
        raise CoreError(
            "the commands succeeded, but the pool still lacks: {0}".format("; ".join(lacking)),
            subject="pool {0}".format(wish.pool),
        )
    return pool


def _names(vdev: Vdev) -> str:
    return " ".join(member.name for member in vdev.members)


def _lines(pool: str, layout: Layout, sizes: Sequence[str]) -> str:
    settings: Dict[str, str] = {}
    return picture(pool, layout, settings, settings) + "".join("  {0}\n".format(line) for line in sizes)
