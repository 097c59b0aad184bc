# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
from __future__ import annotations

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import DecodeError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.blockstat import (
    BlockStat,
    read_stat,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.skew import (
    History,
    Load,
    Skew,
    skews,
)

EQUAL = Load(operations=1000, moved=10**9, seconds=10.0, busy=8.0)


def test_block_counters_by_the_kernels_documentation() -> None:
    # Linux, Documentation/block/stat.rst: the order of the fields and their units.
    line = "  100  1  2048  500  50  2  1024  250  3  600  750  7  0  16  70  9  90\n"
    assert read_stat(line) == BlockStat(
        reads=100,
        read_bytes=2048 * 512,
        read_seconds=0.5,
        writes=50,
        written_bytes=1024 * 512,
        write_seconds=0.25,
        in_flight=3,
        busy_seconds=0.6,
        queued_seconds=0.75,
        discards=7,
        discarded_bytes=16 * 512,
        discard_seconds=0.07,
        flushes=9,
        flush_seconds=0.09,
    )
    assert read_stat(" ".join(line.split()[:11])).discards == 0, "kernels before 4.18"


@pytest.mark.parametrize("text", ["", "1 2 3", "a b c d e f g h i j k", "-1 " * 17])
def test_other_text_is_refused(text: str) -> None:
    with pytest.raises(DecodeError):
        read_stat(text)


def test_equal_units_have_no_skew() -> None:
    assert skews([EQUAL, EQUAL], [0, 0]) == (Skew(1.0, 1.0, 1.0), Skew(1.0, 1.0, 1.0))


def test_the_slower_unit_is_the_one_named() -> None:
    slow = Load(operations=1000, moved=10**9, seconds=30.0, busy=16.0)
    good, bad = skews([EQUAL, slow], [0, 3])
    assert good == Skew(1.0, 1.0, 1.0)
    assert bad == Skew(2.0, 3.0, 4.0)


@pytest.mark.parametrize(
    "other",
    [
        None,
        Load(operations=199, moved=10**9, seconds=10.0, busy=8.0),
        Load(operations=1000, moved=10**9, seconds=0.9, busy=0.9),
        Load(operations=2000, moved=2 * 10**9, seconds=10.0, busy=8.0),
        Load(operations=1000, moved=2 * 10**9, seconds=10.0, busy=8.0),
        Load(operations=1000, moved=0, seconds=10.0, busy=8.0),
    ],
    ids=["not known", "too few requests", "too short", "twice the requests", "twice the size", "flushes only"],
)
def test_unlike_load_is_not_compared(other: Load | None) -> None:
    assert [(skew.throughput, skew.latency) for skew in skews([EQUAL, other], [0, 0])] == [(None, None)] * 2


def test_a_drive_of_one_unit_has_no_skew() -> None:
    assert skews([EQUAL], [0]) == (Skew(),)
    assert skews([EQUAL, EQUAL], [0, None]) == (Skew(1.0, 1.0, None),) * 2


def stat(reads: int, seconds: float = 0.0) -> BlockStat:
    return BlockStat(reads=reads, read_bytes=reads * 1000, read_seconds=seconds, busy_seconds=seconds)


def test_history_tells_the_load_of_its_window() -> None:
    history = History(window=100)
    assert history.load("a") is None
    for second in range(0, 1001, 5):
        history.add("a", float(second), stat(10 * second, second / 10))
    load = history.load("a")
    assert load is not None
    assert 900 <= load.operations <= 1150
    assert load.seconds == pytest.approx(load.operations / 100)
    assert len(history._samples["a"]) <= 13


def test_history_begins_anew_when_the_device_does() -> None:
    history = History(window=100)
    history.add("a", 0.0, stat(1000))
    history.add("a", 10.0, stat(2000))
    history.add("a", 20.0, stat(5))
    assert history.load("a") is None
    history.add("a", 30.0, stat(25))
    assert history.load("a") == Load(20, 20_000, 0.0, 0.0)
    history.keep_only(["b"])
    assert history.load("a") is None
