# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""How often a pool loses data: a continuous-time Markov chain, and what it assumes.

A drive fails whole, with all its units, or one actuator fails and takes one unit. What
failed is resilvered after a delay, for the time that `rebuild` gives. Data is lost when a vdev
loses more members than its parity covers, or when a vdev with no parity left meets an unreadable sector while it
resilvers (counted as a loss even where it costs one file only). All times are exponential and all
failures independent: the model knows no batches, heat, firmware or people. Use the numbers to compare
layouts, not as a promise.

Vdevs that hold the same drives fail together and form one chain; other vdevs get one
each, and the chances are joined as if independent.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from functools import lru_cache
from math import expm1, log1p
from typing import Dict, Iterator, List, Mapping, Optional, Sequence, Set, Tuple

from ..errors import InputError
from ..model import Vdev
from .failures import DriveClass, Hazards, group_chain
from .figure import ESTIMATE, MODEL, Figure, ranged
from .rebuild import ASSUMED_PACE, Pace, rebuild_drive, rebuild_in_turn, rebuild_unit, vdevs_of_drives

YEAR_HOURS = 8760.0
# Far beyond any drive, and near enough for every sum below to stay finite.
_MOST = {"drive_afr": 1e3, "unit_afr": 1e3, "read_errors": 1.0, "delay_hours": 1e5}


@dataclass(frozen=True)
class Rates:
    """The input of the model. Every default is an assumption; set your own.

    *drive_afr*: whole-drive failures for each drive and year (assumption 0.014, the lifetime rate of a
    public fleet report of 1Q23 on ordinary drives; published ranges reach from 0.01 to 0.13).
    *unit_afr*: failures of a single actuator for each unit and year (assumption 0.002; no field figure
    is known). *read_errors*: unreadable bits for each bit read (assumption 1e-15, a data-sheet upper bound).
    *delay_hours*: from a failure to the start of its resilver (assumption 24; 0 with a spare that takes over at once).
    *parallel*: failed drives are resilvered at the same time, else one after the other.
    *in_one_pass*: a drive's units are resilvered together (see `rebuild`).
    """

    drive_afr: float = 0.014
    unit_afr: float = 0.002
    read_errors: float = 1e-15
    delay_hours: float = 24.0
    parallel: bool = True
    in_one_pass: bool = True
    pace: Pace = ASSUMED_PACE

    def __post_init__(self) -> None:
        for name, most in _MOST.items():
            if getattr(self, name) < 0:
                raise InputError("{0} is below 0".format(getattr(self, name)), name, "Give 0 or more.")
            ranged(getattr(self, name), 0, most, name)


ASSUMED_RATES = Rates()


@dataclass(frozen=True)
class Loss:
    """*yearly*: probability that a fresh, healthy pool loses data in its first year. *mean_hours*: MTTDL."""

    yearly: Figure
    mean_hours: Figure


def pool_loss(vdevs: Sequence[Vdev], rates: Rates = ASSUMED_RATES) -> Loss:
    """The loss rate of a pool under *rates*."""
    per_hour = 0.0
    for classes, parities, hazards in _chains(vdevs, rates):
        per_hour += 1 / group_chain(classes, parities, hazards).mean_hours()
    yearly = yearly_loss(vdevs, rates)
    mean = Figure(1 / per_hour if per_hour else float("inf"), "h", yearly.how, yearly.note)
    return Loss(yearly, mean)


def yearly_loss(vdevs: Sequence[Vdev], rates: Rates = ASSUMED_RATES) -> Figure:
    """Probability that the fresh, healthy pool loses data in its first year; None where that takes too many steps."""
    kept, cuts, whole = 0.0, set(), True
    for classes, parities, hazards in _chains(vdevs, rates):
        lost, cut = _group_loss(classes, parities, hazards)
        whole &= lost is not None
        kept += log1p(-lost) if lost is not None and lost < 1 else float("-inf")
        cuts.add(cut)
    how, note = _how_made(rates, cuts - {0})
    if not whole:
        return Figure(None, "probability per year", how, note + "; not computed: the rates are too far apart")
    return Figure(-expm1(kept), "probability per year", how, note)


def unreadable_chance(bytes_read: float, read_errors: float) -> float:
    """Chance of at least one unreadable bit in *bytes_read* bytes: 1 - exp(-bits * rate)."""
    return -expm1(-8 * bytes_read * read_errors)


