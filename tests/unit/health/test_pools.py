# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""What a pool's scan says, as OpenZFS 2.1 prints it (print_scan_scrub_resilver_status in its zpool_main.c).

The wording is from memory; tests/lab/test_health.py reads the real one of Debian 12.
"""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.pools import read_scan, reading
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.snapshot import ScanReading
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs import status_text
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.resolve import Index, resolve
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.tree import PoolTree, Scan

ENDED = 1795636800  # Wed Nov 25 20:00:00 2026 UTC


@pytest.fixture(autouse=True)
def utc(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def scan_of(text: str) -> Scan:
    return status_text._scan(" ".join(text.split()))


def last_scrub(scan: Scan) -> int | None:
    tree = PoolTree("archive", "77", "ONLINE", (("data", ()),), scan=scan)
    return reading(tree, resolve(tree, Index((), (), {})), {}).last_scrub


CASES = {
    "scrub at work": (
        """scrub in progress since Wed Nov 25 20:00:00 2026
        1.20T scanned at 1.05G/s, 600G issued at 500M/s, 1.50T total
        0B repaired, 39.06% done, 00:30:00 to go""",
        ScanReading("scrub", True, 0.3906, started=ENDED),
        None,
    ),
    "resilver at work": (
        """resilver in progress since Wed Nov 25 20:00:00 2026
        1.20T scanned at 1.05G/s, 600G issued at 500M/s, 1.50T total
        61.2G resilvered, 100.00% done, 00:00:00 to go""",
        ScanReading("resilver", True, 1.0, started=ENDED),
        None,
    ),
    "scrub ended": (
        "scrub repaired 0B in 00:00:05 with 3 errors on Wed Nov 25 20:00:00 2026",
        ScanReading("scrub", False, ended=ENDED, errors=3),
        ENDED,
    ),
    "a day of one digit": (
        "scrub repaired 0B in 1 days 00:00:05 with 0 errors on Sun Nov  1 00:24:01 2026",
        ScanReading("scrub", False, ended=1793492641),
        1793492641,
    ),
    "resilver ended": (
        "resilvered 61.2G in 00:10:05 with 0 errors on Wed Nov 25 20:00:00 2026",
        ScanReading("resilver", False, ended=ENDED),
        None,
    ),
    "scrub canceled": (
        "scrub canceled on Wed Nov 25 20:00:00 2026",
        ScanReading("scrub", False, ended=ENDED),
        None,
    ),
    "scrub paused": (
        """scrub paused since Wed Nov 25 21:00:00 2026
        scrub started on Wed Nov 25 20:00:00 2026
        1.20T scanned, 600G issued, 1.50T total
        0B repaired, 39.06% done""",
        ScanReading("scrub", False, started=ENDED),
        None,
    ),
    "none": ("none requested", ScanReading(), None),
    "words that are not known": ("scrub wonders on Wed Nov 25 20:00:00 2026", ScanReading("scrub", False), None),
}


@pytest.mark.parametrize(("text", "told", "scrub"), CASES.values(), ids=CASES)
def test_the_text_of_a_scan(text: str, told: ScanReading, scrub: int | None) -> None:
    assert read_scan(scan_of(text)) == told
    assert last_scrub(scan_of(text)) == scrub, "only a scrub that finished counts as one"


def test_the_time_is_in_the_hosts_own_zone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "Europe/Berlin")
    time.tzset()
    text = "scrub repaired 0B in 00:00:05 with 0 errors on Wed Nov 25 21:00:00 2026"
    assert last_scrub(scan_of(text)) == ENDED


def test_numbers_of_openzfs_2_3_go_before_text() -> None:
    running = Scan("scrub", "scanning", started=5, issued=300, total=1200)
    assert read_scan(running) == ScanReading("scrub", True, 0.25, started=5)
    over = Scan("scrub", "scanning", issued=1300, total=1200)
    assert read_scan(over).progress == 1.0
    ended = Scan("scrub", "finished", started=5, ended=9, errors=1)
    assert read_scan(ended) == ScanReading("scrub", False, None, 5, 9, 1)
    assert last_scrub(ended) == 9
