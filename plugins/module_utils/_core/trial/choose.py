# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Which drives a trial tests, and what prevents it from starting. Pure except for reading the devices."""

from __future__ import annotations

import re
from typing import Any, Dict, Iterable, List, Mapping, Optional, Sequence, Tuple

from ..errors import InputError, Refusal
from ..host.contents import IN_USE
from ..host.discover import Found
from ..model import Content, Drive, Member, Unit
from ..zfs.build import describe
from .order import Key, Order, Settings, TrialDrive, TrialUnit

_EXPANDER = re.compile(r"/(expander-[0-9:]+)/")


def make_order(
    found: Found,
    serials: Optional[Sequence[str]],
    burn_in_serials: Sequence[str],
    settings: Settings,
    ranges: Optional[Mapping[str, Any]] = None,
) -> Order:
    """The order for these drives (None: all with several units). Refuses drives that cannot be tested, by name."""
    by_serial: Dict[str, List[Drive]] = {}
    for drive in found.drives:
        by_serial.setdefault(drive.serial, []).append(drive)
    if serials is None:
        serials = [one.serial for one in found.drives if max(len(one.units), one.expected_units) > 1]
    stray = sorted(set(burn_in_serials) - set(serials))
    if stray:
        raise InputError(
            "{0} is not a drive of this trial".format(", ".join(stray)),
            subject="burn_in_serials",
            remedy="List only drives of this trial, the ones that may be overwritten completely.",
        )
    reasons = [reason for serial in dict.fromkeys(serials) for reason in _unfit(serial, by_serial.get(serial, []))]
    reasons += [
        "{0}: a burn-in needs all units of the drive".format(drive.label)
        for serial in burn_in_serials
        for drive in by_serial.get(serial, [])
        if len(drive.units) < drive.expected_units
    ]
    if reasons:
        raise Refusal("Some drives cannot be tested; nothing was changed.", reasons)
    if not serials:
        raise Refusal(
            "There is no drive to test; nothing was changed.",
            ["no drive on this host has several units"],
            "To test drives with a single unit, list them in serials.",
        )
    drives = [_drive(found, by_serial[serial][0], serial in burn_in_serials) for serial in dict.fromkeys(serials)]
    return Order(
        tuple(sorted(drives, key=lambda one: (one.bay == "", one.bay, one.serial))), settings, dict(ranges or {})
    )


def _unfit(serial: str, drives: Sequence[Drive]) -> List[str]:
    if not drives:
        return ["bay unknown (serial {0}): no drive with this serial is on the host".format(serial)]
    if not serial:
        return ["{0}: it reports no serial number, so it cannot be identified".format(drives[0].label)]
    if len(drives) > 1:
        return ["{0}: {1} drives report this serial number".format(drives[0].label, len(drives))]
    reasons = []
    for unit in drives[0].units:
        if not unit.size:
            reasons.append("{0} unit {1}: it reports no size; see drive_info".format(drives[0].label, unit.index))
        elif len(unit.paths) > 1 and unit.node in [path.node for path in unit.paths]:
            reasons.append(
                "{0} unit {1}: it has several paths, but no multipath device".format(drives[0].label, unit.index)
            )
    return reasons


def _drive(found: Found, drive: Drive, burn_in: bool) -> TrialDrive:
    disk = found.disk(drive.units[0].paths[0].node)
    expander = _EXPANDER.findall(disk.sys_path) if disk else []
    return TrialDrive(
        serial=drive.serial,
        units=tuple(_unit(unit) for unit in drive.units),
        bay=drive.bay.label if drive.bay else "",
        model_name=" ".join(filter(None, (drive.vendor, drive.model))),
        firmware=drive.firmware,
        adapter=drive.adapter,
        expander=expander[-1] if expander else "",
        expected_units=drive.expected_units,
        burn_in=burn_in,
    )


def _unit(unit: Unit) -> TrialUnit:
    # A range without a partition is measured as a part of its whole disk.
    inside = unit.unit_kind == "range" and not unit.node
    path = unit.links[0] if unit.links else unit.node or unit.paths[0].by_path or unit.paths[0].node
    return TrialUnit(unit.index, path, unit.wwn, unit.unit_kind, unit.start if inside else 0, unit.size)


def refuse_contents(
    order: Order, contents: Mapping[Key, Sequence[Content]], keys: Iterable[Key], include_busy: bool = False
) -> None:
    """Refuses a burn-in of units with any contents, and measuring of units that are in use."""
    reasons = []
    for serial, index in keys:
        drive = order.drive(serial)
        for content in contents.get((serial, index), ()):
            if drive.burn_in or (content.type in IN_USE and not include_busy):
                reasons.append(
                    describe(Member(serial, index, drive.bay), content)
                    + ("; a burn-in would destroy it" if drive.burn_in else "")
                )
    if reasons:
        raise Refusal(
            "Some drives of the trial are in use or not empty; nothing was changed.",
            reasons,
            "A burn-in runs on empty drives only, and no option overrides that. To measure drives in use, set"
            " include_busy: true. Their load then affects the figures, and the trial slows that load down.",
        )


def gone(order: Order, found: Found, nodes: Mapping[str, str]) -> Dict[str, str]:
    """The drives of the order that are not on the host as they were, by serial, and what is different.

    *nodes* has the devices that the paths of the order point to now.
    """
    by_serial: Dict[str, List[Drive]] = {}
    for drive in found.drives:
        by_serial.setdefault(drive.serial, []).append(drive)
    different: Dict[str, str] = {}
    for wanted in order.drives:
        drives = by_serial.get(wanted.serial, [])
        if len(drives) != 1:
            different[wanted.serial] = "{0} drives with its serial are on the host".format(len(drives) or "no")
            continue
        units = {unit.index: unit for unit in drives[0].units}
        for unit in wanted.units:
            why = _changed(unit, units.get(unit.index), nodes)
            if why:
                different[wanted.serial] = "unit {0} {1}".format(unit.index, why)
    return different


def _changed(wanted: TrialUnit, unit: Optional[Unit], nodes: Mapping[str, str]) -> str:
    if unit is None:
        return "is not on the host"
    if (unit.wwn, unit.size) != (wanted.wwn, wanted.size):
        return "is a different one now ({0}, {1} bytes)".format(unit.wwn or "no name", unit.size)
    own: Tuple[str, ...] = (unit.node,) if unit.node else tuple(path.node for path in unit.paths)
    if nodes.get(wanted.path) not in own:
        return "is not the device that {0} points to".format(wanted.path)
    return ""
