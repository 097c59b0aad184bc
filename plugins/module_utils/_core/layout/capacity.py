# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""How many bytes a fresh OpenZFS pool offers, to the byte.

The steps are those of OpenZFS 2.1 to 2.3 with its default tunables: the GPT label
(lib/libzfs/os/linux/libzfs_pool_os.c, lib/libefi/rdwr_efi.c), the labels and the metaslab
size (module/zfs/vdev.c), raidz and dRAID geometry (vdev_raidz.c, vdev_draid.c), and slop
space (spa_misc.c). All sizes are bytes. Log, special, cache and dedup vdevs are not
counted: the product makes none.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import List, Sequence, Tuple

from ..errors import InputError
from ..model import Vdev

KIB = 1 << 10
MIB = 1 << 20
GIB = 1 << 30

ASHIFT_MIN, ASHIFT_MAX = 9, 16
SMALLEST_DEVICE = 64 * MIB  # SPA_MINDEVSIZE
LABEL = 256 * KIB  # vdev_label_t; two in front, two behind
BOOT = 7 * MIB // 2  # reserved behind the front labels
GPT_ENTRIES = 16 * KIB  # smallest partition array, EFI_MIN_ARRAY_SIZE
GPT_ALIGN = 2048  # logical sectors: first sector of partition 1, and step of its length
GPT_RESERVED = 16384  # logical sectors of partition 9
DRAID_ROW = 16 * MIB  # VDEV_DRAID_ROWHEIGHT
DRAID_RESERVE = 2 * DRAID_ROW
DEFLATE_BLOCK = 128 * KIB  # the block size that the deflate ratio assumes
METASLAB_SHIFT, METASLAB_SHIFT_MIN, METASLAB_SHIFT_MAX = 29, 24, 34
METASLABS_MIN, METASLABS_AIM, METASLABS_LIMIT = 16, 200, 1 << 17
LOG_METASLABS = 64  # with more than these, one metaslab becomes the embedded log
SLOP_SHIFT, SLOP_MIN, SLOP_MAX = 5, 128 * MIB, 128 * GIB


@dataclass(frozen=True)
class Shape:
    """All that the capacity of one top-level vdev depends on. *leaf* is its smallest member's asize."""

    kind: str
    parity: int
    width: int
    leaf: int
    ashift: int
    data: int = 0
    spares: int = 0


@dataclass(frozen=True)
class VdevCapacity:
    """One top-level vdev, in bytes.

    *raw* is the sum of its members; *leaf* what ZFS uses of each member; *asize* the
    vdev's allocatable size; *metaslabs* of 2^*metaslab_shift* bytes make up *size*, its part
    of the SIZE column. *deflate* turns 512 allocated bytes into that many counted bytes.
    *log* is the metaslab kept for the embedded intent log. *counted* and *log_counted* are
    deflated sizes without and of that metaslab.
    """

    raw: int
    leaf: int
    asize: int
    metaslab_shift: int
    metaslabs: int
    size: int
    deflate: int
    log: int
    counted: int
    log_counted: int


@dataclass(frozen=True)
class Capacity:
    """A fresh pool, in bytes.

    *raw*: sum of all units. *size*: SIZE of C(zpool list). *usable*: AVAIL + USED of the root
    dataset in C(zfs list). *slop*: kept back by OpenZFS. *vdevs*: one entry for each top-level vdev.
    """

    raw: int
    size: int
    usable: int
    slop: int
    vdevs: Tuple[VdevCapacity, ...]

    @property
    def efficiency(self) -> float:
        """Usable bytes for each raw byte."""
        return self.usable / self.raw


@dataclass(frozen=True)
class BlockCost:
    """What one block of *psize* bytes (after compression) takes of a vdev.

    *allocated*: bytes on all members, parity and padding included. *counted*: bytes that
    USED grows by, in the currency of `Capacity.usable`.
    """

    psize: int
    allocated: int
    counted: int

    @property
    def ratio(self) -> float:
        """Counted bytes for each stored byte; 1.0 is what `Capacity.usable` promises."""
        return self.counted / self.psize


