# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""All pages of a report from the records in a folder, one host at a time."""

from __future__ import annotations

import glob
import os
from dataclasses import dataclass
from typing import Dict, Iterator, List, Tuple

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import CoreError, HostError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.files import write_atomically
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.record import HostRecord, from_text
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.report.fleet import (
    Summary,
    fleet_page,
    summary,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.report.host_page import host_page
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.report.sheet import sheet
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.report.words import file_name

from .codes import codes
from .pages import Pages

START_PAGE, HOSTS, LABELS = "index.html", "hosts", "labels"


@dataclass(frozen=True)
class Request:
    """What to write: pages of the *records* folder into *dest*. *expected*: hosts that should have a record."""

    records: str
    dest: str
    title: str = "Servers"
    expected: Tuple[str, ...] = ()
    labels: bool = True
    columns: int = 0


@dataclass(frozen=True)
class Written:
    """What was done, or would be: paths of new and of replaced files, and how many were up to date."""

    hosts: Tuple[str, ...]
    made: Tuple[str, ...]
    replaced: Tuple[str, ...]
    unchanged: int
    unreadable: Tuple[str, ...]


class Report:
    """Makes the pages of a report."""

    def __init__(self, request: Request) -> None:
        self._request = request
        self._pages = Pages()
        self._hosts: List[Summary] = []
        self._unreadable: Dict[str, str] = {}

    def write(self, check_mode: bool) -> Written:
        """Write what is not up to date; nothing in check mode. Raises HostError."""
        made: List[str] = []
        replaced: List[str] = []
        unchanged = 0
        for name, text in self.pages():
            path = os.path.join(self._request.dest, name)
            before = _content(path)
            if before == text:
                unchanged += 1
                continue
            (made if before is None else replaced).append(path)
            if not check_mode:
                _put(path, text)
        unreadable = tuple("{0}: {1}".format(name, why) for name, why in sorted(self._unreadable.items()))
        return Written(tuple(one.host for one in self._hosts), tuple(made), tuple(replaced), unchanged, unreadable)

    def pages(self) -> Iterator[Tuple[str, str]]:
        """Path within the report and content of every page, the hosts' first."""
        seen: Dict[str, str] = {}
        for name, record in self._records():
            if record.host in seen:
                self._unreadable[name] = "belongs to host {0}, like {1}".format(record.host, seen[record.host])
                continue
            seen[record.host] = name
            try:
                yield from self._host(record)
            except CoreError as error:
                self._unreadable[name] = str(error)
            except (KeyError, TypeError, AttributeError, ValueError) as error:
                # Drives, pool and trial are plain data, read where they are shown.
                self._unreadable[name] = "its content does not have the form of this version ({0!r})".format(error)
        yield START_PAGE, self._pages.fleet(fleet_page(self._hosts, self._silent(seen)), self._request.title)

    def _silent(self, seen: Dict[str, str]) -> Dict[str, str]:
        absent = dict.fromkeys(self._request.expected, "could not be read, and has no earlier record")
        return {**{host: why for host, why in absent.items() if host not in seen}, **self._unreadable}

    def _host(self, record: HostRecord) -> Iterator[Tuple[str, str]]:
        page = file_name(record.host)
        with_labels = self._request.labels and bool(record.declared)
        address = "../{0}/{1}".format(LABELS, page) if with_labels else ""
        text = self._pages.host(host_page(record, self._request.columns), "../" + START_PAGE, address)
        labels = self._labels(record, "../{0}/{1}".format(HOSTS, page)) if with_labels else ""
        self._hosts.append(summary(record))
        yield os.path.join(HOSTS, page), text
        if with_labels:
            yield os.path.join(LABELS, page), labels

    def _labels(self, record: HostRecord, host: str) -> str:
        made = sheet(record)
        return self._pages.labels(made, codes(label.serial for label in made.labels), host)

    def _records(self) -> Iterator[Tuple[str, HostRecord]]:
        paths = sorted(glob.glob(os.path.join(glob.escape(self._request.records), "*.json")))
        if not os.path.isdir(self._request.records):
            raise HostError(
                "the folder {0} does not exist".format(self._request.records),
                subject="records",
                remedy="The playbook drift keeps a record of each host. Run it, or name the folder that it wrote to.",
            )
        for path in paths:
            name = os.path.basename(path)
            try:
                with open(path, encoding="utf-8") as file:
                    record = from_text(file.read(), name)
            except CoreError as error:
                self._unreadable[name] = str(error)
            except (OSError, UnicodeDecodeError) as error:
                self._unreadable[name] = "cannot be read: {0}".format(error)
            else:
                yield name, record


def _content(path: str) -> object:
    try:
        with open(path, encoding="utf-8") as file:
            return file.read()
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError):
        return ""


def _put(path: str, text: str) -> None:
    try:
        os.makedirs(os.path.dirname(path), exist_ok=True)
        # Written again in seconds: not worth a wait for the disk at each of thousands.
        write_atomically(path, text, lasting=False)
    except OSError as error:
        raise HostError("{0} cannot be written: {1}".format(path, error.strerror), subject="report") from error
