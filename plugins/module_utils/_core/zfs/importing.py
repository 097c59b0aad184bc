# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Imports the pool that an earlier installation left on the drives.

Read the labels, compare every member with the layout, ask OpenZFS's opinion, import without mounting,
compare again, then mount, and make the next boot import it too.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Dict, List, Mapping, Sequence, Tuple

from .. import names
from ..errors import CoreError, InputError, Refusal
from ..host import hostid
from ..host.run import Command, Runner, carry_out_unsettled, checked, settle
from ..model import Drive, Layout, Member
from . import argv, build, listing, membership, mounting
from . import support as beside
from .access import Access, Holding
from .actions import Outcome, Wish
from .current import current_pools
from .exporting import CACHE_FILE, imported_line
from .labels import Label
from .membership import Candidate, Comparison, Key, Missing, Places
from .pools import ZfsVersion, version
from .resolve import Pool


@dataclass(frozen=True)
class Terms:
    """On what terms a pool is imported.

    *guid*: only this one. *take_over*: the GUID of a pool that another host used last and that is to be
    this host's from now on. *accept_missing*: how many of its drives may be missing.
    """

    guid: str = ""
    take_over: str = ""
    accept_missing: int = 0


@dataclass(frozen=True)
class Report:
    """What was found, besides the outcome: *missing* lists missing drives, *locked* the datasets without a key.

    *device_paths* are the device links of all members but spares, missing ones included, sorted.
    """

    outcome: Outcome
    guid: str = ""
    missing: Tuple[str, ...] = ()
    locked: Tuple[str, ...] = ()
    device_paths: Tuple[str, ...] = ()
    members: Tuple[Member, ...] = ()


@dataclass
class _Look:
    """One look at the host: drives, labels on their units, pools imported now."""

    access: Access
    wish: Wish
    drives: Sequence[Drive]
    zfs: ZfsVersion
    layout: Layout
    held: Mapping[Key, Holding]
    labels: Dict[Key, Label] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.labels = {key: one.label for key, one in self.held.items()}
        self.places = Places(self.layout, self.drives)


def ensure_imported(access: Access, wish: Wish, terms: Terms, check_mode: bool) -> Report:
    """Import the pool of the layout, or finish an interrupted import.

    Raises Refusal, with nothing changed, unless the pool on the drives is certainly the declared one, complete,
    and this host's.
    """
    argv.pool_name(wish.pool)
    for name, value in (("guid", terms.guid), ("take_over", terms.take_over)):
        if value and not value.isdigit():
            raise InputError(
                "{0!r} is not a pool GUID".format(value), subject=name, remedy="Write it as zpool prints it."
            )
    zfs = version(access.run)
    settle(access.run)
    drives = access.drives()
    pools = {pool.name: pool for pool in current_pools(access, zfs, drives, wish.declared)}
    if wish.pool in pools:
        return _converge(access, wish, terms, pools, check_mode)
    layout = replace(wish.layout, support=beside.resolve(wish.support, drives))
    look = _Look(access, wish, drives, zfs, layout, access.labels())
    return _import(look, terms, {pool.guid: pool.name for pool in pools.values()}, check_mode)


def _import(look: _Look, terms: Terms, imported: Mapping[str, str], check_mode: bool) -> Report:
    chosen = _chosen(look, terms, imported)
    own = frozenset(drive.serial for drive in look.wish.declared if drive.use != "data")
    ignored = {key: label for key, label in look.labels.items() if label.pool_guid not in imported}
    _refuse(
        "Drives of another pool are in the chassis; nothing was changed.",
        membership.strangers(ignored, chosen.guid, look.layout, look.drives, own, look.places),
        "Remove them. If a drive belongs here for another purpose, declare it with use: other.",
    )
    missing = _compared(look, chosen, terms)
    _refuse_features(chosen, look.access.features())
    force = _refuse_other_host(look, chosen, terms)
    if imported:
        mounting.refuse_others(look.access.run, look.wish.pool)
    trial = listing.argv([look.access.member_path(look.held[key]) for key in sorted(chosen.labels)])
    _refuse_opinion(look.access.run, trial, chosen, force)
    paths = _paths(look, check_mode)
    spares = {argv.key_of(member) for spare in look.layout.spares for member in spare.members}
    commands = _commands(look.wish.pool, chosen, [paths[key] for key in paths if key in chosen.labels], force)
    report = Report(
        outcome=Outcome(True, commands, _lines_before(look, chosen), _picture(look, chosen, missing)),
        guid=chosen.guid,
        missing=tuple(str(one) for one in missing),
        device_paths=tuple(sorted(path for key, path in paths.items() if key not in spares)),
        members=tuple(member for member in build.members_of(look.layout) if argv.key_of(member) in chosen.labels),
    )
    return report if check_mode else _act(look, report)


