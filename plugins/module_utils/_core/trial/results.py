# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The results of trials, as they are kept on the host: the latest of each drive."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from typing import Any, Dict, List, Mapping, Optional, Tuple

from ..errors import DecodeError, HostError, InputError
from ..host.files import write_atomically
from ..plain import from_plain, to_plain
from .facts import Facts, UnitFacts
from .figures import UNMEASURED, Ceiling, ClassMedian, Measures, Pair, Reader, ceilings, figures, model_medians
from .order import KINDS, Key, Order
from .verdict import Reason, judge, worst

PATH = "/var/lib/evenkeel/split_actuator/trial.json"
VERSION = 1


@dataclass(frozen=True)
class DriveResult:
    """The latest trial of a drive; figures as in `figures.Figures`. *at* is the second it ended (Unix time).

    *codes* are stable names of the *reasons*, in the same order. *facts* are as they were at the end.
    """

    bay: str
    serial: str
    model_name: str
    firmware: str
    at: int
    verdict: str
    reasons: Tuple[str, ...] = ()
    codes: Tuple[str, ...] = ()
    wwns: Tuple[str, ...] = ()
    independence: Pair = UNMEASURED
    evenness: Pair = UNMEASURED
    alone: Tuple[Pair, ...] = ()
    together: Pair = UNMEASURED
    all_together: Pair = UNMEASURED
    latency_99: Tuple[Pair, ...] = ()
    read_errors: Tuple[int, ...] = ()
    wrong_blocks: Tuple[int, ...] = ()
    read_through: Tuple[int, ...] = ()
    written: Tuple[int, ...] = ()
    facts: Tuple[UnitFacts, ...] = ()


@dataclass(frozen=True)
class Results:
    """All results of a host. *at* is when the latest trial ended; *model_median* is by vendor and model.

    *ceilings* are those of the latest trial.
    """

    at: int = 0
    model_median: Dict[str, ClassMedian] = field(default_factory=dict)
    drives: Tuple[DriveResult, ...] = ()
    ceilings: Tuple[Ceiling, ...] = ()

    def of(self, serial: str) -> Optional[DriveResult]:
        """The result of the drive with this serial; None when it had no trial."""
        return next((one for one in self.drives if one.serial == serial), None)


def conclude(
    order: Order,
    measures: Measures,
    before: Facts,
    after: Facts,
    at: int,
    dropped: Optional[Mapping[str, Reason]] = None,
) -> Results:
    """The results of this trial alone.

    *dropped* are drives that were left out during the trial, and why. Other drives with a missing run are left
    out: they have no result.
    """
    left = dropped or {}
    found = figures(order, measures)
    reader = Reader(order, measures)
    reasons = judge(order, found, before, after)
    drives: List[DriveResult] = []
    for drive in order.drives:
        if drive.serial not in left and not reader.complete(drive.serial):
            continue
        grounds = (*([left[drive.serial]] if drive.serial in left else []), *reasons[drive.serial])
        drives.append(
            DriveResult(
                bay=drive.bay,
                serial=drive.serial,
                model_name=drive.model_name,
                firmware=drive.firmware,
                at=at,
                verdict=worst([reason.verdict for reason in grounds]),
                reasons=tuple(reason.text for reason in grounds),
                codes=tuple(reason.code for reason in grounds),
                wwns=tuple(unit.wwn for unit in drive.units),
                facts=after.get(drive.serial, ()),
                **found[drive.serial].__dict__,
            )
        )
    return Results(at, model_medians(order, found), tuple(drives), ceilings(order, measures))


def merge(old: Results, new: Results) -> Results:
    """*new*, with the drives and classes that only *old* has."""
    fresh = {one.serial for one in new.drives}
    # A drive that was moved, or replaced in its bay, loses its old bay.
    kept = [one for one in old.drives if one.serial not in fresh]
    bays = {one.bay for one in new.drives}
    kept = [replace(one, bay="") if one.bay in bays else one for one in kept]
    drives = sorted([*kept, *new.drives], key=lambda one: (one.bay == "", one.bay, one.serial))
    return replace(new, drives=tuple(drives), model_median={**old.model_median, **new.model_median})


def read(path: str = PATH) -> Results:
    """The results at *path*; empty when there are none. Raises HostError, DecodeError or InputError."""
    try:
        with open(path, encoding="utf-8") as file:
            data = json.load(file)
    except FileNotFoundError:
        return Results()
    except OSError as error:
        raise HostError("{0} cannot be read: {1}".format(path, error.strerror), subject="trial") from error
    except (ValueError, RecursionError) as error:
        raise DecodeError("{0} is not valid JSON: {1}".format(path, error), subject="trial") from error
    return from_data(data)


def from_data(data: Any) -> Results:
    """The results in the file's content. Raises InputError."""
    if not isinstance(data, dict) or data.get("version") != VERSION:
        raise InputError(
            "version {0} of the results is not supported".format(
                data.get("version") if isinstance(data, dict) else "?"
            ),
            subject="trial",
            remedy="This collection writes version {0}. Run the trial again.".format(VERSION),
        )
    return from_plain(Results, {key: value for key, value in data.items() if key != "version"}, "trial")


def write(results: Results, path: str = PATH) -> None:
    """Replace the results at *path*. Raises HostError."""
    text = json.dumps({"version": VERSION, **to_plain(results)}, indent=1, sort_keys=True, allow_nan=False)
    try:
        write_atomically(path, text + "\n", 0o644)
    except OSError as error:
        raise HostError("{0} cannot be written: {1}".format(path, error.strerror), subject="trial") from error


def speeds(results: Results) -> Dict[Key, float]:
    """Each unit's sequential speed (bytes per second) while its siblings worked, as far as it was measured."""
    return {
        (one.serial, index): (one.together.sequential or 0.0) / len(one.alone)
        for one in results.drives
        for index in range(len(one.alone))
        if one.together.sequential
    }


def picture(results: Results) -> Tuple[str, ...]:
    """The results for people, a line for each drive."""
    lines = []
    for one in results.drives:
        figures_of = ", ".join(
            "{0} {1}".format(kind, "{0:.2f}".format(value) if value is not None else "not measured")
            for kind, value in ((kind, getattr(one.independence, kind)) for kind in KINDS)
        )
        more = "; ".join(one.reasons) or "independence {0}".format(figures_of)
        lines.append("{0} (serial {1}): {2}, {3}".format(one.bay or "bay unknown", one.serial, one.verdict, more))
    return tuple(lines)
