# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The runs of a trial in their order, and fio's command line for each. Pure.

Options: fio(1), 3.33 (Debian 12) to 3.39 (Debian 13).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Dict, Iterator, List, Sequence, Tuple

from .order import KINDS, Key, Order, Settings, TrialDrive

MEASURING = ("alone", "together", "group", "all")
"""Phases that are measured for a fixed time; the others run until they have done their bytes."""

BURN_IN = ("write", "verify")
"""Phases of the burn-in."""

BLOCK = 1 << 20
"""Bytes of each read and write that goes through a whole unit. A smaller remainder at its end is left out."""


@dataclass(frozen=True)
class Step:
    """One run of fio on some units.

    *phase*: C(alone) (one unit of each drive), C(together) (all units of each drive), C(group) (all drives
    of an adapter or expander, named in *group*), C(all), C(surface) (reads every block), C(write) or
    C(verify). *number* counts from 0. *begin* and *length* are the bytes of each unit that a run which is
    not measured goes through.
    """

    number: int
    phase: str
    kind: str
    units: Tuple[Key, ...]
    group: str = ""
    begin: int = 0
    length: int = 0

    @property
    def writes(self) -> bool:
        """Whether it writes to the drives."""
        return self.phase == "write"

    @property
    def serials(self) -> Tuple[str, ...]:
        """The drives that take part, each once."""
        return tuple(dict.fromkeys(serial for serial, _index in self.units))


def steps(order: Order) -> Tuple[Step, ...]:
    """All runs: first the measured ones, drive by drive, then all together, then the long ones, writing last."""
    settings = order.settings
    plan = _Plan()
    for some in rounds(order.drives, settings.per_adapter):
        _measure_drives(plan, some)
    if len(order.drives) > 1:
        _measure_groups(plan, order.drives)
    if settings.surface:
        for some in rounds(order.drives, settings.burn_in_per_adapter):
            _go_through(plan, order, some, ("surface",))
    for some in rounds([drive for drive in order.drives if drive.burn_in], settings.burn_in_per_adapter):
        _go_through(plan, order, some, BURN_IN)
    return tuple(plan.found)


class _Plan:
    """Collects runs and numbers them; a run without units is left out."""

    def __init__(self) -> None:
        self.found: List[Step] = []

    def add(
        self, phase: str, kind: str, units: Sequence[Key], group: str = "", begin: int = 0, length: int = 0
    ) -> None:
        if units:
            self.found.append(Step(len(self.found), phase, kind, tuple(units), group, begin, length))


def _measure_drives(plan: _Plan, drives: Sequence[TrialDrive]) -> None:
    """Each unit alone, then the units of each drive together."""
    for kind in KINDS:
        for index in sorted({unit.index for drive in drives for unit in drive.units}):
            plan.add("alone", kind, [key for key in _units(drives) if key[1] == index])
        plan.add("together", kind, _units([drive for drive in drives if len(drive.units) > 1]))


def _measure_groups(plan: _Plan, drives: Sequence[TrialDrive]) -> None:
    """The drives that share something, then all drives."""
    for kind in KINDS:
        for name, members in groups(drives):
            plan.add("group", kind, _units(members), name)
        plan.add("all", kind, _units(drives))