def _act(look: _Look, report: Report) -> Report:
    run, pool = look.access.run, look.wish.pool
    with look.access.patience():
        carry_out_unsettled(run, report.outcome.commands[:1])
    resolved = _verified(look)
    carry_out_unsettled(run, report.outcome.commands[1:])
    return replace(
        report,
        outcome=replace(report.outcome, pool=resolved),
        locked=mounting.locked(run, pool),
        device_paths=_paths_of(resolved),
    )


def _verified(look: _Look) -> Pool:
    """The imported pool, when its members match the layout; else it is exported again."""
    wish = look.wish
    pool, wrong = _looked_back(look)
    if wrong:
        # An import makes udev reread its partitions, for seconds. Wait for that only where it matters.
        settle(look.access.run)
        pool, wrong = _looked_back(look)
    if wrong:
        state = "The pool is imported but not mounted, and does not match the layout."
        checked(look.access.run, ("zpool", "export", wish.pool), state)
        raise Refusal(
            "Pool {0} was imported, did not match the layout, and was exported again.".format(wish.pool),
            wrong,
            "Correct the declared drives or policy.",
        )
    return pool


def _looked_back(look: _Look) -> Tuple[Pool, List[str]]:
    """The imported pool as it is now, and how it differs from the layout."""
    wish = look.wish
    drives = look.access.drives()
    pools = {pool.name: pool for pool in current_pools(look.access, look.zfs, drives, wish.declared)}
    if wish.pool not in pools:
        raise CoreError("zpool import succeeded, but the pool is missing", subject="pool {0}".format(wish.pool))
    pool = pools[wish.pool]
    return pool, [*build.differences(pool, wish.layout), *beside.differences(pool, wish.support)]


def _chosen(look: _Look, terms: Terms, imported: Mapping[str, str]) -> Candidate:
    members = {argv.key_of(member) for member in build.members_of(look.layout)}
    active = sorted({label.pool_guid for key, label in look.labels.items() if key in members} & set(imported))
    _refuse(
        "The pool on the declared units is already imported under another name; nothing was changed.",
        ["GUID {0} is imported as {1}, declared as {2}".format(one, imported[one], look.wish.pool) for one in active],
        "Export it, then import it once by hand under the declared name, or correct the declaration.",
    )
    chosen = membership.choose(look.wish.pool, terms.guid, look.labels, look.layout, look.places)
    if terms.take_over and terms.take_over != chosen.guid:
        raise Refusal(
            "take_over names another pool; nothing was changed.",
            ["take_over is {0}; {1}".format(terms.take_over, membership.describe(chosen, look.places))],
            "Set take_over to the GUID of exactly the pool that this host is to take over.",
        )
    return chosen


def _compared(look: _Look, chosen: Candidate, terms: Terms) -> Tuple[Missing, ...]:
    comparison = Comparison(chosen, look.layout, look.places)
    members = {argv.key_of(member) for member in build.members_of(look.layout)}
    outside = [
        "{0}: is a member of the pool, but not declared for it".format(look.places.unit(key))
        for key, label in sorted(chosen.labels.items(), key=lambda one: one[0])
        if key not in members and key not in comparison.present and label.guid in comparison.leaves
    ]
    _refuse(
        "Pool {0} is on the drives, but does not match the layout; nothing was changed.".format(look.wish.pool),
        comparison.wrong + outside,
        "Correct the declared drives or policy; a pool is never changed to fit a layout. If the units listed are there"
        " because the pool grew, or because a drive in another bay replaced one, declare"
        " split_actuator_placement: found.",
    )
    missing = comparison.missing(look.layout, look.labels, look.drives)
    _refuse(
        "More members of pool {0} are missing than its parity covers; nothing was changed.".format(look.wish.pool),
        comparison.beyond + [str(one) for one in missing] if comparison.beyond else [],
        "Bring the missing drives back.",
    )
    drives = {one.member.serial for one in missing}
    _refuse(
        "{0} drive{1} of pool {2} missing, {3} accepted; nothing was changed.".format(
            len(drives), "" if len(drives) == 1 else "s", look.wish.pool, terms.accept_missing
        ),
        [str(one) for one in missing] if len(drives) > terms.accept_missing else [],
        "Bring them back, or set accept_missing_drives to {0} (in playbooks: split_actuator_accept_missing_drives)"
        " to import the pool degraded.".format(len(drives)),
    )
    return missing


