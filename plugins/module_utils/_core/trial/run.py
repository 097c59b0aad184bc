# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs a trial, run by run; continues where the trial's files say."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import replace
from typing import Callable, Dict, Optional, Sequence, Tuple

from ..errors import CoreError, DecodeError, HostError
from ..host.discover import Found
from . import choose, plan, results
from .estimate import seconds_left
from .facts import Facts
from .order import Key, Order
from .plan import Step
from .reading import Measure, read
from .state import Folder, Progress
from .verdict import Reason
from .world import TrialHost

ARRIVAL_SECONDS = 180
"""How long drives may take to appear after a boot."""
LOCK_SECONDS = 60
ANSWER_SECONDS = 180.0
"""How long fio may take beyond its time: the kernel tries a request that gets no answer several times."""
WATCH_SECONDS = 30.0
_AT_START = "when the trial started or resumed, "
COOLER = 5
"""A trial that was too warm continues this many degrees below the ceiling."""


class _End(Exception):
    """The trial ends early, in this state and for this reason."""

    def __init__(self, state: str, reason: str) -> None:
        super().__init__(reason)
        self.state = state
        self.reason = reason


class Trial:
    """One trial in its folder, on its host. *stop* says whether somebody asked it to end."""

    def __init__(self, folder: Folder, host: TrialHost, stop: Callable[[], bool], results_path: str) -> None:
        self._folder = folder
        self._host = host
        self._stop = stop
        self._results_path = results_path
        self._begun = self._watch = host.monotonic()
        self._progress = Progress(order="")
        self._earlier = 0.0

    def run(self) -> Progress:
        """Run the trial, or continue it. Returns how it ended, which its files record as well."""
        order, progress = self._folder.order(), self._folder.progress()
        if order is None or progress is None:
            raise HostError("no trial is ordered", subject="trial", remedy="Start one with drive_trial.")
        self._progress, self._earlier = progress, progress.spent
        try:
            with ExitStack() as held:
                self._take_lock(held)
                self._go(order)
        except _End as end:
            self._keep(state=end.state, reason=end.reason, doing="", seconds_left=None)
        except CoreError as error:
            self._keep(state="failed", reason=str(error), doing="", seconds_left=None)
        finally:
            self._host.abandon()
        self._folder.want(False)
        return self._progress

    def _take_lock(self, held: ExitStack) -> None:
        deadline = self._host.monotonic() + LOCK_SECONDS
        while True:
            try:
                held.enter_context(self._host.lock())
                return
            except HostError:
                # The module that ordered the trial holds it for a moment longer.
                if self._host.monotonic() >= deadline:
                    raise
                self._pause(1.0)

    def _go(self, order: Order) -> None:
        self._keep(state="running", reason="")
        found = self._arrived(order)
        serials = [drive.serial for drive in order.drives]
        before = self._folder.before()
        if before is None:
            before = self._host.facts(found, serials)
            self._folder.keep_before(before)
        measures = self._folder.measures()
        for step in plan.steps(order):
            if step.number not in measures and self._left(step):
                measures[step.number] = self._step(order, step)
                self._folder.add(step.number, measures[step.number])
            # The estimate is for this plan, from what this trial measured.
            self._keep(done=len(measures), seconds_left=seconds_left(order, measures, self._progress.dropped), doing="")
            self._bound(order, step)
        self._conclude(order, before, measures)

    # --- one run

    def _left(self, step: Step) -> Tuple[Key, ...]:
        return tuple(key for key in step.units if key[0] not in self._progress.dropped)

    def _step(self, order: Order, step: Step) -> Dict[Key, Measure]:
        step = replace(step, units=self._left(step))
        while True:
            self._rest(order, step)
            self._keep(state="running", reason="", doing=plan.describe(order, step))
            with ExitStack() as held:
                if step.phase in plan.BURN_IN:
                    self._fence(order, step, held)
                output = self._fio(order, step)
            if output is not None:
                return self._read(order, step, output)
            if not self._left(step):
                return {}
            step = replace(step, units=self._left(step))

    def _read(self, order: Order, step: Step, output: str) -> Dict[Key, Measure]:
        names = {order.drive(serial).name(index): (serial, index) for serial, index in step.units}
        found = read(output, list(names), step.writes)
        short = [name for name in names if _cut_short(order, step, found[name])]
        if short:
            raise DecodeError("fio ended before its work was done on {0}".format(", ".join(short)), subject="trial")
        return {key: found[name] for name, key in names.items()}

    def _fio(self, order: Order, step: Step) -> Optional[str]:
        """fio's output; None when the run must be repeated: it got too warm, or a drive did not answer."""
        seconds = self._seconds(order, step)
        if not self._host.start(plan.argv(order, step), seconds):
            raise HostError("fio cannot be started: the host refuses another process", subject="trial")
        while True:
            ended = self._host.poll(1.0)
            self._check_stop()
            if ended is not None:
                break
            if self._host.monotonic() >= self._watch:
                self._keep()
                self._bound_time(order)
                if self._too_warm(order, step):
                    return None
        if ended.status != "done":
            self._drop(step, seconds)
            return None
        text = ended.output.decode("utf-8", "replace")
        if ended.rc < 0 or not text.strip():
            raise DecodeError("fio ended with exit code {0} and without a result".format(ended.rc), subject="trial")
        return text

    def _seconds(self, order: Order, step: Step) -> float:
        settings = order.settings
        if step.phase in plan.MEASURING:
            return settings.run_seconds + settings.ramp_seconds + ANSWER_SECONDS + len(step.units)
        # 1 MB/s: a slower drive is broken.
        return ANSWER_SECONDS + step.length / 1e6

    def _drop(self, step: Step, seconds: float) -> None:
        """Leave out the drives without a result. Of several in a run it is not known which one did not answer."""
        text = "fio had not finished {0:.0f} s after its start".format(seconds)
        dropped = dict(self._progress.dropped)
        if len(step.serials) == 1:
            dropped[step.serials[0]] = Reason("no_answer", "reject", text)
        else:
            text += "; {0} drives were in this run, test this one alone".format(len(step.serials))
            dropped.update({serial: Reason("no_answer", "look", text) for serial in step.serials})
        self._keep(dropped=dropped)

    # --- before a run

    def _fence(self, order: Order, step: Step, held: ExitStack) -> None:
        """Make sure that writes only reach drives of the order that are empty and that nobody else holds."""
        found = self._host.discover(order)
        only = replace(order, drives=tuple(order.drive(serial) for serial in step.serials))
        gone = choose.gone(only, found, self._nodes(only))
        if gone or not all(drive.burn_in for drive in only.drives):
            raise _End("failed", "; ".join("{0}: {1}".format(order.drive(one).label, gone[one]) for one in gone))
        choose.refuse_contents(order, self._host.contents(found, step.units), step.units)
        held.enter_context(self._host.claim([order.unit(key).path for key in step.units]))

    def _arrived(self, order: Order) -> Found:
        """The drives, once all are present: after a boot some appear late."""
        deadline = self._host.monotonic() + ARRIVAL_SECONDS
        while True:
            self._host.settle()
            found = self._host.discover(order)
            gone = choose.gone(order, found, self._nodes(order))
            dropped = {serial: why for serial, why in gone.items() if serial not in self._progress.dropped}
            if not dropped:
                return found
            if self._host.monotonic() >= deadline:
                every = dict(self._progress.dropped)
                every.update({one: Reason("gone", "reject", _AT_START + why) for one, why in dropped.items()})
                self._keep(dropped=every)
                return found
            self._pause(5.0)

    def _nodes(self, order: Order) -> Dict[str, str]:
        return self._host.nodes_of([unit.path for drive in order.drives for unit in drive.units])

    def _rest(self, order: Order, step: Step) -> None:
        """Reads temperatures before a run in which they would be due: reading them disturbs what is measured."""
        lead = order.settings.run_seconds + order.settings.ramp_seconds if step.phase in plan.MEASURING else 0
        if self._host.monotonic() + lead >= self._watch:
            self._too_warm(order, step)

    def _too_warm(self, order: Order, step: Step) -> bool:
        """Whether a drive of the run was above the ceiling; returns once it is cool again."""
        ceiling = order.settings.temperature_ceiling
        # All units of a drive get warm, even when only one works.
        paths = [unit.path for serial in step.serials for unit in order.drive(serial).units]
        self._watch = self._host.monotonic() + WATCH_SECONDS
        if not ceiling or self._warmest(paths) <= ceiling:
            return False
        self._host.abandon()
        while self._warmest(paths) > ceiling - COOLER:
            text = "a drive is at {0} degrees Celsius, above the ceiling of {1}; waiting until it is at {2}".format(
                self._progress.warmest, ceiling, ceiling - COOLER
            )
            self._keep(state="paused", reason=text)
            self._bound_time(order)
            self._pause(WATCH_SECONDS)
        self._watch = self._host.monotonic() + WATCH_SECONDS
        return True

    def _warmest(self, paths: Sequence[str]) -> int:
        found = self._host.temperatures(paths)
        self._keep(warmest=max(found.values(), default=None))
        return max(found.values(), default=0)

    def _bound(self, order: Order, step: Step) -> None:
        """Ends the trial before it writes, if the rest would exceed the time limit."""
        self._bound_time(order)
        left = self._progress.seconds_left
        following = plan.steps(order)[step.number + 1 : step.number + 2]
        if left is not None and following and following[0].writes and not step.writes:
            if self._spent() + left > order.settings.time_limit_seconds:
                text = "at the measured speed the rest takes {0:.0f} minutes, more than time_limit_seconds leaves"
                raise _End("stopped", text.format(left / 60))

    def _bound_time(self, order: Order) -> None:
        if self._spent() > order.settings.time_limit_seconds:
            raise _End("stopped", "its time limit of {0} s is over".format(order.settings.time_limit_seconds))

    def _check_stop(self) -> None:
        if self._stop():
            raise _End("stopped", "it was stopped on request")

    def _pause(self, seconds: float) -> None:
        deadline = self._host.monotonic() + seconds
        while self._host.monotonic() < deadline:
            self._check_stop()
            self._host.sleep(min(1.0, seconds))

    # --- the end, and the files

    def _conclude(self, order: Order, before: Facts, measures: Dict[int, Dict[Key, Measure]]) -> None:
        found = self._host.discover(order)
        gone = choose.gone(order, found, self._nodes(order))
        there = [drive.serial for drive in order.drives if drive.serial not in gone]
        after = self._host.facts(found, there)
        new = results.conclude(order, measures, before, after, self._host.wall(), self._progress.dropped)
        results.write(results.merge(results.read(self._results_path), new), self._results_path)
        self._keep(state="finished", reason="", doing="", seconds_left=0.0)

    def _spent(self) -> float:
        return self._earlier + self._host.monotonic() - self._begun

    def _keep(self, **changes: object) -> None:
        new: Dict[str, object] = {"updated": self._host.wall(), "spent": self._spent(), **changes}
        self._progress = replace(self._progress, **new)  # type: ignore[arg-type]
        self._folder.keep(self._progress)


def _cut_short(order: Order, step: Step, measure: Measure) -> bool:
    """Whether fio was ended early: it prints what it has so far, and that must not count."""
    if measure.errors:
        return False
    if step.phase in plan.MEASURING:
        return measure.seconds < order.settings.run_seconds * 0.5
    return measure.bytes < step.length
