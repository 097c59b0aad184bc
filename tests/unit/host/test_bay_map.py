# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Declared maps of bays: what they mean, and what is refused with the entry's name."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import InputError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.bays import (
    read_bay_map,
    read_enclosure_names,
    read_serial_bays,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.discover import Wanted
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Bay


def bay(pattern: str, template: str, path: str) -> str | None:
    (entry,) = read_bay_map([{"pattern": pattern, "bay": template}])
    found = entry.match(path)
    return found.label if found else None


@pytest.mark.parametrize(
    ("pattern", "template", "path", "expected"),
    [
        ("pci-0000:03:00.0-sas-phy{phy}-lun-*", "bay{phy+1}", "pci-0000:03:00.0-sas-phy7-lun-1", "bay08"),
        ("pci-0000:03:00.0-sas-phy{phy}-lun-*", "bay{phy-1}", "pci-0000:03:00.0-sas-phy7-lun-1", "bay06"),
        ("pci-0000:03:00.0-sas-phy{phy}-lun-*", "bay{phy}", "pci-0000:03:00.1-sas-phy7-lun-1", None),
        ("pci-0000:03:00.0-sas-phy{phy}-lun-*", "bay{phy}", "pci-0000:03:00x0-sas-phy7-lun-1", None),
        ("pci-0000:03:00.0-sas-phy{phy}-lun-*", "bay{phy}", "xpci-0000:03:00.0-sas-phy7-lun-1", None),
        ("pci-0000:03:00.0-sas-phy3-lun-*", "west-bay07", "pci-0000:03:00.0-sas-phy3-lun-0", "west-bay07"),
        ("*-exp0x500{*", "bay00", "x", None),
        ("*-scsi-0:0:{target}:*", "e{target}-bay{target}", "pci-0000:00:08.0-scsi-0:0:12:1", "e12-bay12"),
    ],
)
def test_what_an_entry_means(pattern: str, template: str, path: str, expected: str | None) -> None:
    if "{*" in pattern:
        with pytest.raises(InputError, match=r"bay_map\[0\]\.pattern: .*not allowed at '\{'"):
            bay(pattern, template, path)
    else:
        assert bay(pattern, template, path) == expected


@given(st.integers(0, 99), st.integers(0, 999))
def test_shifts(number: int, shift: int) -> None:
    pattern = "a-phy{n}"
    assert bay(pattern, f"bay{{n+{shift}}}", f"a-phy{number}") == Bay("", number + shift).label
    if shift <= number:
        assert bay(pattern, f"bay{{n-{shift}}}", f"a-phy{number}") == Bay("", number - shift).label
    else:
        with pytest.raises(InputError, match=r"bay_map\[0\]: .* does not make a bay name of a-phy"):
            bay(pattern, f"bay{{n-{shift}}}", f"a-phy{number}")


@pytest.mark.parametrize(
    ("entry", "place"),
    [
        ({"pattern": "a{x}"}, r"bay_map\[1\]"),
        ({"pattern": "a", "bay": 7}, r"bay_map\[1\]"),
        ({"pattern": "a", "bay": "bay07", "more": "1"}, r"bay_map\[1\]"),
        ({"pattern": "", "bay": "bay07"}, r"bay_map\[1\]\.pattern"),
        ({"pattern": "a{x}b{x}", "bay": "bay07"}, r"bay_map\[1\]\.pattern"),
        ({"pattern": "a(b", "bay": "bay07"}, r"bay_map\[1\]\.pattern"),
        ({"pattern": "a b", "bay": "bay07"}, r"bay_map\[1\]\.pattern"),
        ({"pattern": "a{X}", "bay": "bay07"}, r"bay_map\[1\]\.pattern"),
        ({"pattern": "a{x}", "bay": "bay{y}"}, r"bay_map\[1\]\.bay"),
        ({"pattern": "a{x}", "bay": "slot{x}"}, r"bay_map\[1\]\.bay"),
        ({"pattern": "a{x}", "bay": "bay{x*2}"}, r"bay_map\[1\]\.bay"),
        ({"pattern": "a{x}", "bay": ""}, r"bay_map\[1\]\.bay"),
    ],
)
def test_a_wrong_entry_is_named(entry: dict, place: str) -> None:
    with pytest.raises(InputError, match=f"^{place}: "):
        read_bay_map([{"pattern": "ok-{n}", "bay": "bay{n}"}, entry])


@pytest.mark.parametrize(
    "names", [{"zz": "west"}, {"500ace2000000000": "West"}, {"500ace2000000000": "w", "500ace2000000001": "w"}]
)
def test_wrong_names_of_enclosures_are_refused(names: dict) -> None:
    with pytest.raises(InputError, match=r"^enclosures: "):
        read_enclosure_names(names)


def test_enclosure_ids_are_read_with_and_without_prefix() -> None:
    assert read_enclosure_names({"0x500ACE2000000000": "west"}) == {"500ace2000000000": "west"}


@pytest.mark.parametrize("bays", [{"slot7": "A"}, {"bay07": ""}, {"bay07": 7}, {"bay07": "A", "bay08": "A"}])
def test_wrong_bays_by_serial_are_refused(bays: dict) -> None:
    with pytest.raises(InputError, match=r"^bay_serials: "):
        read_serial_bays(bays)


def test_an_unknown_source_is_refused() -> None:
    with pytest.raises(InputError, match=r"^bay_sources: led is not a source"):
        Wanted(sources=("enclosure", "led"))