def pool_capacity(
    vdevs: Sequence[Vdev], ashift: int = 12, whole_disk: bool = True, logical_block: int = 512
) -> Capacity:
    """The capacity of a fresh pool of *vdevs*, exact to the byte.

    `Member.size` is a unit's raw size. With *whole_disk*, C(zpool create) labels each unit
    with a GPT of *logical_block*-byte sectors (512 or 4096) and uses its first partition;
    without, the members are partitions and are used whole, as ranges always are. Raises
    InputError for a shape or size that OpenZFS does not take.
    """
    tops = [top for vdev in vdevs for top in _tops(vdev)]
    if not tops:
        raise InputError("a pool needs at least one vdev", subject="vdevs")
    found = tuple(_vdev_capacity(vdev, ashift, whole_disk, logical_block) for vdev in tops)
    counted = sum(item.counted for item in found)
    slop = slop_space(counted, sum(item.log_counted for item in found))
    return Capacity(
        raw=sum(item.raw for item in found),
        size=sum(item.size for item in found),
        usable=counted - slop,
        slop=slop,
        vdevs=found,
    )


def partition_size(disk: int, logical_block: int = 512) -> int:
    """Size of partition 1 that C(zpool create) makes on a whole disk of *disk* bytes."""
    if logical_block not in (512, 4096):
        raise InputError("{0} is not a logical block size".format(logical_block), "logical_block", "Use 512 or 4096.")
    sectors = disk // logical_block
    table = GPT_ENTRIES // logical_block + 1  # the partition array and the header, again at the end
    length = sectors - table - GPT_RESERVED - GPT_ALIGN
    return max(0, length // GPT_ALIGN * GPT_ALIGN * logical_block)


def leaf_asize(device: int) -> int:
    """What ZFS can allocate of a device (a partition, as a rule) of *device* bytes."""
    if device < SMALLEST_DEVICE:
        raise InputError(
            "a member of {0} bytes is too small".format(device), "size", "OpenZFS takes none below 64 MiB."
        )
    return device // LABEL * LABEL - 4 * LABEL - BOOT


def allocated(shape: Shape, psize: int) -> int:
    """Bytes that a block of *psize* bytes takes of all members of a vdev of this shape."""
    sector = 1 << shape.ashift
    if shape.kind == "draid":
        return _ceil(psize, shape.data << shape.ashift) * (shape.data + shape.parity) * sector
    sectors = _ceil(psize, sector)
    if shape.kind == "raidz":
        sectors += shape.parity * _ceil(sectors, shape.width - shape.parity)
        sectors = _ceil(sectors, shape.parity + 1) * (shape.parity + 1)
    return sectors * sector


def block_cost(vdev: Vdev, psize: int, ashift: int = 12) -> BlockCost:
    """What one block of *psize* bytes costs on a vdev shaped like *vdev* (its members' sizes do not matter)."""
    _check(vdev, ashift)
    if psize <= 0:
        raise InputError("{0} is not a block size".format(psize), "psize", "Give bytes above 0.")
    shape = Shape(vdev.kind, vdev.parity, vdev.width, 0, ashift, vdev.data, vdev.spares)
    taken = allocated(shape, psize)
    return BlockCost(psize, taken, taken // 512 * deflate_ratio(shape))


def deflate_ratio(shape: Shape) -> int:
    """How many bytes each 512 allocated bytes count for, assuming blocks of 128 KiB."""
    if shape.kind in ("mirror", "stripe"):
        return 512
    return DEFLATE_BLOCK // (allocated(shape, DEFLATE_BLOCK) // 512)


def metaslab_shift(asize: int) -> int:
    """The power of two that OpenZFS chooses for a new vdev's metaslab size."""
    count = asize >> METASLAB_SHIFT
    shift = METASLAB_SHIFT
    if count < METASLABS_MIN:
        shift = (asize // METASLABS_MIN).bit_length()
    elif count > METASLABS_AIM:
        shift = (asize // METASLABS_AIM).bit_length()
    if shift > METASLAB_SHIFT_MAX:
        shift = METASLAB_SHIFT_MAX
        if asize >> shift > METASLABS_LIMIT:
            shift = (asize // METASLABS_LIMIT).bit_length()
    return max(shift, METASLAB_SHIFT_MIN)


def slop_space(counted: int, log_counted: int) -> int:
    """What OpenZFS keeps back of *counted* bytes, with *log_counted* in embedded logs."""
    slop = min(counted >> SLOP_SHIFT, SLOP_MAX)
    slop -= min(log_counted, slop >> 1)
    return max(slop, min(counted >> 1, SLOP_MIN))


def _tops(vdev: Vdev) -> List[Vdev]:
    # Each member of a stripe is a top-level vdev of its own.
    if vdev.kind != "stripe":
        return [vdev]
    return [Vdev("stripe", 0, (member,)) for member in vdev.members]


def _vdev_capacity(vdev: Vdev, ashift: int, whole_disk: bool, logical_block: int) -> VdevCapacity:
    _check(vdev, ashift)
    disks = [member.size for member in vdev.members if whole_disk and member.unit_kind != "range"]
    partitions = [member.size for member in vdev.members if not whole_disk or member.unit_kind == "range"]
    leaf = leaf_asize(min(partitions + ([partition_size(min(disks), logical_block)] if disks else [])))
    shape = Shape(vdev.kind, vdev.parity, vdev.width, leaf, ashift, vdev.data, vdev.spares)
    return _shape_capacity(shape, sum(member.size for member in vdev.members))


@lru_cache(maxsize=4096)
def _shape_capacity(shape: Shape, raw: int) -> VdevCapacity:
    asize = _top_asize(shape)
    shift = metaslab_shift(asize)
    sizes = _metaslab_sizes(shape, asize >> shift, shift)
    deflate = deflate_ratio(shape)
    # In a fresh vdev all metaslabs are equally empty, and the first of the emptiest becomes the log.
    log = sizes[0] if len(sizes) > LOG_METASLABS else 0
    size = sum(sizes)
    return VdevCapacity(
        raw=raw,
        leaf=shape.leaf,
        asize=asize,
        metaslab_shift=shift,
        metaslabs=len(sizes),
        size=size,
        deflate=deflate,
        log=log,
        counted=(size - log) // 512 * deflate,
        log_counted=log // 512 * deflate,
    )


def _top_asize(shape: Shape) -> int:
    if shape.kind == "raidz":
        return shape.leaf * shape.width
    if shape.kind == "draid":
        child = (shape.leaf - DRAID_RESERVE) // DRAID_ROW * DRAID_ROW
        group = (shape.data + shape.parity) * DRAID_ROW
        if child < DRAID_ROW:
            raise InputError("the smallest member is too small for dRAID", "size", "Use members above 128 MiB.")
        return child * (shape.width - shape.spares) // group * group
    return shape.leaf


def _metaslab_sizes(shape: Shape, count: int, shift: int) -> Sequence[int]:
    if shape.kind != "draid":
        return [1 << shift] * count
    # dRAID writes full stripes only: each metaslab starts and ends on one.
    stripe = (shape.data + shape.parity) << shape.ashift
    sizes = []
    for index in range(count):
        start = index << shift
        first = _ceil(start, stripe) * stripe
        sizes.append(((1 << shift) - (first - start)) // stripe * stripe)
    return sizes


def _check(vdev: Vdev, ashift: int) -> None:
    if not ASHIFT_MIN <= ashift <= ASHIFT_MAX:
        raise InputError("{0} is not an ashift".format(ashift), "ashift", "Use 9 to 16; 12 for 4 KiB sectors.")
    if vdev.kind not in ("raidz", "mirror", "draid", "stripe"):
        raise InputError("{0!r} is not a kind of vdev".format(vdev.kind), "kind", "Use raidz, mirror, draid or stripe.")
    if not vdev.members:
        raise InputError("a vdev needs members", "members")
    if vdev.kind in ("raidz", "draid") and not 1 <= vdev.parity <= 3:
        raise InputError("{0} is not a parity".format(vdev.parity), "parity", "Use 1, 2 or 3.")
    least = vdev.parity + 1
    if vdev.kind == "draid":
        least = vdev.data + vdev.parity + vdev.spares
        if vdev.data < 1 or not 0 <= vdev.spares <= 100:
            raise InputError("dRAID needs 1 or more data devices and 0 to 100 spares", "data")
    if vdev.width < least:
        raise InputError("{0} members are too few; this vdev needs {1}".format(vdev.width, least), "members")


def _ceil(value: int, step: int) -> int:
    return -(-value // step)
