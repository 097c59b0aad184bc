# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Reads the bays that enclosure services processes and the SAS transport report for devices."""

from __future__ import annotations

import re
from typing import Dict, Iterable, Iterator, List, Tuple

from .sysfs import link_name, names_in, read_text

SOURCES = ("enclosure", "sas", "map", "serial")
CLASS_ENCLOSURE = "/sys/class/enclosure"
CLASS_SAS = "/sys/class/sas_device"


def read_attached(root: str = CLASS_ENCLOSURE) -> Tuple[Tuple[str, int, str], ...]:
    """What the enclosure services processes report: enclosure id, slot, SCSI address of the device in it."""
    found: List[Tuple[str, int, str]] = []
    for identifier, slot, path in components(root):
        device = link_name(path + "/device")
        if device:
            found.append((identifier, slot, device))
    return tuple(found)


def read_sas(end_devices: Iterable[str], root: str = CLASS_SAS) -> Dict[str, Tuple[str, ...]]:
    """What the SAS transport reports for end devices: bay and enclosure identifiers as text, by end device."""
    reported = {
        one: (
            read_text("{0}/{1}/bay_identifier".format(root, one)),
            read_text("{0}/{1}/enclosure_identifier".format(root, one)),
        )
        for one in end_devices
    }
    return {one: texts for one, texts in reported.items() if texts[0].isdigit()}


def components(root: str) -> Iterator[Tuple[str, int, str]]:
    """Every numbered component of every enclosure: the enclosure's id, the slot's number, the directory."""
    for enclosure in names_in(root):
        base = "{0}/{1}".format(root, enclosure)
        identifier = enclosure_id(read_text(base + "/id"))
        for component in names_in(base):
            slot = read_text("{0}/{1}/slot".format(base, component))
            if slot.isdigit():
                yield identifier, int(slot), "{0}/{1}".format(base, component)


def enclosure_id(text: str) -> str:
    """An enclosure's logical id as 16 digits; empty when the text is not an id."""
    digits = text.lower()
    digits = digits[2:] if digits.startswith("0x") else digits
    return digits.rjust(16, "0") if re.fullmatch("[0-9a-f]{1,16}", digits) else ""
