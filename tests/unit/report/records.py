# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Records of invented servers, made by the library itself: a layout that it computes, a pool that has it.

`scenes` are the four servers of the examples in states worth looking at; `simulated` is any number of them.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.declared import draft
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.assign import plan
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.guarantee import sentences
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.policy import Policy
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Drive, Finding, Layout, Member
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import to_plain
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.record import Accepted, Event, HostRecord
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.report import margins, visits
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.resolve import (
    Pool,
    PoolMember,
    PoolSlot,
    PoolVdev,
)
from tests.unit.strategies import Spec, drive

CHECKED = "2026-11-24T05:30:00Z"
POLICY = {"kind": "raidz", "parity": 2, "width": 12, "survive": {"drives": 2}}
SETTINGS = {
    "openzfs": "zfs-2.3.9-1",
    "kernel": "6.12.57+deb13-amd64",
    "collection": "0.1.0",
    "timers": "evenkeel-scrub.timer active",
}


def drives_of(number: int, count: int, enclosures: Sequence[str] = ("",)) -> tuple[Drive, ...]:
    """The drives of server *number*, dealt over *enclosures*."""
    found = []
    for place in range(count):
        home = enclosures[place * len(enclosures) // count]
        slot = place % (count // len(enclosures))
        made = drive(number * 1000 + place, Spec(home), slot, adapter=f"pci-0000:00:{8 + slot % 2:02d}.0")
        found.append(replace(made, firmware="0042", bay_source="enclosure"))
    return tuple(found)


def member(one: Member, **changes: Any) -> PoolMember:
    """The pool's member on a unit of the layout."""
    name = f"{one.bay}.{one.index}"
    return PoolMember(
        name=name,
        path=f"/dev/disk/by-vdev/{name}-part1",
        guid=str(10**18 + int(one.serial[3:]) * 10 + one.index),
        serial=one.serial,
        bay=one.bay,
        index=one.index,
        enclosure=one.bay.rsplit("-", 1)[0] if "-" in one.bay else "",
        wwn="naa.5000ace200000000",
        **{"state": "ONLINE", "serving": True, **changes},
    )


def pool_of(layout: Layout, ailing: dict[tuple[str, int], dict[str, Any]]) -> Pool:
    """The pool laid out so; *ailing* has what is otherwise of members, by bay and index."""
    vdevs = []
    for number, vdev in enumerate(layout.vdevs):
        slots = []
        for one in vdev.members:
            made = member(one, **ailing.get((one.bay, one.index), {}))
            slots.append(PoolSlot(made.serving, (made,)))
        lost = sum(not slot.serving for slot in slots)
        state = "ONLINE" if not lost else "DEGRADED" if lost <= vdev.parity else "UNAVAIL"
        vdevs.append(PoolVdev(f"{vdev.keyword}-{number}", vdev.kind, "data", state, vdev.parity, tuple(slots)))
    worst = max((vdev.state for vdev in vdevs), key=["ONLINE", "DEGRADED", "UNAVAIL"].index)
    spares = tuple(
        member(one, state="AVAIL", role="spare", serving=True) for spare in layout.spares for one in spare.members
    )
    return Pool("archive", "12345678901234567890", worst, False, tuple(vdevs), spares)


def pool_facts(pool: Pool) -> dict[str, Any]:
    """The pool as pool_info returns it."""
    found = margins(pool)
    return {
        **to_plain(pool),
        "margin": found.pool,
        "margins": {
            "vdevs": {vdev.name: value for vdev, value in zip(pool.vdevs, found.vdevs, strict=True)},
            "drives": found.drives,
            "enclosures": {name: value for name, value in found.enclosures.items() if name},
        },
        "visit": to_plain(visits(pool)),
        "picture": "",
    }


def record(
    host: str,
    drives: Sequence[Drive],
    ailing: dict[tuple[str, int], dict[str, Any]] | None = None,
    policy: dict[str, Any] | None = None,
    **changes: Any,
) -> HostRecord:
    """The record of a server with these drives, all declared, and the pool that the policy lays out on them."""
    layout = plan(drives, Policy.from_plain(policy or POLICY))
    pool = pool_facts(pool_of(layout, ailing or {}))
    made = HostRecord(
        host=host,
        checked_at=CHECKED,
        drives=tuple(to_plain(one) for one in drives),
        declared=draft(drives),
        bays=tuple(one.bay.label for one in drives if one.bay is not None),
        layout=layout,
        guarantees={
            "drives": layout.survives_drives,
            "enclosures": layout.survives_enclosures,
            "sentences": list(sentences(layout)),
        },
        pool=pool,
        margin=pool["margin"],
        settings=dict(SETTINGS),
    )
    return replace(made, **changes)


def trial(drives: Sequence[Drive], seed: int, odd: dict[str, str] | None = None) -> dict[str, Any]:
    """A trial's results as drive_trial leaves them; *odd* drives by serial: C(shared), C(slow) or C(errors)."""
    chance = random.Random(seed)
    told = [_tried(one, chance, (odd or {}).get(one.serial, "")) for one in drives]

    def middle(values: list[float]) -> float:
        ranked = sorted(values)
        return (ranked[(len(ranked) - 1) // 2] + ranked[len(ranked) // 2]) / 2

    def pair(pairs: list[dict[str, float]]) -> dict[str, float]:
        return {kind: middle([one[kind] for one in pairs]) for kind in ("sequential", "random")}

    median = {
        "drives": len(told),
        "alone": pair([unit for one in told for unit in one["alone"]]),
        **{what: pair([one[what] for one in told]) for what in ("together", "independence", "evenness")},
    }
    return {"at": 1_795_000_000, "model_median": {"ACTWO ACTW-D9": median}, "drives": told, "ceilings": []}


def _tried(one: Drive, chance: random.Random, odd: str) -> dict[str, Any]:
    alone = [{"sequential": chance.gauss(241e6, 4e6), "random": chance.gauss(168, 3)} for _unit in one.units]
    if odd == "slow":
        alone[1] = {"sequential": 171e6, "random": 119.0}
    worth = 0.52 if odd == "shared" else chance.uniform(0.965, 0.995)
    kinds = ("sequential", "random")
    together = {kind: worth * sum(unit[kind] for unit in alone) for kind in kinds}
    verdict, reasons = {
        "": ("accept", []),
        "shared": (
            "reject",
            ["sequential reads: its units together reach 52% of their speeds alone (a single actuator reaches 50%)"],
        ),
        "slow": ("look", ["sequential reads: unit 1 reaches 171.0 MB/s, 71% of the median of its model"]),
        "errors": ("reject", ["unit 0: 14 reads failed"]),
    }[odd]
    return {
        "bay": one.bay.label if one.bay else "",
        "serial": one.serial,
        "model_name": "ACTWO ACTW-D9",
        "at": 1_795_000_000,
        "verdict": verdict,
        "reasons": reasons,
        "alone": alone,
        "together": together,
        "independence": dict.fromkeys(kinds, worth),
        "evenness": {kind: min(u[kind] for u in alone) / max(u[kind] for u in alone) for kind in kinds},
    }


REMOVED = {"state": "REMOVED", "serving": False}
RESILVERING = {"state": "ONLINE", "serving": False, "role": "incoming"}


def healthy() -> HostRecord:
    """C(ebb01): as declared."""
    drives = drives_of(1, 12)
    past = (
        Event("2026-09-02T05:30:00Z", "scrub_old", "pool archive", "found"),
        Event("2026-09-03T05:30:00Z", "scrub_old", "pool archive", "cleared"),
    )
    return record("ebb01", drives, trial=trial(drives, 1), history=past)


def pulled() -> HostRecord:
    """C(ebb02): the drive in bay07 is gone, and one unit counts read errors."""
    drives = drives_of(2, 12)
    gone = drives[7]
    subject = f"bay07 (serial {gone.serial})"
    missing = Finding(
        "drive_missing",
        "error",
        gone.serial,
        "bay07",
        declared=f"serial {gone.serial} in bay07",
        found="no drive with this serial",
        remedy="Seat or replace the drive. If another drive belongs there, run survey.",
    )
    errors = Finding(
        "member_errors",
        "warning",
        drives[3].serial,
        "bay03",
        1,
        declared="none",
        found="14 read, 0 write, 0 checksum errors",
        remedy="See the unit's health. Once the cause is known and fixed, zpool clear resets the counts.",
    )
    old = Finding(
        "firmware_differs",
        "warning",
        drives[9].serial,
        "bay09",
        declared="0042",
        found="0041",
        remedy="Ask the drive's manufacturer which one is right.",
    )
    made = record(
        "ebb02",
        drives,
        {("bay07", 0): REMOVED, ("bay07", 1): REMOVED, ("bay03", 1): {"read_errors": 14}},
        findings=(missing, errors),
        accepted=(Accepted(old, "Update planned with the manufacturer", "2027-01-31"),),
        trial=trial(drives, 2, {drives[5].serial: "shared", drives[9].serial: "slow"}),
        history=(
            Event("2026-10-11T05:30:00Z", "firmware_differs", f"bay09 (serial {drives[9].serial})", "found"),
            Event("2026-11-21T05:30:00Z", "member_errors", f"bay03 (serial {drives[3].serial}) unit 1", "found"),
            Event("2026-11-24T05:30:00Z", "drive_missing", subject, "found"),
        ),
    )
    return replace(made, drives=tuple(one for one in made.drives if one["serial"] != gone.serial))


def replacing() -> HostRecord:
    """C(ebb03): a replacement drive is being resilvered; its loaded OpenZFS is older than its tools."""
    drives = drives_of(3, 12)
    note = Finding(
        "zfs_versions_differ",
        "warning",
        about="OpenZFS",
        declared="tools zfs-2.3.9-1",
        found="module zfs-kmod-2.3.2-2",
        remedy="Reboot to load the installed module, and check that it was built for the running kernel.",
    )
    return record(
        "ebb03",
        drives,
        {("bay04", 0): RESILVERING, ("bay04", 1): RESILVERING},
        findings=(note,),
        settings={**SETTINGS, "openzfs": "zfs-2.3.2-2"},
    )


def unbuilt() -> HostRecord:
    """C(ebb04): a chassis of two enclosures with a spare, an empty bay and a stranger; no pool yet."""
    drives = drives_of(4, 24, ("east", "west"))
    placed = record("ebb04", drives[:23], policy={**POLICY, "width": 11, "spares": 1}, pool=None, margin=None)
    stranger = replace(drive(4999, Spec("west"), 11), firmware="0042")
    odd = Finding(
        "drive_undeclared",
        "warning",
        stranger.serial,
        "west-bay11",
        found="a drive that is not declared",
        remedy="Run survey to declare it, or remove it.",
    )
    return replace(
        placed,
        bays=tuple(one.bay.label for one in drives if one.bay),
        drives=(*placed.drives, to_plain(stranger)),
        findings=(odd,),
    )


def scenes() -> tuple[HostRecord, ...]:
    """The four servers."""
    return (healthy(), pulled(), replacing(), unbuilt())


def simulated(count: int, bays: int = 24, seed: int = 7) -> tuple[HostRecord, ...]:
    """*count* servers of *bays* drives, some of them ailing or unlike the others."""
    chance = random.Random(seed)
    return tuple(one_of_many(number, bays, chance) for number in range(count))


def one_of_many(number: int, bays: int, chance: random.Random) -> HostRecord:
    """Server *number* of a fleet."""
    drives = drives_of(number, bays)
    ailing: dict[tuple[str, int], dict[str, Any]] = {}
    findings: list[Finding] = []
    for one in chance.sample(drives, chance.choice([0] * 16 + [1, 1, 2, 3])):
        assert one.bay is not None
        label = one.bay.label
        ailing.update({(label, unit.index): REMOVED for unit in one.units})
        findings.append(Finding("drive_missing", "error", one.serial, label, found="no drive", remedy="Seat it."))
    settings = dict(SETTINGS)
    if chance.random() < 0.03:
        settings["openzfs"] = "zfs-2.3.2-2"
    return record(
        f"sim{number:04d}",
        drives,
        ailing,
        findings=tuple(findings),
        settings=settings,
        trial=trial(drives, number),
        history=(Event(CHECKED, "drive_missing", "bay00", "found"),) * len(findings),
    )
