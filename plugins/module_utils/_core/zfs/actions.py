# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Creates a pool from its layout, or verifies it: read, decide, show, act, verify."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Dict, List, Mapping, Optional, Sequence, Tuple

from ..declared import DeclaredDrive
from ..errors import CommandError, CoreError, Refusal
from ..host.run import Command, Runner, carry_out, checked, settle
from ..model import Drive, Layout, Unit
from ..trial.gate import refuse_untried
from . import argv, build, erase, fitting
from . import support as beside
from .access import Access
from .current import current_pools
from .pools import ZfsVersion, version
from .resolve import Pool
from .support import Support

_RACE = ("one or more devices is currently unavailable", "failed to detect device partitions")
# By zpool's subcommand. In a replacement, libzfs reports the ENOENT of a device as "no such pool or dataset".
_RACES = {"create": _RACE, "add": _RACE, "replace": (*_RACE, "no such device in", "no such pool or dataset")}


@dataclass(frozen=True)
class Wish:
    """What the pool should be.

    A setting of None removes this collection's default. *by_name*: members are addressed by
    their unit names, which the role disk_inventory makes. *require_trial* is the worst trial verdict
    that a drive may have when a pool is created: C(accept), C(look), or C(none) for no trial.
    """

    pool: str
    layout: Layout
    declared: Tuple[DeclaredDrive, ...] = ()
    pool_settings: Mapping[str, Optional[str]] = field(default_factory=dict)
    root_settings: Mapping[str, Optional[str]] = field(default_factory=dict)
    erase_serials: Tuple[str, ...] = ()
    allow_siblings: bool = False
    support: Tuple[Support, ...] = ()
    by_name: bool = False
    require_trial: str = "none"


@dataclass(frozen=True)
class Outcome:
    """What was, or in check mode would be, done. *before* and *after* are text for a diff."""

    changed: bool
    commands: Tuple[Command, ...]
    before: str
    after: str
    pool: Optional[Pool] = None


def ensure_present(access: Access, wish: Wish, check_mode: bool) -> Outcome:
    """Create the pool from the layout, or change an existing pool's settings to the requested ones.

    Raises Refusal when an existing pool differs from the layout, or when a unit is absent or
    not empty; nothing has been changed then.
    """
    argv.pool_name(wish.pool)
    build.refuse_siblings(wish.layout, wish.allow_siblings)
    beside.refuse_weak(wish.support, wish.layout.vdevs)
    zfs = version(access.run)
    settle(access.run)
    drives = access.drives()
    pools = {pool.name: pool for pool in current_pools(access, zfs, drives, wish.declared)}
    if wish.pool in pools:
        return _converge(access, wish, pools[wish.pool], check_mode)
    return _create(access, wish, zfs, drives, check_mode)


def _create(access: Access, wish: Wish, zfs: ZfsVersion, drives: Sequence[Drive], check_mode: bool) -> Outcome:
    if wish.require_trial != "none":
        refuse_untried(build.members_of(wish.layout), access.trials(), wish.require_trial)
    layout = replace(wish.layout, support=beside.resolve(wish.support, drives))
    units = build.units_of(layout, drives)
    wanted = fitting.fitting(access, layout, units)
    writing, asking = prepared(access, wish, layout, units, wanted)
    pool_settings = build.with_defaults(build.POOL_DEFAULTS, wish.pool_settings)
    root_settings = build.with_defaults(build.ROOT_DEFAULTS, wish.root_settings)
    found = build.paths_as_found(units)
    paths = {**found, **build.paths_by_name(wish.layout, units, expected=check_mode)} if wish.by_name else found
    paths = wanted.paths(paths)
    making = build.create_command(wish.pool, layout, paths, pool_settings, root_settings)

    def trial(part: Layout, devices: Mapping[build.Key, str]) -> Sequence[str]:
        return build.create_command(wish.pool, part, devices, pool_settings, root_settings, dry_run=True).argv

    if asking:
        wanted.ask(access.run, layout, found, trial, trial)
    commands = (*writing, making)
    before, after = _absent(wish.pool), picture(wish.pool, layout, pool_settings, root_settings)
    if check_mode:
        return Outcome(True, commands, before, after)
    with access.creation(wish.pool, [unit.wwn for unit in units.values()]):
        fitting.fit(access, wanted, writing, paths)
        carry_out(access.run, [making] if wanted.larger else commands, lost_race)
        pool = _verified(access, wish, zfs)
    return Outcome(True, commands, before, after, pool)


def prepared(
    access: Access, wish: Wish, layout: Layout, units: Mapping[build.Key, Unit], wanted: fitting.Fitting
) -> Tuple[List[Command], bool]:
    """The commands that prepare the units of a layout, and whether a dry run is possible on them as they are.

    Refuses when anything is found on a unit whose drive is not listed for erasing.
    """
    contents = build.forgive(access.contents(units), units, access.begun(wish.pool), access.half_made(units.values()))
    keys = build.refuse_contents(layout, wanted.contents(contents), wish.erase_serials)
    clearing = [*wanted.clearing(keys), *erasing(access, layout, units, keys)]
    return [*clearing, *wanted.commands(keys)], not clearing


def erasing(
    access: Access, layout: Layout, units: Mapping[build.Key, Unit], keys: Sequence[build.Key]
) -> List[Command]:
    """The commands that clear these units of the layout."""
    members = {argv.key_of(member): member for member in build.members_of(layout)}
    commands: List[Command] = []
    for key in keys:
        unit, member = units[key], members[key]
        subject = "{0} (serial {1}) unit {2}".format(member.bay or "bay unknown", member.serial, member.index)
        commands += erase.commands(unit.node, access.partitions(unit), unit.size, subject)
    return commands


