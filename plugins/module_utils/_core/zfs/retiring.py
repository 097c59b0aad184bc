# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Takes a pool out of service: exports it and, on the drives whose serials are spelled out, clears its labels.

Clearing removes what identifies the pool; the data is still on the drives. It is not sanitisation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Dict, List, Mapping, Optional, Sequence, Tuple

from ..errors import CommandError, CoreError, Refusal
from ..host.run import Command, carry_out, settle
from ..model import Content, Drive, Member, Unit
from . import argv, build, erase
from .access import Access, Holding
from .actions import Outcome, Wish
from .build import Key
from .current import current_pools
from .pools import pool_guids, version
from .resolve import Pool

# What to do with media is in IEEE 2883 (methods by interface), NIST SP 800-88 and ISO/IEC 27040 (programmes).
SANITISATION = (
    "Labels were cleared; the data is still on the drives. This is not sanitisation. Before a drive leaves your hands,"
    " sanitise both of its units by IEEE 2883 or NIST SP 800-88 (see also ISO/IEC 27040), and verify the result."
)


@dataclass(frozen=True)
class Report:
    """What was done, besides the outcome, one line for each drive.

    *erased* are the drives whose labels were cleared, *left* those that still carry labels of the pool. *notes*
    are for whoever takes the drives out.
    """

    outcome: Outcome
    erased: Tuple[str, ...] = ()
    left: Tuple[str, ...] = ()
    notes: Tuple[str, ...] = ()


@dataclass(frozen=True)
class _Look:
    """One look at the host. *pool* is the pool while it is imported; *held* are its labels on the units."""

    drives: Sequence[Drive]
    pool: Optional[Pool]
    held: Mapping[Key, Holding]

    def unit(self, key: Key) -> Unit:
        return next(
            unit for drive in self.drives if drive.serial == key[0] for unit in drive.units if unit.index == key[1]
        )

    def label(self, serial: str) -> str:
        return next(drive.label for drive in self.drives if drive.serial == serial)


def ensure_retired(access: Access, wish: Wish, guid: str, check_mode: bool) -> Report:
    """Export the pool when it is imported, then clear its labels on the drives of *wish.erase_serials*.

    Raises Refusal, with nothing changed, when the pool is suspended, not certainly the requested one or in use
    elsewhere, or when a drive to erase is missing or holds anything but a part of this pool.
    """
    argv.pool_name(wish.pool)
    zfs = version(access.run)
    settle(access.run)
    drives = access.drives()
    pools = {pool.name: pool for pool in current_pools(access, zfs, drives, wish.declared)}
    look = _identified(pools.get(wish.pool), wish.pool, guid, drives, access.labels())
    listed = set(wish.erase_serials)
    keys = _to_clear(access, look, wish)
    exporting = [Command(("zpool", "export", wish.pool), "export pool {0}".format(wish.pool))] if look.pool else []
    clearing = [command for key in keys for command in _clear(access, look, key)]
    forgetting = [_forget(look, key) for key in keys if access.partitions(look.unit(key))]
    commands = (*exporting, *clearing, *forgetting)
    if commands and not check_mode:
        _act(access, wish.pool, exporting, clearing, forgetting)
        _verify(access, look, keys)
    after = [key for key in sorted(look.held) if key[0] not in listed]
    outcome = Outcome(
        bool(commands),
        commands,
        _picture(wish.pool, look, bool(look.pool), sorted(look.held)),
        _picture(wish.pool, look, False, after),
        look.pool if check_mode or not commands else None,
    )
    return Report(
        outcome,
        tuple(look.label(serial) for serial in sorted({serial for serial, _index in keys})),
        tuple(look.label(serial) for serial in sorted({serial for serial, _index in after})),
        (SANITISATION,) if keys else (),
    )


def _identified(
    pool: Optional[Pool], name: str, guid: str, drives: Sequence[Drive], labels: Mapping[Key, Holding]
) -> _Look:
    """The requested pool, imported or not, with its labels."""
    if pool is not None and pool.suspended:
        raise Refusal(
            "Pool {0} is suspended; nothing was changed.".format(name),
            [pool.status or "OpenZFS gives no reason"],
            "Bring its drives back, then run `zpool clear {0}`. Exporting it now would hang.".format(name),
        )
    if pool is not None and guid not in ("", pool.guid):
        raise Refusal(
            "Pool {0} does not have the requested GUID; nothing was changed.".format(name),
            ["its GUID is {0}, but {1} was requested".format(pool.guid, guid)],
            "Correct guid.",
        )
    named = {one.label.pool_guid for one in labels.values() if one.label.name == name}
    guids = {pool.guid} if pool else {one for one in named if guid in ("", one)}
    if len(guids) > 1:
        raise Refusal(
            "There are {0} pools named {1} on the drives; nothing was changed.".format(len(guids), name),
            ["GUID {0}".format(one) for one in sorted(guids)],
            "Set guid to the GUID of the right one.",
        )
    spares = {(member.serial, member.index) for member in pool.spares} if pool else set()
    held = {key: one for key, one in labels.items() if one.label.pool_guid in guids or key in spares}
    return _Look(drives, pool, held)


