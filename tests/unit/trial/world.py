# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Orders, measures and a host for tests of trials: drives in memory, fio's answers by a formula."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field, replace
from typing import Any

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import HostError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.jobs import Ended
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.discover import Found
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.disks import Blocks, Disk
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import (
    Bay,
    Content,
    Drive,
    Unit,
    UnitPath,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial import plan
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial.facts import UnitFacts
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial.order import (
    Key,
    Order,
    Settings,
    TrialDrive,
    TrialUnit,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial.reading import Measure
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial.world import TrialHost

SIZE = 1 << 30


def unit(number: int, index: int, size: int = SIZE) -> TrialUnit:
    return TrialUnit(index, f"/dev/disk/by-vdev/bay{number:02d}.{index}", f"naa.{number:012x}{index:04x}", size=size)


def drive(number: int, units: int = 2, adapter: str = "0000:00:08.0", **more: Any) -> TrialDrive:
    """The drive in bay *number*, serial ACT<number>."""
    facts: dict[str, Any] = {
        "bay": f"bay{number:02d}", "model_name": "ACTWO ACTW-D9", "firmware": "0001", "expected_units": units, **more,
    }  # fmt: skip
    return TrialDrive(
        f"ACT{number:02d}", tuple(unit(number, index) for index in range(units)), adapter=adapter, **facts
    )


def order(count: int = 6, burn_in: Iterable[int] = (), **settings: Any) -> Order:
    """A trial of *count* alike drives."""
    drives = tuple(replace(drive(number), burn_in=number in burn_in) for number in range(count))
    return Order(drives, Settings(**settings))


def found_of(ordered: Order, contents: Mapping[Key, Sequence[Content]] | None = None) -> Found:
    """The host on which the drives are as ordered."""
    drives, disks = [], []
    for number, one in enumerate(ordered.drives):
        units = []
        for part in one.units:
            node = f"/dev/sd{chr(97 + number)}{part.index}"
            disks.append(Disk(f"sd{number}{part.index}", node, "8:0", "/sys/x", "scsi", size=part.size))
            path = UnitPath("0:0:0:0", node)
            held = tuple((contents or {}).get((one.serial, part.index), ()))
            units.append(
                Unit(part.index, wwn=part.wwn, size=part.size, node=node, links=(part.path,), paths=(path,),
                     contents=held)
            )  # fmt: skip
        drives.append(
            Drive(f"key{number}", one.serial, tuple(units), "ACTWO", "ACTW-D9", one.firmware,
                  Bay.parse(one.bay) if one.bay else None, adapter=one.adapter, expected_units=one.expected_units)
        )  # fmt: skip
    return Found(tuple(drives), (), Blocks(tuple(disks), ()))


def sound(index: int, **more: Any) -> UnitFacts:
    """A unit on which nothing is odd."""
    facts: dict[str, Any] = {
        "logical_block": 512, "physical_block": 4096, "write_cache": "write back", "smart": "ok", "grown_defects": 0,
        "pending_defects": 0, "uncorrected_errors": 0, "power_on_hours": 100, "temperature": 30, "self_test": "passed",
        **more,
    }  # fmt: skip
    return UnitFacts(index, **facts)


def facts_of(ordered: Order) -> dict[str, tuple[UnitFacts, ...]]:
    return {one.serial: tuple(sound(part.index) for part in one.units) for one in ordered.drives}


Speed = Callable[[plan.Step, Key], float]


def alone(_step: plan.Step, _key: Key) -> float:
    """A unit's share of its full speed: always all of it."""
    return 1.0


def measure(step: plan.Step, share: float = 1.0, errors: int = 0) -> Measure:
    """What a unit that does 100 MB/s or 100 operations/s makes of a run."""
    size = step.length or int(1e9 * share)
    return Measure(100e6 * share, 100.0 * share, size, 10.0, errors, 0.1, 0.2)


def measures_of(ordered: Order, speed: Speed = alone) -> dict[int, dict[Key, Measure]]:
    """All runs done, at the speed that *speed* tells as a share."""
    return {step.number: {key: measure(step, speed(step, key)) for key in step.units} for step in plan.steps(ordered)}


def sharing(*serials: str) -> Speed:
    """Drives whose units share one actuator: half each while both work."""
    return lambda step, key: 0.5 if key[0] in serials and step.phase != "alone" else 1.0


@dataclass
class Clock:
    """Time that passes when somebody waits."""

    now: float = 1000.0


@dataclass
class FakeHost(TrialHost):
    """A host whose fio answers at once, by a formula; *happens* is told before each run and may change things."""

    ordered: Order
    happens: Callable[[FakeHost, Sequence[str]], None] = lambda _host, _argv: None
    contents_now: dict[Key, tuple[Content, ...]] = field(default_factory=dict)
    temperature: list[int] = field(default_factory=list)
    ran: list[tuple[str, ...]] = field(default_factory=list)
    claimed: list[tuple[str, ...]] = field(default_factory=list)
    held: bool = False
    hangs: bool = False
    locked_for: int = 0
    works_for: float = 12.0
    missing: set[str] = field(default_factory=set)
    clock: Clock = field(default_factory=Clock)

    def __post_init__(self) -> None:
        self._answer: Ended | None = None
        self._ends = 0.0

    def monotonic(self) -> float:
        self.clock.now += 0.01
        return self.clock.now

    def wall(self) -> int:
        return int(self.clock.now)

    def sleep(self, seconds: float) -> None:
        self.clock.now += seconds

    def lock(self) -> Any:
        if self.locked_for:
            self.locked_for -= 1
            raise HostError("an action is running on this host", subject="host")
        return nullcontext()

    def settle(self) -> None:
        pass

    def discover(self, order: Order) -> Found:
        found = found_of(order)
        return replace(found, drives=tuple(one for one in found.drives if one.serial not in self.missing))

    def nodes_of(self, paths: Iterable[str]) -> dict[str, str]:
        found = found_of(self.ordered)
        return {part.links[0]: part.node for one in found.drives for part in one.units if part.links[0] in paths}

    def facts(self, _found: Found, serials: Sequence[str]) -> dict[str, tuple[UnitFacts, ...]]:
        return {serial: facts for serial, facts in facts_of(self.ordered).items() if serial in serials}

    def contents(self, _found: Found, keys: Iterable[Key]) -> Mapping[Key, tuple[Content, ...]]:
        return {key: self.contents_now.get(key, ()) for key in keys}

    @contextmanager
    def claim(self, paths: Iterable[str]) -> Any:
        self.claimed.append(tuple(paths))
        self.held = True
        yield
        self.held = False

    def temperatures(self, paths: Sequence[str]) -> dict[str, int]:
        return {paths[0]: self.temperature.pop(0)} if self.temperature else {}

    def start(self, work: Any, _seconds: float) -> bool:
        assert self._answer is None
        if "--readonly" not in work:
            assert self.held, "written without a claim"
        self.happens(self, work)
        self.ran.append(tuple(work))
        status = "timeout" if self.hangs else "done"
        self._answer = Ended("fio", status, 0, answer(work).encode(), 12.0)
        self._ends = self.clock.now + self.works_for
        return True

    def poll(self, seconds: float) -> Ended | None:
        self.clock.now += seconds
        if self.clock.now < self._ends:
            return None
        ended, self._answer = self._answer, None
        return ended

    def abandon(self) -> None:
        self._answer = None


def answer(argv: Sequence[str]) -> str:
    """fio's JSON for a command line: each unit does 100 MB/s."""
    words = dict(word.partition("=")[::2] for word in argv if "=" in word)
    side = "write" if words["--rw"] == "write" else "read"
    jobs = []
    for position, word in enumerate(argv):
        if word.startswith("--name="):
            size = int(re.findall(r"--size=(\d+)", " ".join(argv[position:]))[0])
            told = {
                "bw_bytes": 100_000_000, "iops": 100.0, "io_bytes": size, "runtime": 10_000,
                "lat_ns": {"mean": 1e7}, "clat_ns": {"percentile": {"99.000000": 2e7}},
            }  # fmt: skip
            jobs.append({"jobname": word[7:], "error": 0, "total_err": 0, side: told})
    return json.dumps({"jobs": jobs}, indent=2)
