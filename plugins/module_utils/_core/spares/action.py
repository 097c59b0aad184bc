# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Puts whole spare drives in the place of failed ones, gives them back, and corrects what was done unit by unit."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Dict, Mapping, Sequence, Tuple

from ..errors import CoreError, InputError, Refusal
from ..host.run import carry_out, settle
from ..model import Drive, Finding
from ..replacement import passes, places
from ..replacement.places import Identity
from ..zfs import argv
from ..zfs.access import Access, Holding
from ..zfs.actions import Outcome, lost_race
from ..zfs.build import Key
from ..zfs.current import current_pools
from ..zfs.pools import version
from ..zfs.report import margins, picture
from ..zfs.resolve import Pool
from . import duty
from .plan import Look, Plan, Planner, Wish


@dataclass(frozen=True)
class Report:
    """What was done, beside the outcome: which spare stands in for which drive, which was released, what waits."""

    outcome: Outcome
    findings: Tuple[Finding, ...] = ()
    taken: Tuple[str, ...] = ()
    returned: Tuple[str, ...] = ()
    waiting: Tuple[str, ...] = ()


def ensure_spares(access: Access, wish: Wish, check_mode: bool) -> Report:
    """One round: release, correct, take over. Raises Refusal for a suspended pool."""
    argv.pool_name(wish.pool)
    look = _look(access, wish)
    plan = Planner(look).plan()
    commands = plan.commands
    before = picture(look.pool, margins(look.pool).pool)
    after = before + "".join("  {0}\n".format(line) for line in (*plan.returned, *plan.taken))
    outcome = Outcome(bool(commands), commands, before, after if commands else before, look.pool)
    if commands and not check_mode:
        outcome = replace(outcome, pool=_act(look, plan))
    return Report(
        outcome,
        duty.findings(look.pool),
        tuple(plan.taken),
        tuple(plan.returned),
        tuple(plan.waiting),
    )


def _look(access: Access, wish: Wish) -> Look:
    zfs = version(access.run)
    settle(access.run)
    drives = access.drives()
    pools = {pool.name: pool for pool in current_pools(access, zfs, drives, wish.declared)}
    if wish.pool not in pools:
        raise InputError(
            "no pool of this name is imported",
            subject="pool {0}".format(wish.pool),
            remedy="Imported: {0}.".format(", ".join(sorted(pools)) or "none"),
        )
    pool = pools[wish.pool]
    if pool.suspended:
        raise Refusal(
            "Pool {0} is suspended; nothing was changed.".format(pool.name),
            [pool.status or "OpenZFS reports no reason"],
            "Make its drives reachable again, then run `zpool clear {0}`.".format(pool.name),
        )
    held = access.labels()
    return Look(access, wish, zfs, drives, places.identified(pool, {}, _labelled(pool, drives, held)), held)


def _labelled(pool: Pool, drives: Sequence[Drive], held: Mapping[Key, Holding]) -> Dict[str, Identity]:
    bays = {drive.serial: drive.bay.label for drive in drives if drive.bay is not None}
    return {
        one.label.guid: Identity(serial, bays.get(serial, ""), index)
        for (serial, index), one in held.items()
        if one.label.pool_guid in (pool.guid, "")
    }


def _act(look: Look, plan: Plan) -> Pool:
    run = look.access.run
    if plan.back:
        carry_out(run, plan.back)
    if plan.adding:
        with look.access.creation(look.wish.pool, plan.wwns):
            carry_out(run, plan.adding, lost_race)
    if plan.resilvering:
        passes.start(look.access, plan.resilvering)
    after = _look(look.access, look.wish).pool
    wrong = [
        "serial {1} unit {2} does not stand in for {0}".format(seat.owner.name, *plan.seated[seat.owner.guid])
        for seat in duty.seats(after)
        if seat.owner.guid in plan.seated
        and plan.seated[seat.owner.guid] not in [(spare.serial, spare.index) for spare in seat.spares]
    ]
    if wrong:
        raise CoreError(
            "the commands succeeded, but {0}".format("; ".join(wrong)), subject="pool {0}".format(look.wish.pool)
        )
    return after