def lost_race(error: CommandError) -> bool:
    """Whether zpool create, add or replace failed because a partition it had just made had not appeared yet.

    This happens on a busy host. zpool has made nothing but partitions by then, and accepts those when it runs again.
    """
    program, subcommand = (*error.argv, "", "")[:2]
    return program == "zpool" and any(words in error.stderr for words in _RACES.get(subcommand, ()))


def _verified(access: Access, wish: Wish, zfs: ZfsVersion) -> Pool:
    drives = access.drives()
    pools = {pool.name: pool for pool in current_pools(access, zfs, drives, wish.declared)}
    pool = pools.get(wish.pool)
    if pool is None:
        raise CoreError("zpool create succeeded, but the pool is missing", subject="pool {0}".format(wish.pool))
    wrong = build.differences(pool, wish.layout) + beside.differences(pool, wish.support)
    if wrong:
        raise Refusal(
            "Pool {0} was created, but does not match the layout.".format(wish.pool), wrong, "Do not put data on it."
        )
    return pool


def _converge(access: Access, wish: Wish, pool: Pool, check_mode: bool) -> Outcome:
    if pool.suspended:
        raise Refusal(
            "Pool {0} is suspended; nothing was changed.".format(pool.name),
            [pool.status or "OpenZFS gives no reason"],
            "Bring its drives back, then run `zpool clear {0}`.".format(pool.name),
        )
    wrong = build.differences(pool, wish.layout) + beside.differences(pool, wish.support)
    if wrong:
        raise Refusal(
            "Pool {0} exists, but does not match the layout; nothing was changed.".format(pool.name),
            wrong,
            "Correct the declared inventory or policy, or use another pool name. An existing pool is never rearranged.",
        )
    changes = _setting_changes(access.run, wish)
    commands = tuple(changes[0])
    if commands and not check_mode:
        carry_out(access.run, commands)
        left = _setting_changes(access.run, wish)[0]
        if left:
            raise CoreError(
                "settings did not take effect: {0}".format("; ".join(" ".join(item.argv) for item in left)),
                subject="pool {0}".format(pool.name),
            )
    return Outcome(bool(commands), commands, changes[1], changes[2], pool)


def _setting_changes(run: Runner, wish: Wish) -> Tuple[List[Command], str, str]:
    """Commands that apply the requested settings, and the settings before and after as text.

    Only settings that the user wrote are compared: defaults are for creation.
    """
    requested = {
        kind: {name: value for name, value in given.items() if value is not None}
        for kind, given in (("pool", wish.pool_settings), ("root", wish.root_settings))
    }
    found: Dict[str, Dict[str, str]] = {"pool": {}, "root": {}}
    for kind, command in argv.get_settings(wish.pool, sorted(requested["pool"]), sorted(requested["root"])).items():
        text = checked(run, command)
        found[kind] = dict(_pair(line) for line in text.splitlines() if "\t" in line)
    changed = {
        kind: {
            name: value for name, value in wanted.items() if not build.same_setting(value, found[kind].get(name, ""))
        }
        for kind, wanted in requested.items()
    }
    _refuse_fixed(wish.pool, changed["root"], found["root"])
    commands = [Command(words, "set pool properties") for words in argv.set_pool(wish.pool, changed["pool"])]
    commands += [
        Command(words, "set properties of the root dataset") for words in argv.set_root(wish.pool, changed["root"])
    ]
    names = [(kind, name) for kind in ("pool", "root") for name in sorted(changed[kind])]
    before = ["{0} {1}={2}".format(kind, name, found[kind].get(name, "")) for kind, name in names]
    after = ["{0} {1}={2}".format(kind, name, changed[kind][name]) for kind, name in names]
    return commands, _lines(before), _lines(after)


def _pair(line: str) -> Tuple[str, str]:
    name, _tab, value = line.partition("\t")
    return name, value


def _refuse_fixed(pool: str, changed: Mapping[str, str], found: Mapping[str, str]) -> None:
    fixed = sorted(set(changed) & set(build.CREATE_ONLY))
    if fixed:
        raise Refusal(
            "Pool {0} cannot be given the requested settings; nothing was changed.".format(pool),
            [
                "{0} is {1}, but {2} was requested".format(name, found.get(name, "unset"), changed[name])
                for name in fixed
            ],
            "These settings are fixed when a pool is created.",
        )


def _lines(lines: Sequence[str]) -> str:
    return "".join(line + "\n" for line in lines)


def _absent(pool: str) -> str:
    return "pool {0}: absent\n".format(pool)


def picture(pool: str, layout: Layout, pool_settings: Mapping[str, str], root_settings: Mapping[str, str]) -> str:
    """The pool as a few lines of text: settings, each vdev with its units, spare drives."""
    lines = ["pool {0}".format(pool)]
    lines += ["  pool {0}={1}".format(name, pool_settings[name]) for name in sorted(pool_settings)]
    lines += ["  root {0}={1}".format(name, root_settings[name]) for name in sorted(root_settings)]
    for vdev in layout.vdevs:
        lines.append("  {0}: {1}".format(vdev.keyword or "stripe", " ".join(member.name for member in vdev.members)))
    for one in layout.support:
        names = " ".join(member.name for member in one.vdev.members)
        lines.append("  {0}: {1}".format(" ".join(filter(None, (one.role, one.vdev.keyword))), names))
    for spare in layout.spares:
        lines.append("  spare drive, not in the pool: {0}".format(" ".join(member.name for member in spare.members)))
    return _lines(lines)
