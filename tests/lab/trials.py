# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Trials on chassis C(trial): what its drives can be made to be, and what a trial makes of them."""

from __future__ import annotations

import json
import random
import time
from collections.abc import Mapping
from typing import Any

from tests.lab.lab import Lab
from tests.lab.modules import call
from tests.lab.parts import Limits, ReadError

FULL = Limits(iops=30, bps=1_500_000)
SLOW = Limits(iops=10, bps=500_000)
KINDS = ("sound", "shared", "slow 0", "slow 1", "unreadable 0", "unreadable 1")
# What a run reads of a unit at least: 2 s at the lower of the full speeds. Only a trial of the surface reads beyond.
READ_BYTES = 2_000_000
# Short, and with blocks small enough that the limits, not the emulator's processor, decide.
QUICK: dict[str, Any] = {
    "run_seconds": 2, "ramp_seconds": 1, "sequential_block": 65536, "sequential_depth": 4, "random_depth": 4,
    "per_adapter": 8,
}  # fmt: skip

# Of many drives at once: half the speed, so that what an emulated host can do is no limit; measured from the beginning.
MANY_FULL, MANY_SLOW = Limits(iops=15, bps=1_000_000), Limits(iops=5, bps=333_000)
MANY: dict[str, Any] = {"run_seconds": 3, "ramp_seconds": 0, "per_adapter": 16}
CHASSIS, BAYS = 2, 8


def serial(bay: int) -> str:
    return f"TRL{bay:02d}"


def describe(seed: int) -> dict[int, str]:
    """What is in the bays of a seeded chassis: five to eight drives, about half of them sound."""
    dice = random.Random(seed)
    bays = sorted(dice.sample(range(8), dice.randint(5, 8)))
    return {bay: "sound" if dice.random() < 0.5 else dice.choice(KINDS[1:]) for bay in bays}


def arrangement(place: int, seed: int) -> dict[int, str]:
    """The chassis of a seed in one of the places of chassis file C(trials): kinds by bay of that machine."""
    return {BAYS * place + bay: kind for bay, kind in describe(seed).items()}


def spoil(lab: Lab, bay: int, kind: str, dice: random.Random) -> None:
    """Give a drive the unreadable places that its kind has, and no others. It goes as fast as it can."""
    name, _space, number = kind.partition(" ")
    for unit in (0, 1):
        bad = name == "unreadable" and unit == int(number)
        errors = [ReadError(dice.randrange(READ_BYTES // 512 - 8), 8)] if bad else []
        if errors or lab.drive(bay).unit(unit).read_errors:
            lab.fail_reads(bay, unit, errors)
    lab.limit(bay, Limits())


def slow_down(lab: Lab, bay: int, kind: str, full: Limits = MANY_FULL, slow: Limits = MANY_SLOW) -> None:
    """Give a drive the speeds that its kind has."""
    name, _space, number = kind.partition(" ")
    lab.limit(bay, full, shared=name == "shared")
    if name == "slow":
        lab.limit(bay, slow, int(number))


def verdict(drive: Mapping[str, Any]) -> str:
    """What the trial takes a drive for, in the words of KINDS; what it is in doubt about is in doubt here."""
    codes = set(drive["codes"])
    if not codes:
        return "sound" if drive["verdict"] == "accept" else "in doubt"
    if drive["verdict"] != "reject":
        return "in doubt"
    if codes == {"read_errors"}:
        return "unreadable " + " ".join(str(unit) for unit, errors in enumerate(drive["read_errors"]) if errors)
    if codes == {"not_independent"}:
        return "shared"
    if codes in ({"uneven"}, {"uneven", "slow"}):
        speeds = [one["random"] for one in drive["alone"]]
        return f"slow {speeds.index(min(speeds))}"
    return "in doubt"


def tried(lab: Lab, **options: Any) -> dict[str, Any]:
    """A trial from begin to end: what the module returned."""
    told = call(lab, "drive_trial", state="finished", wait_seconds=800, **{**QUICK, **options})
    assert not told["failed"], told["msg"]
    assert told["state"] == "finished", told
    return told


def await_end(lab: Lab, seconds: float = 300.0) -> dict[str, Any]:
    """The trial's own record of its progress, once it has ended."""
    deadline = time.monotonic() + seconds
    while True:
        told = progress(lab)
        if told["state"] in ("finished", "stopped", "failed"):
            return told
        assert time.monotonic() < deadline, (told, lab.run("journalctl -n 30 -u evenkeel-trial").out)
        time.sleep(1)


def measures(lab: Lab) -> list[dict[str, Any]]:
    """What the trial measured, run by run, read from its file."""
    text = lab.run("cat /var/lib/evenkeel/split_actuator/trial/measures.jsonl").out
    return [json.loads(line) for line in text.splitlines() if line]


def progress(lab: Lab) -> dict[str, Any]:
    """The trial's own record, read from its file."""
    told: dict[str, Any] = json.loads(lab.run("cat /var/lib/evenkeel/split_actuator/trial/progress.json").out)
    return told