def _go_through(plan: _Plan, order: Order, drives: Sequence[TrialDrive], phases: Sequence[str]) -> None:
    """All units of the drives from beginning to end, in chunks, once for each phase."""
    ends = {key: order.unit(key).size // BLOCK * BLOCK for key in _units(drives)}
    for phase in phases:
        for begin in range(0, max(ends.values(), default=0), order.settings.chunk):
            # Units of one size go in one run; a smaller one has a shorter last chunk of its own.
            lengths = {key: min(order.settings.chunk, end - begin) for key, end in ends.items() if end > begin}
            for length in sorted(set(lengths.values()), reverse=True):
                keys = [key for key, one in lengths.items() if one == length]
                plan.add(phase, "sequential", keys, begin=begin, length=length)


def rounds(drives: Sequence[TrialDrive], per_adapter: int) -> Iterator[Tuple[TrialDrive, ...]]:
    """The drives in order, at most *per_adapter* of each adapter at a time (0: no limit)."""
    by_adapter: Dict[str, List[TrialDrive]] = {}
    for drive in drives:
        by_adapter.setdefault(drive.adapter, []).append(drive)
    most = max((len(some) for some in by_adapter.values()), default=0)
    for first in range(0, most, per_adapter or most or 1):
        last = first + (per_adapter or most)
        yield tuple(drive for some in by_adapter.values() for drive in some[first:last])


def groups(drives: Sequence[TrialDrive]) -> Iterator[Tuple[str, Tuple[TrialDrive, ...]]]:
    """What several drives share, but not all: adapters and expanders, with their drives."""
    for kind in ("adapter", "expander"):
        names = sorted({getattr(drive, kind) for drive in drives} - {""})
        for name in names:
            members = tuple(drive for drive in drives if getattr(drive, kind) == name)
            if 1 < len(members) < len(drives):
                yield "{0} {1}".format(kind, name), members


def _units(drives: Sequence[TrialDrive]) -> List[Key]:
    return [(drive.serial, unit.index) for drive in drives for unit in drive.units]


def argv(order: Order, step: Step, program: str = "fio") -> Tuple[str, ...]:
    """fio's command line for a run: what all jobs share, then a job for each unit, named as the unit is.

    Only a run of phase C(write) lacks C(--readonly), with which fio refuses to write.
    """
    words = [program, "--output-format=json", "--direct=1", "--ioengine=libaio", "--continue_on_error=all"]
    words += [] if step.writes else ["--readonly"]
    words += _work(order.settings, step)
    for serial, index in step.units:
        unit = order.unit((serial, index))
        words += ["--name=" + order.drive(serial).name(index), "--filename=" + unit.path.replace(":", "\\:")]
        words += _part(step, unit.start, unit.size)
    return tuple(words)


def _work(settings: Settings, step: Step) -> List[str]:
    if step.phase in MEASURING:
        block, depth = getattr(settings, step.kind + "_block"), getattr(settings, step.kind + "_depth")
        return [
            "--rw=" + ("read" if step.kind == "sequential" else "randread"),
            "--bs={0}".format(block),
            "--iodepth={0}".format(depth),
            "--norandommap",
            "--randrepeat=0",
            "--time_based",
            "--ramp_time={0}".format(settings.ramp_seconds),
            "--runtime={0}".format(settings.run_seconds),
        ]
    words = ["--rw=" + ("write" if step.writes else "read"), "--bs={0}".format(BLOCK)]
    words.append("--iodepth={0}".format(settings.sequential_depth))
    if step.phase != "surface":
        # Every block has a header with its place and a checksum, so a block in the wrong place is detected too.
        words += ["--verify=crc32c", "--verify_fatal=0", "--verify_state_save=0"]
    return words + (["--do_verify=0", "--end_fsync=1"] if step.writes else [])


def _part(step: Step, start: int, size: int) -> List[str]:
    if step.length:
        return ["--offset={0}".format(start + step.begin), "--size={0}".format(step.length)]
    return ["--offset={0}".format(start), "--size={0}".format(size)]


def describe(order: Order, step: Step) -> str:
    """The run as text, for people who wait for it."""
    names = [order.drive(serial).name(index) for serial, index in step.units]
    some = ", ".join(names) if len(names) <= 4 else "{0} to {1} ({2} units)".format(names[0], names[-1], len(names))
    what = {
        "alone": "{0} reads, each unit alone",
        "together": "{0} reads, all units of the drive together",
        "group": "{0} reads, all of " + step.group,
        "all": "{0} reads, all drives together",
        "surface": "reading every block",
        "write": "burn-in, writing",
        "verify": "burn-in, reading back",
    }[step.phase].format(step.kind)
    return "{0}: {1}".format(what, some)


def measured_seconds(order: Order) -> int:
    """How long fio works on the measured runs, without the time to start it."""
    count = sum(1 for step in steps(order) if step.phase in MEASURING)
    return count * (order.settings.run_seconds + order.settings.ramp_seconds)