@lru_cache(maxsize=512)
def _group_loss(
    classes: Tuple[DriveClass, ...], parities: Tuple[int, ...], hazards: Hazards
) -> Tuple[Optional[float], int]:
    chain = group_chain(classes, parities, hazards)
    return chain.end_by(YEAR_HOURS), chain.cut


def _chains(vdevs: Sequence[Vdev], rates: Rates) -> Iterator[Tuple[Tuple[DriveClass, ...], Tuple[int, ...], Hazards]]:
    if not vdevs:
        raise InputError("a pool needs at least one vdev", subject="vdevs")
    homes = vdevs_of_drives(vdevs)
    units = Counter(member.serial for vdev in vdevs for member in vdev.members)
    for group in _groups(vdevs):
        yield _classes(group, units), tuple(vdev.parity for vdev in group), _hazards(group, homes, rates)


def _groups(vdevs: Sequence[Vdev]) -> List[List[Vdev]]:
    # A stripe's members are vdevs of their own; one chain can hold them as a vdev of parity 0.
    groups: Dict[Tuple[str, ...], List[Vdev]] = defaultdict(list)
    for vdev in vdevs:
        groups[tuple(_serials(vdev))].append(vdev)
    return list(groups.values())


def _classes(group: Sequence[Vdev], units: Mapping[str, int]) -> Tuple[DriveClass, ...]:
    found: Dict[str, List[int]] = defaultdict(list)
    split: Dict[str, bool] = {serial: units[serial] > 1 for vdev in group for serial in _serials(vdev)}
    for number, vdev in enumerate(group):
        for member in vdev.members:
            found[member.serial].append(number)
            split[member.serial] |= member.index > 0
    kinds = Counter((tuple(where), split[serial]) for serial, where in found.items())
    return tuple(DriveClass(many, where, apart) for (where, apart), many in sorted(kinds.items()))


def _serials(vdev: Vdev) -> List[str]:
    return sorted({member.serial for member in vdev.members})


def _hazards(group: Sequence[Vdev], homes: Mapping[str, List[Vdev]], rates: Rates) -> Hazards:
    # Drives of a group are alike in what they hold of it; the one with most units is the slowest to resilver.
    serial = max(_serials(group[0]), key=lambda name: (len(homes[name]), name))
    around = homes[serial]
    index = next(member.index for member in group[0].members if member.serial == serial)
    one = rebuild_unit(around, serial, index, rates.pace).hours
    if rates.in_one_pass:
        both = rebuild_drive(around, serial, rates.pace).hours
    else:
        both = rebuild_in_turn(around, serial, rates.pace)
    unreadable = []
    for vdev in group:
        held = rates.pace.fill * min(item.size for item in vdev.members)
        unreadable.append(unreadable_chance(held * _read_members(vdev), rates.read_errors))
    return Hazards(
        drive=rates.drive_afr / YEAR_HOURS,
        unit=rates.unit_afr / YEAR_HOURS,
        repair_drive=1 / (rates.delay_hours + both),
        repair_unit=1 / (rates.delay_hours + one),
        unreadable=tuple(unreadable),
        parallel=rates.parallel,
    )


def _read_members(vdev: Vdev) -> int:
    # How many members' worth of data a resilver reads when no parity is left.
    if vdev.kind == "mirror":
        return 1
    return vdev.data if vdev.kind == "draid" else vdev.width - vdev.parity


def _how_made(rates: Rates, cuts: Set[int]) -> Tuple[str, str]:
    if not cuts:
        return MODEL, _note(rates)
    left_out = "; slightly too low: more than {0} failures at once in vdevs of the same drives were left out"
    return ESTIMATE, _note(rates) + left_out.format(min(cuts))


def _note(rates: Rates) -> str:
    return (
        "Markov chain; assumes {0:g} whole-drive failures and {1:g} actuator failures a year, {2:g} unreadable "
        "bits for each bit read, a resilver {3:g} h after a failure at {4:g} MB/s a unit, {5:.0%} full, failures "
        "independent"
    ).format(
        rates.drive_afr,
        rates.unit_afr,
        rates.read_errors,
        rates.delay_hours,
        rates.pace.rate / 1e6,
        rates.pace.fill,
    )
