# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The lines of smartd's configuration: one for every unit, by its stable name. Pure.

smartd's own scan and most hand-written configurations use serial numbers or kernel device names. Both units of a drive
report one serial, and device names may change at every boot. Format of the lines: smartd.conf(5).
"""

from __future__ import annotations

from typing import Iterable, List, Sequence

from .errors import InputError
from .model import Drive
from .names import DIRECTORY, WWN, is_range, unit_name


def smartd_lines(
    drives: Sequence[Drive], directives: str, selftests: Sequence[str] = (), support: Iterable[str] = ()
) -> List[str]:
    """One line for each unit of the drives, in bay order, then one for each device of a supporting vdev.

    *directives* go on every line. *selftests* are the schedules (C(-s)) of unit 0, unit 1 and so on, so that siblings
    need not be in test together. A range-split drive has one line: its ranges are partitions of one device. Every line
    has C(-d removable), since without it one missing drive would keep smartd from starting. Raises InputError on text
    that would not stay on its line.
    """
    for number, text in enumerate([directives, *selftests]):
        _refuse_lines(text, "selftests[{0}]".format(number - 1) if number else "directives")
    lines: List[str] = []
    for drive in sorted((one for one in drives if one.bay is not None), key=lambda one: str(one.bay)):
        lines += _drive(drive, directives, selftests)
    for wwn in support:
        if WWN.fullmatch(wwn):
            lines.append(_line(_by_id(wwn), directives, selftests[:1]))
    return lines


def _drive(drive: Drive, directives: str, selftests: Sequence[str]) -> List[str]:
    lines = []
    label = drive.bay.label if drive.bay is not None else ""
    for unit in drive.units:
        if not WWN.fullmatch(unit.wwn):
            continue
        if not is_range(drive, unit):
            name = "{0}/{1}".format(DIRECTORY, unit_name(label, unit.index))
            lines.append(_line(name, directives, selftests[unit.index : unit.index + 1]))
        elif unit.index == 0:
            lines.append(_line(_by_id(unit.wwn), directives, selftests[:1]))
    return lines


def _by_id(wwn: str) -> str:
    kind, digits = wwn.split(".", 1)
    return "/dev/disk/by-id/{0}".format("wwn-0x" + digits if kind == "naa" else "nvme-" + wwn)


def _line(path: str, directives: str, selftests: Sequence[str]) -> str:
    parts = [path, "-d removable", directives.strip()] + ["-s {0}".format(test) for test in selftests if test]
    return " ".join(part for part in parts if part)


def _refuse_lines(text: str, where: str) -> None:
    if not text.isprintable() or "#" in text or text.rstrip().endswith("\\"):
        raise InputError(
            "{0!r} is not text on one line".format(text),
            subject=where,
            remedy="Write directives of smartd.conf(5), without comments and continuation lines.",
        )