def _refuse(message: str, reasons: Sequence[str], remedy: str) -> None:
    if reasons:
        raise Refusal(message, reasons, remedy)


def _refuse_features(chosen: Candidate, known: Sequence[str]) -> None:
    unknown = sorted(set(chosen.newest.features) - set(known)) if known else []
    _refuse(
        "The pool needs features that the installed OpenZFS does not have; nothing was changed.",
        unknown,
        "Install at least the OpenZFS version that last used the pool.",
    )


def _refuse_other_host(look: _Look, chosen: Candidate, terms: Terms) -> bool:
    """Whether the import needs to be forced, which only an exact take_over allows."""
    own, newest = look.access.hostid(), chosen.newest
    foreign = newest.state == "active" and newest.hostid != own
    used = membership.last_use(chosen)
    if foreign and not terms.take_over:
        raise Refusal(
            "The pool was last used by another host and was not exported; nothing was changed.",
            ["{0}; this host's id is {1}".format(used, hostid.spell(own) or "not set")],
            'If that was this host before its reinstallation, declare split_actuator_hostid: "{0:08x}" and run again.'
            ' If the other host will never use the pool again, set take_over: "{1}"'
            " (in playbooks: split_actuator_take_over).".format(newest.hostid, chosen.guid),
        )
    guarded = any(label.uberblock and label.uberblock.multihost for label in chosen.labels.values())
    if newest.state == "active" and (foreign or guarded):
        moved = look.access.activity({key: look.held[key] for key in sorted(chosen.labels)})
        _refuse(
            "The pool is in use by another host right now; nothing was changed.",
            ["{0}: {1}".format(look.places.names(moved), used)] if moved else [],
            "Export it there first. Two hosts that use one pool at the same time destroy it.",
        )
    return foreign


def _refuse_opinion(run: Runner, trial: Sequence[str], chosen: Candidate, force: bool) -> None:
    result = run(trial)
    seen = {one.guid: one for one in listing.read(result.stdout)}
    opinion = seen.get(chosen.guid)
    if opinion is None:
        reasons = ["it does not find the pool: {0}".format((result.stderr or result.stdout).strip() or "no output")]
    elif not opinion.can_be_imported or ("'-f'" in opinion.action and not force):
        reasons = [text for text in (opinion.status, opinion.action) if text]
    else:
        reasons = []
    _refuse("OpenZFS refuses to import the pool; nothing was changed.", reasons, "Check the drives that it names.")


def _paths(look: _Look, check_mode: bool) -> Dict[Key, str]:
    """Every member's device: by its unit name, or by the best stable link it has."""
    members = [*build.members_of(look.layout)]
    found: Dict[Key, str] = {}
    unnamed: List[str] = []
    ranges = {drive.serial for drive in look.wish.declared if drive.by_range}
    for member in members:
        key = argv.key_of(member)
        held = look.held.get(key)
        part = held.part if held else 0 if member.serial in ranges else 1
        by_name = "{0}/{1}{2}".format(names.DIRECTORY, member.name, "-part{0}".format(part) if part else "")
        if look.wish.by_name and member.bay:
            found[key] = by_name
            if held and not check_mode and not look.access.leads(by_name, held.node):
                unnamed.append("{0}: {1} does not lead to it".format(look.places.unit(key), by_name))
        elif held:
            found[key] = look.access.member_path(held)
    _refuse("Units do not have their names yet; nothing was changed.", unnamed, "Run the role disk_inventory first.")
    return found


