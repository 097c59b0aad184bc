# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Capacity against pools that OpenZFS 2.3.9 made, and against its published geometry.

The byte counts of MEASURED were read from `zpool list -Hp` and `zfs list -Hp` on disks of
20 GiB in a virtual machine (Debian 13, OpenZFS 2.3.9, ashift 12). tests/lab/test_capacity.py
makes the same comparison live, over more shapes and sizes.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import InputError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout import capacity
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.capacity import (
    GIB,
    KIB,
    MIB,
    block_cost,
    partition_size,
    pool_capacity,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Member, Vdev

DISK = 20 * GIB
TB = 10**12


def vdev(kind, parity, width, size=DISK, data=0, spares=0):
    members = tuple(Member("S{0:03d}".format(number), 0, "", size) for number in range(width))
    return Vdev(kind, parity, members, data, spares)


MEASURED = [
    ([("raidz", 2, 6)], 127775277056, 82463293440),
    ([("mirror", 1, 2)], None, 20283654144),
    ([("raidz", 1, 3)], None, 41231646720),
    ([("raidz", 2, 4)], None, 40063467520),
    ([("raidz", 3, 8)], None, 94343004160),
    ([("raidz", 2, 4), ("raidz", 2, 4)], None, 80126935040),
    ([("draid", 2, 8, DISK, 4, 1)], 149247836160, 96317444850),
]


def test_partition_of_a_whole_disk_as_measured():
    assert partition_size(DISK) == 21464350720


@pytest.mark.parametrize(("shapes", "size", "usable"), MEASURED)
def test_pools_as_measured(shapes, size, usable):
    found = pool_capacity([vdev(*shape) for shape in shapes])
    assert found.usable == usable
    assert size is None or found.size == size


def test_deflate_as_measured_for_raidz2_of_six():
    assert pool_capacity([vdev("raidz", 2, 6)]).vdevs[0].deflate == 341


def test_partition_on_4096_byte_sectors_starts_at_8_mib_and_leaves_64_mib():
    # GPT alignment and the reserved partition are counted in logical sectors.
    size = partition_size(9 * TB, logical_block=4096)
    assert size % (8 * MIB) == 0
    assert 9 * TB - 72 * MIB - 8 * MIB - 5 * 4096 < size <= 9 * TB - 72 * MIB - 5 * 4096


def test_members_that_are_partitions_are_used_whole():
    inner = partition_size(DISK)
    as_disks = pool_capacity([vdev("raidz", 2, 6)])
    as_partitions = pool_capacity([vdev("raidz", 2, 6, inner)], whole_disk=False)
    assert (as_disks.size, as_disks.usable) == (as_partitions.size, as_partitions.usable)


def test_a_stripe_is_one_vdev_for_each_member():
    one = pool_capacity([vdev("stripe", 0, 1)])
    three = pool_capacity([vdev("stripe", 0, 3)])
    assert three.size == 3 * one.size
    assert len(three.vdevs) == 3


def test_smallest_member_counts():
    small, large = Member("A", 0, "", DISK), Member("B", 0, "", 2 * DISK)
    mixed = pool_capacity([Vdev("raidz", 1, (large, small, large))])
    alike = pool_capacity([vdev("raidz", 1, 3)])
    assert (mixed.size, mixed.usable, mixed.raw) == (alike.size, alike.usable, 5 * DISK)


def test_metaslab_sizes_follow_the_three_regimes_of_openzfs():
    # vdev.c: at least 16 metaslabs, 512 MiB between 8 and 100 GiB, then about 200, at most 16 GiB each.
    assert capacity.metaslab_shift(1 * GIB) == 27
    assert capacity.metaslab_shift(64 * MIB) == 24
    assert capacity.metaslab_shift(50 * GIB) == 29
    assert capacity.metaslab_shift(101 * GIB) == 30
    assert capacity.metaslab_shift(100 * 1024 * GIB) == 34
    assert capacity.metaslab_shift(1 << 52) == 36


def test_slop_is_a_32nd_less_log_between_its_bounds():
    assert capacity.slop_space(64 * GIB, 0) == 2 * GIB
    assert capacity.slop_space(64 * GIB, 512 * MIB) == 2 * GIB - 512 * MIB
    assert capacity.slop_space(64 * GIB, 9 * GIB) == 1 * GIB
    assert capacity.slop_space(100 << 40, 0) == 128 * GIB
    assert capacity.slop_space(1 * GIB, 0) == 128 * MIB
    assert capacity.slop_space(128 * MIB, 0) == 64 * MIB


@pytest.mark.parametrize(
    ("parity", "width", "psize", "sectors"),
    [
        # Sectors of 4 KiB; the first is the well known raidz1 layout where a one-sector block takes two.
        (1, 5, 4 * KIB, 2),
        (1, 5, 8 * KIB, 4),
        (2, 6, 4 * KIB, 3),
        (2, 6, 16 * KIB, 6),
        (2, 6, 128 * KIB, 48),
        (3, 11, 8 * KIB, 8),
        (2, 12, 128 * KIB, 42),
    ],
)
def test_raidz_blocks_are_padded(parity, width, psize, sectors):
    assert block_cost(vdev("raidz", parity, width), psize).allocated == sectors * 4 * KIB


def test_small_blocks_on_draid_take_a_whole_stripe():
    wide = vdev("draid", 2, 11, data=8, spares=1)
    assert block_cost(wide, 4 * KIB).allocated == 10 * 4 * KIB
    assert block_cost(wide, 32 * KIB).allocated == 10 * 4 * KIB


def test_a_128_kib_block_counts_as_itself_and_small_ones_for_more():
    wide = vdev("raidz", 2, 12)
    assert block_cost(wide, 128 * KIB).ratio == pytest.approx(1.0, abs=0.003)
    assert block_cost(wide, 4 * KIB).ratio > 2.2
    assert block_cost(vdev("mirror", 1, 2), 4 * KIB).ratio == 1.0


@pytest.mark.parametrize(
    ("bad", "field"),
    [
        (lambda: pool_capacity([]), "vdevs"),
        (lambda: pool_capacity([vdev("raidz", 2, 6)], ashift=8), "ashift"),
        (lambda: pool_capacity([vdev("raidz", 4, 6)]), "parity"),
        (lambda: pool_capacity([vdev("raidz", 2, 2)]), "members"),
        (lambda: pool_capacity([vdev("raidz", 2, 6, 32 * MIB)]), "size"),
        (lambda: pool_capacity([vdev("tape", 2, 6)]), "kind"),
        (lambda: pool_capacity([vdev("draid", 2, 6, data=8)]), "members"),
        (lambda: pool_capacity([vdev("raidz", 2, 6)], logical_block=520), "logical_block"),
        (lambda: block_cost(vdev("raidz", 2, 6), 0), "psize"),
    ],
)
def test_shapes_openzfs_refuses_name_the_field(bad, field):
    with pytest.raises(InputError) as caught:
        bad()
    assert caught.value.subject == field


def test_ranges_count_as_the_partitions_they_are_whatever_the_others_do():
    def members(kind, size):
        return tuple(Member("A{0}".format(n), 0, "", size, kind) for n in range(3))

    inner = 9 * TB // GIB * GIB
    as_partitions = pool_capacity([Vdev("raidz", 1, members("lun", inner))], whole_disk=False)
    assert pool_capacity([Vdev("raidz", 1, members("range", inner))]) == as_partitions
    whole = pool_capacity([Vdev("raidz", 1, members("lun", inner))])
    assert whole.vdevs[0].leaf < as_partitions.vdevs[0].leaf
    mixed = Vdev("raidz", 1, members("lun", inner)[:1] + members("range", inner)[1:])
    assert pool_capacity([mixed]) == whole


RAIDZ = st.integers(1, 3).flatmap(lambda p: st.tuples(st.just(p), st.integers(p + 1, 20)))


@given(RAIDZ, st.integers(1 * GIB, 40 * TB), st.integers(9, 14))
def test_raidz_is_never_more_than_its_data_share(shape, size, ashift):
    parity, width = shape
    found = pool_capacity([vdev("raidz", parity, width, size)], ashift)
    assert 0 < found.usable < found.size <= found.raw
    assert found.usable <= found.raw * (width - parity) / width
    assert found.size % (1 << found.vdevs[0].metaslab_shift) == 0


@given(st.lists(st.tuples(RAIDZ, st.integers(1 * GIB, 40 * TB)), min_size=1, max_size=5), st.randoms())
def test_order_of_vdevs_and_members_does_not_matter(shapes, random):
    vdevs = [vdev("raidz", parity, width, size) for (parity, width), size in shapes]
    mixed = [Vdev(v.kind, v.parity, tuple(random.sample(v.members, v.width))) for v in vdevs]
    random.shuffle(mixed)
    first, second = pool_capacity(vdevs), pool_capacity(mixed)
    assert (first.raw, first.size, first.usable, first.slop) == (second.raw, second.size, second.usable, second.slop)