def _to_clear(access: Access, look: _Look, wish: Wish) -> List[Key]:
    """The units to clear: those of the listed drives that hold anything. Refuses what is not this pool's."""
    by_serial: Dict[str, List[Drive]] = {serial: [] for serial in wish.erase_serials}
    for drive in look.drives:
        if drive.serial in by_serial:
            by_serial[drive.serial].append(drive)
    reasons = [
        "serial {0}: {1}".format(serial, "not on the host" if not found else "reported by several drives")
        for serial, found in sorted(by_serial.items())
        if len(found) != 1
    ]
    if by_serial:
        reasons += _in_use_elsewhere(look)
    keys = [(drive.serial, unit.index) for found in by_serial.values() for drive in found for unit in drive.units]
    contents = access.contents(keys) if keys and not reasons else {}
    shaped = access.half_made([look.unit(key) for key in contents])
    clear: List[Key] = []
    for key in sorted(contents):
        found = _foreign(look, key, contents[key], look.unit(key).node in shaped)
        reasons += [build.describe(_member(look, key), content) for content in found]
        if contents[key]:
            clear.append(key)
    if reasons:
        raise Refusal(
            "Drives cannot be erased; nothing was changed.",
            reasons,
            "erase_serials may list only drives of this pool. Labels are cleared only when no host uses the pool.",
        )
    return clear


def _in_use_elsewhere(look: _Look) -> List[str]:
    """Why the pool may be in use on another host, according to its newest label."""
    newest = max((one.label for one in look.held.values() if one.label.txg), key=lambda label: label.txg, default=None)
    if look.pool is not None or newest is None or newest.state != "active":
        return []
    return [
        "the pool was not exported; host {0} (host id {1:08x}) used it last".format(
            newest.hostname or "unknown", newest.hostid
        )
    ]


def _foreign(look: _Look, key: Key, contents: Sequence[Content], shaped: bool) -> List[Content]:
    """What is on a unit that neither belongs to this pool nor is left over from an interrupted clearing."""
    mine = key in look.held
    own = ("pool_label", "partition_table") if mine else ("partition_table",) if shaped else ()
    # Members of an imported pool are open; the export ends that, and the kernel refuses to clear what is in use.
    busy = ("open",) if mine and look.pool else ()
    return [one for one in contents if one.type not in own + busy] + _elsewhere(look, key, contents)


def _elsewhere(look: _Look, key: Key, contents: Sequence[Content]) -> List[Content]:
    """Pool labels on another device node of the unit than this pool's: they belong to another pool."""
    one = look.held.get(key)
    return [content for content in contents if content.type == "pool_label" and one and content.node != one.node]


def _member(look: _Look, key: Key) -> Member:
    drive = next(drive for drive in look.drives if drive.serial == key[0])
    return Member(key[0], key[1], drive.bay.label if drive.bay else "")


def _clear(access: Access, look: _Look, key: Key) -> List[Command]:
    unit = look.unit(key)
    subject = "{0} unit {1}".format(look.label(key[0]), key[1])
    return erase.commands(unit.node, access.partitions(unit), unit.size, subject)


def _forget(look: _Look, key: Key) -> Command:
    return Command(
        ("blockdev", "--rereadpt", look.unit(key).node),
        "make the kernel drop the partitions of {0} unit {1}".format(look.label(key[0]), key[1]),
    )


def _act(
    access: Access,
    pool: str,
    exporting: Sequence[Command],
    clearing: Sequence[Command],
    forgetting: Sequence[Command],
) -> None:
    if exporting:
        carry_out(access.run, exporting)
        if pool in pool_guids(access.run):
            raise CoreError("zpool export succeeded, but the pool is still imported", subject="pool {0}".format(pool))
    if clearing:
        carry_out(access.run, clearing)
    if forgetting:
        # wipefs requests it as well, but if udev is reading a partition at that moment, the partition stays.
        carry_out(access.run, forgetting, _in_use)


def _in_use(error: CommandError) -> bool:
    return error.argv[0] == "blockdev"


def _verify(access: Access, look: _Look, keys: Sequence[Key]) -> None:
    if not keys:
        return
    access.drives()
    left = {key: found for key, found in access.contents(keys).items() if found}
    if left:
        raise CoreError(
            "the commands succeeded, but the units still hold: {0}".format(
                "; ".join(build.describe(_member(look, key), one) for key in sorted(left) for one in left[key])
            ),
            subject="erase",
            remedy="Run this again; units that are already clear are skipped.",
        )


def _picture(pool: str, look: _Look, imported: bool, keys: Sequence[Key]) -> str:
    lines = ["pool {0}: {1}imported".format(pool, "" if imported else "not ")]
    for serial in sorted({serial for serial, _index in keys}):
        units = ", ".join(str(index) for one, index in keys if one == serial)
        lines.append("  labels on {0}: units {1}".format(look.label(serial), units))
    return "".join(line + "\n" for line in lines)
