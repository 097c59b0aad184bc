# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The drives and units of this host."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from typing import Dict, List, Mapping, Optional, Sequence, Tuple

from ..errors import InputError
from ..model import Bay, Drive, Finding
from ..partition.extents import Spec
from .bays import (
    BayPattern,
    enclosure_answers,
    map_answers,
    place,
    sas_answers,
    serial_answers,
)
from .disks import Blocks, Disk
from .notes import bay_note, drive_notes, host_notes, range_notes
from .pairing import Group, groups, logical_units
from .places import SOURCES
from .sight import Sight, see
from .units import Builder


@dataclass(frozen=True)
class Wanted:
    """What the caller expects.

    *units*: how many units a drive should show, by serial number or by model. *paths*: how many
    paths each unit should have (0: not compared). *ranges*: declared ranges of drives whose ranges
    the kernel does not report, by serial number. *bay_map*, *serial_bays*,
    *enclosures* and *sources*: see `bays`.
    """

    units: Mapping[str, int] = field(default_factory=dict)
    paths: int = 0
    ranges: Mapping[str, Spec] = field(default_factory=dict)
    bay_map: Tuple[BayPattern, ...] = ()
    serial_bays: Mapping[str, Bay] = field(default_factory=dict)
    enclosures: Mapping[str, str] = field(default_factory=dict)
    sources: Tuple[str, ...] = SOURCES

    def __post_init__(self) -> None:
        unknown = sorted(set(self.sources) - set(SOURCES))
        if unknown:
            raise InputError(
                "{0} is not a source of bays".format(", ".join(unknown)),
                subject="bay_sources",
                remedy="Known: {0}.".format(", ".join(SOURCES)),
            )


@dataclass(frozen=True)
class Found:
    """The drives of a host in bay order, those without a bay last, and the findings on them.

    *blocks* has every disk and device-mapper device as the kernel shows it.
    """

    drives: Tuple[Drive, ...]
    findings: Tuple[Finding, ...]
    blocks: Blocks

    def disk(self, node: str) -> Optional[Disk]:
        """The disk with this device node, with its partitions; None for other nodes."""
        return next((disk for disk in self.blocks.disks if disk.node == node), None)


def discover(wanted: Optional[Wanted] = None) -> Found:
    """Read the host. Raises MissingLibraryError without pyudev, HostError when there is nothing to read."""
    return assemble(see(), wanted or Wanted())


def assemble(sight: Sight, wanted: Wanted) -> Found:
    """Drives and findings from what was seen. Pure."""
    blocks = sight.blocks
    parts = groups(logical_units(blocks.disks))
    placed = place(
        parts,
        {
            "enclosure": enclosure_answers(wanted.enclosures, sight.attached),
            "sas": sas_answers(parts, wanted.enclosures, sight.sas),
            "map": map_answers(wanted.bay_map),
            "serial": serial_answers(wanted.serial_bays),
        },
        wanted.sources,
    )
    builder = Builder(blocks, sight.uses, wanted.ranges, sight.links)
    drives = [builder.drive(part, placed.bays.get(number)) for number, part in enumerate(parts)]
    drives = _expect(drives, parts, wanted.units)
    findings = host_notes(drives, blocks)
    for number, drive in enumerate(drives):
        findings += drive_notes(drive, parts[number], wanted.units, wanted.paths, builder.mapped)
        findings += range_notes(drive, parts[number])
        if number in placed.shared:
            findings.append(bay_note(drive, placed.shared[number]))
    return Found(tuple(sorted(drives, key=_bay_order)), tuple(sorted(findings, key=_note_order)), blocks)


def _bay_order(drive: Drive) -> Tuple[bool, Bay, str, str]:
    return (drive.bay is None, drive.bay or Bay("", 0), drive.serial, drive.key)


def _note_order(finding: Finding) -> Tuple[str, str, str, int, str]:
    return (finding.bay, finding.serial, finding.code, -1 if finding.index is None else finding.index, finding.found)


def _expect(drives: Sequence[Drive], parts: Sequence[Group], declared: Mapping[str, int]) -> List[Drive]:
    """Set how many units each drive should show: as declared, else what most drives of its model show."""
    usual: Dict[Tuple[str, str], Counter[int]] = {}
    for drive in drives:
        usual.setdefault((drive.vendor, drive.model), Counter())[len(drive.units)] += 1
    done: List[Drive] = []
    for drive, part in zip(drives, parts):
        counts = usual[(drive.vendor, drive.model)]
        most = max(counts, key=lambda count: (counts[count], count))
        expected = max(most, len(drive.units))
        if part.alone_on_target:
            # A unit 1 without a unit 0 proves that there are two.
            expected = max(expected, max(unit.index for unit in drive.units) + 1)
        given = declared.get(drive.serial) or declared.get(drive.model)
        done.append(replace(drive, expected_units=given or expected))
    return done
