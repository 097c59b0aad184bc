# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Where partitions of ranges lie. What a GPT takes is from UEFI 2.10, 5.3."""

from __future__ import annotations

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import InputError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.partition.extents import (
    Spec,
    extents,
    read_spec,
)

MIB = 1 << 20


@st.composite
def drives(draw: st.DrawFn) -> tuple[list[tuple[int, int]], int, int]:
    """Ranges that follow each other, the capacity they make up, and the block size they are multiples of."""
    block = draw(st.sampled_from((512, 4096)))
    alike = draw(st.booleans())
    first = draw(st.integers(70 * MIB // block, 30 * 10**12 // block))
    count = draw(st.integers(2, 8))
    if alike:
        sizes = [first + draw(st.integers(-100, 100)) for dummy in range(count)]
    else:
        sizes = [draw(st.integers(70 * MIB // block, 30 * 10**12 // block)) for dummy in range(count)]
    starts = [sum(sizes[:number]) for number in range(count)]
    return [(start * block, size * block) for start, size in zip(starts, sizes, strict=True)], sum(sizes) * block, block


@given(drives())
def test_a_partition_keeps_within_its_range_whole_mib_and_clear_of_both_tables(drive) -> None:
    ranges, capacity, block = drive
    found = extents(ranges, capacity, block)
    assert len(found) == len(ranges)
    for (start, size), (low, length) in zip(found, ranges, strict=True):
        assert start % MIB == size % MIB == 0
        assert low <= start
        assert start + size <= low + length
    # Protective MBR, header, 16 KiB of entries in front; entries and header behind.
    assert found[0][0] >= 2 * block + 16384
    assert sum(found[-1]) <= capacity - block - 16384


@given(drives())
def test_little_is_lost(drive) -> None:
    ranges, capacity, block = drive
    found = extents(ranges, capacity, block)
    for (_start, size), (_low, length) in zip(found, ranges, strict=True):
        lost = length - size
        # Under 1 MiB at each end, 1 MiB more where a table is; and at most 16 MiB to make alike ranges equal.
        assert lost < 4 * MIB or (lost < 20 * MIB and sum(1 for _at, other in found if other == size) > 1)


@given(drives())
def test_alike_ranges_give_partitions_of_one_size(drive) -> None:
    ranges, capacity, block = drive
    lengths = [length for _start, length in ranges]
    assume(max(lengths) - min(lengths) < 12 * MIB)
    assert len({size for _start, size in extents(ranges, capacity, block)}) == 1


def test_each_kind_of_a_drive_with_short_and_long_ranges_is_of_one_size() -> None:
    sizes = [1000 * MIB, 1003 * MIB, 3000 * MIB, 3009 * MIB]
    starts = [sum(sizes[:number]) for number in range(4)]
    found = extents(list(zip(starts, sizes, strict=True)), sum(sizes), 512)
    assert [size for _start, size in found] == [999 * MIB, 999 * MIB, 3000 * MIB, 3000 * MIB]


def test_the_figures_for_two_ranges_of_9_tb() -> None:
    half = 9_000_000_000_000
    # half is 8583068.8 MiB: one ends there rounded down, the other begins there rounded up.
    assert extents([(0, half), (half, half)], 2 * half, 512) == (
        (MIB, 8583067 * MIB),
        (8583069 * MIB, 8583067 * MIB),
    )


@pytest.mark.parametrize(
    ("ranges", "capacity", "block"),
    [
        ([(0, 64 * MIB), (64 * MIB, 64 * MIB)], 128 * MIB, 512),
        ([(0, 10**12), (10**12, 10**12)], 2 * 10**12, 520),
    ],
)
def test_what_cannot_be_a_unit_is_refused(ranges, capacity, block) -> None:
    with pytest.raises(InputError):
        extents(ranges, capacity, block)


@given(st.integers(10**9 // 4096, 40 * 10**12 // 4096), st.integers(2, 16), st.sampled_from((512, 4096)))
def test_equal_parts_cover_the_drive_in_whole_blocks(blocks: int, parts: int, block: int) -> None:
    capacity = blocks * 4096
    ranges = Spec(parts=parts).resolve(capacity, block)
    assert ranges[0][0] == 0
    assert sum(ranges[-1]) == capacity
    assert all(sum(ranges[n]) == ranges[n + 1][0] for n in range(parts - 1))
    assert all(start % block == 0 for start, _size in ranges)
    sizes = [size for _start, size in ranges]
    assert max(sizes) - min(sizes) <= block


def test_declared_sizes_become_ranges_and_read_back() -> None:
    spec = read_spec([3 * 10**12, "1000000000000"])
    assert spec.resolve(4 * 10**12, 512) == ((0, 3 * 10**12), (3 * 10**12, 10**12))
    assert read_spec(spec.to_plain()) == spec
    assert read_spec(read_spec({"equal": 3}).to_plain()) == Spec(parts=3)


def test_declared_sizes_that_are_not_the_drives_are_refused() -> None:
    with pytest.raises(InputError, match="add up to 3000 bytes, but the drive has 4096"):
        read_spec([1000, 2000]).resolve(4096, 512, "ranges.ACR0001")
    with pytest.raises(InputError, match="not a multiple"):
        read_spec([1000, 3096]).resolve(4096, 512)


@pytest.mark.parametrize(
    "value",
    [None, 2, "2", {}, {"equal": 1}, {"equal": 17}, {"equal": True}, {"equal": 2, "at": 3}, [], [5], [5, 0], [5, -1],
     [5, "x"], [1.5, 2], ["٣", 2], [1] * 17],
)  # fmt: skip
def test_other_declarations_are_refused_by_name(value: object) -> None:
    with pytest.raises(InputError) as caught:
        read_spec(value, "ranges.ACR0001")
    assert caught.value.subject.startswith("ranges.ACR0001")
