# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Which disks belong together, over many generated hosts."""

from __future__ import annotations

import random

from hypothesis import given
from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.disks import Disk
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.pairing import groups, logical_units
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.identity.vpd import decode_identification
from tests.unit.host.trees import designators, wwn_of


@st.composite
def hosts(draw: st.DrawFn) -> tuple[list[Disk], dict[str, tuple[int, int]]]:
    """Disks in any order, and the truth: kernel name to (drive, unit)."""
    disks: list[Disk] = []
    truth: dict[str, tuple[int, int]] = {}
    for number in range(draw(st.integers(1, 6))):
        luns = draw(st.integers(1, 4))
        paths = draw(st.integers(1, 2))
        named = draw(st.sampled_from(["target", "port", "serial"]))
        serial = draw(st.sampled_from([f"A{number}", f"A{number}", "", "SAME"])) if named != "serial" else f"A{number}"
        for path in range(paths):
            for lun in range(luns):
                name = f"sd{len(disks)}"
                page = designators(
                    wwn_of(number, lun),
                    port=wwn_of(number, path, 1) if named == "port" else "",
                    target=wwn_of(number, 0, 2) if named == "target" else "",
                )
                disks.append(
                    Disk(
                        name, "/dev/" + name, "", "", "scsi", "ACTWO", "ACTW-D9", "1", serial,
                        target=f"{path}:0:{number}", lun=lun, designators=decode_identification(page), size=1000,
                    )
                )  # fmt: skip
                truth[name] = (number, lun)
    draw(st.randoms(use_true_random=False)).shuffle(disks)
    return disks, truth


@given(hosts())
def test_drives_units_and_paths_are_told_apart(host: tuple[list[Disk], dict[str, tuple[int, int]]]) -> None:
    disks, truth = host
    found = groups(logical_units(disks))
    units = {
        frozenset(disk.name for disk in unit.paths): {truth[disk.name] for disk in unit.paths}
        for group in found
        for unit in group.units
    }
    assert all(len(who) == 1 for who in units.values())
    assert len(units) == len(set(truth.values()))
    for group in found:
        assert len({truth[disk.name][0] for unit in group.units for disk in unit.paths}) == 1
        assert [unit.first.lun for unit in group.units] == sorted(unit.first.lun for unit in group.units)
    assert len(found) == len({drive for drive, _lun in truth.values()})


@given(hosts(), st.integers())
def test_the_order_in_which_disks_are_met_does_not_matter(
    host: tuple[list[Disk], dict[str, tuple[int, int]]], seed: int
) -> None:
    disks, _truth = host
    other = list(disks)
    random.Random(seed).shuffle(other)

    def shape(some: list[Disk]) -> set[frozenset[frozenset[str]]]:
        return {
            frozenset(frozenset(disk.name for disk in unit.paths) for unit in group.units)
            for group in groups(logical_units(some))
        }

    assert shape(disks) == shape(other)