def _commands(pool: str, chosen: Candidate, paths: Sequence[str], force: bool) -> Tuple[Command, ...]:
    return (
        Command(argv.import_pool(chosen.guid, paths, force), "import pool {0} without mounting it".format(pool)),
        *_finishing(pool),
    )


def _finishing(pool: str) -> Tuple[Command, ...]:
    # The cache file last: a pool that is imported but not in it means that an import was interrupted.
    return (
        Command(("zfs", "mount", "-a"), "mount its datasets"),  # of no other pool: see mounting.refuse_others
        Command(("zpool", "set", "cachefile={0}".format(CACHE_FILE), pool), "import it at the next boot"),
    )


def _converge(access: Access, wish: Wish, terms: Terms, pools: Mapping[str, Pool], check_mode: bool) -> Report:
    pool = pools[wish.pool]
    if pool.suspended:
        raise Refusal(
            "Pool {0} is suspended; nothing was changed.".format(pool.name),
            [pool.status or "OpenZFS gives no reason"],
            "Bring its drives back, then run `zpool clear {0}`.".format(pool.name),
        )
    wrong = list(build.differences(pool, wish.layout) + beside.differences(pool, wish.support))
    if terms.guid not in ("", pool.guid):
        wrong.append("its GUID is {0}, but {1} was requested".format(pool.guid, terms.guid))
    facts = _settings(access.run, pool.name)
    if facts.get("altroot", "-") != "-":
        wrong.append("it is imported with the alternative root {0}".format(facts["altroot"]))
    _refuse(
        "Pool {0} is imported, but not as declared; nothing was changed.".format(pool.name),
        wrong,
        "If the alternative root or the GUID differs, export it and run this again. Otherwise correct the declaration.",
    )
    commands = _finishing(pool.name) if facts.get("cachefile", "-") not in ("-", CACHE_FILE) else ()
    if commands and len(pools) > 1:
        mounting.refuse_others(access.run, pool.name)
    if commands and not check_mode:
        carry_out_unsettled(access.run, commands)
    outcome = Outcome(
        bool(commands),
        commands,
        imported_line(pool, facts.get("cachefile", "-")),
        imported_line(pool, CACHE_FILE),
        pool,
    )
    members = [member for vdev in pool.vdevs for member in vdev.members]
    gone = tuple(
        "{0} (serial {1}) unit {2}: {3}".format(one.bay or "bay unknown", one.serial, one.index, one.state)
        for one in members
        if not one.serving
    )
    return Report(outcome, pool.guid, gone, mounting.locked(access.run, pool.name), _paths_of(pool))


def _paths_of(pool: Pool) -> Tuple[str, ...]:
    """The device paths of the pool's members, or their last ones. Nothing waits for spares."""
    return tuple(sorted(member.path for vdev in pool.vdevs for member in vdev.members if member.path))


def _settings(run: Runner, pool: str) -> Dict[str, str]:
    text = checked(run, ("zpool", "get", "-H", "-o", "property,value", "altroot,cachefile", pool))
    return dict(line.split("\t", 1) for line in text.splitlines() if "\t" in line)


def _lines_before(look: _Look, chosen: Candidate) -> str:
    return "pool {0} (GUID {1}): {2}, not imported\n".format(look.wish.pool, chosen.guid, chosen.newest.state)


def _picture(look: _Look, chosen: Candidate, missing: Sequence[Missing]) -> str:
    """The pool as a few lines of text: the units found, and the missing drives."""
    lines = [_imported_line_of(look.wish.pool, chosen.guid)]
    for vdev in [*look.layout.vdevs, *(one.vdev for one in look.layout.support)]:
        here = [member.name for member in vdev.members if argv.key_of(member) in chosen.labels]
        lines.append("  {0}: {1}".format(vdev.keyword or "stripe", " ".join(here)))
    lines += ["  missing: {0}".format(one) for one in missing]
    return _text(lines)


def _text(lines: Sequence[str]) -> str:
    return "".join(line + "\n" for line in lines)


def _imported_line_of(pool: str, guid: str) -> str:
    return "pool {0} (GUID {1}): imported, cache file {2}".format(pool, guid, CACHE_FILE)
