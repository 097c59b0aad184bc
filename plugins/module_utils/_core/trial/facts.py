# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""What is known about a drive besides its speed: format, cache, firmware, SMART."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from typing import Callable, Dict, Optional, Sequence, Tuple

from ..errors import CoreError
from ..health import smart
from ..host.discover import Found
from ..host.run import Runner
from ..host.sysfs import read_text
from ..model import Drive, Unit

SYS_BLOCK = "/sys/block"


@dataclass(frozen=True)
class UnitFacts:
    """One unit. Sizes are bytes; *protection* is the T10 protection type, 0 for none.

    *write_cache* is as the kernel has it: C(write back), C(write through) or empty. *smart* is the verdict
    of `health.smart`, or C(unreadable) with the cause in *smart_reason*. *self_test* is C(passed), C(failed),
    C(running), C(aborted), C(none) or C(unknown).
    """

    index: int
    logical_block: int = 0
    physical_block: int = 0
    protection: int = 0
    write_cache: str = ""
    smart: str = "unreadable"
    smart_reason: str = ""
    temperature: Optional[int] = None
    power_on_hours: Optional[int] = None
    grown_defects: Optional[int] = None
    pending_defects: Optional[int] = None
    uncorrected_errors: Optional[int] = None
    self_test: str = "unknown"

    @property
    def sectors(self) -> str:
        """The sector format in words."""
        return "{0} bytes, {1} physical".format(self.logical_block, self.physical_block)


Facts = Dict[str, Tuple[UnitFacts, ...]]
"""The units of each drive, by serial."""


def read_facts(found: Found, serials: Sequence[str], runner: Runner, sys_block: str = SYS_BLOCK) -> Facts:
    """The facts of the drives with these serials; each fact that cannot be read says so."""
    return {
        drive.serial: tuple(_facts(found, drive, unit, runner, sys_block) for unit in drive.units)
        for drive in found.drives
        if drive.serial in serials
    }


def _facts(found: Found, drive: Drive, unit: Unit, runner: Runner, sys_block: str) -> UnitFacts:
    node = unit.paths[0].node
    disk = found.disk(node)
    known = UnitFacts(
        index=unit.index,
        logical_block=unit.logical_block,
        physical_block=unit.physical_block,
        protection=disk.protection if disk else 0,
        write_cache=read_text("{0}/{1}/queue/write_cache".format(sys_block, os.path.basename(node))),
    )
    return with_smart(known, lambda: smart.read(runner(smart.argv(node)).stdout, unit.wwn, drive.serial))


def with_smart(known: UnitFacts, reading: Callable[[], smart.SmartReading]) -> UnitFacts:
    """*known* with the SMART data; a reading that fails, or hangs, is reported, not raised."""
    try:
        seen = reading()
    except CoreError as error:
        return replace(known, smart="unreadable", smart_reason=str(error))
    return replace(
        known,
        smart=seen.verdict,
        smart_reason=seen.reason,
        temperature=seen.temperature,
        power_on_hours=seen.power_on_hours,
        grown_defects=seen.grown_defects,
        pending_defects=seen.pending_defects,
        uncorrected_errors=sum(count.uncorrected or 0 for count in seen.errors) if seen.errors else None,
        self_test=seen.self_test.result,
    )
