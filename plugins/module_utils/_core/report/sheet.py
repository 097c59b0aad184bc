# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The sheet of bay labels: what is printed on each, from the declared drives. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Tuple

from ..declared import read_drives
from ..names import unit_name
from ..record import HostRecord
from . import words


@dataclass(frozen=True)
class Label:
    """One bay's label. *tail* is the serial number's last digits, *head* what comes before; its code has all of it."""

    bay: str
    serial: str
    head: str
    tail: str
    units: Tuple[str, ...]


@dataclass(frozen=True)
class Sheet:
    """The labels of a host's bays."""

    host: str
    labels: Tuple[Label, ...]


def sheet(record: HostRecord) -> Sheet:
    """The labels of the declared drives, in bay order. Raises InputError for a damaged declaration."""
    return Sheet(
        record.host,
        tuple(
            Label(
                bay=one.bay,
                serial=one.serial,
                head=one.serial[: -words.TAIL],
                tail=words.tail(one.serial),
                units=tuple(unit_name(one.bay, index) for index in range(one.unit_count)),
            )
            for one in read_drives(record.declared, record.host)
        ),
    )
