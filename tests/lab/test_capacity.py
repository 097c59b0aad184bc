# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Capacity to the byte against OpenZFS itself: pools of whole disks up to 12 TB, made and read in the guest.

One guest makes and destroys all pools in turn. SIZE is what `zpool list -Hp` prints, usable is
available + used of the root dataset in `zfs list -Hp`.
"""

from __future__ import annotations

import shlex
from dataclasses import dataclass

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.capacity import (
    Capacity,
    pool_capacity,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Member, Vdev
from tests.lab.conftest import Labs
from tests.lab.lab import Lab
from tests.lab.parts import Chassis, parse

pytestmark = pytest.mark.lab_long

TB = 10**12
SLOW_RULES = ("55-scsi-sg3_id", "58-scsi-sg3_symlink", "69-vdev", "60-zvol")
ODD = 3_500_000_120_832  # no multiple of anything larger than 4096
# Seven drives of each size: fourteen units.
BAYS = {1 * TB: "0-6", 4 * TB: "7-13", 9 * TB: "14-20", 12 * TB: "21-27"}


@dataclass(frozen=True)
class Pool:
    """A pool to make: for each vdev its kind, parity, the sizes of its members and, for dRAID, data and spares.

    Without *whole_disk* the members are partitions, of *mib* MiB or (0) of all there is.
    """

    name: str
    vdevs: tuple[tuple[str, int, tuple[int, ...], int, int], ...]
    ashift: int = 12
    whole_disk: bool = True
    logical_block: int = 512
    mib: int = 0


def shape(kind: str, parity: int, width: int, size: int, data: int = 0, spares: int = 0):
    return (kind, parity, (size,) * width, data, spares)


POOLS = (
    Pool("raidz1 of 3, 1 TB", (shape("raidz", 1, 3, 1 * TB),)),
    Pool("raidz1 of 5, 12 TB", (shape("raidz", 1, 5, 12 * TB),)),
    Pool("raidz2 of 4, 4 TB", (shape("raidz", 2, 4, 4 * TB),)),
    Pool("raidz2 of 6, 9 TB", (shape("raidz", 2, 6, 9 * TB),)),
    Pool("2 x raidz2 of 6, 9 TB", (shape("raidz", 2, 6, 9 * TB),) * 2),
    Pool("raidz2 of 12, 12 TB", (shape("raidz", 2, 12, 12 * TB),)),
    Pool("raidz2 of 14, 1 TB", (shape("raidz", 2, 14, 1 * TB),)),
    Pool("raidz3 of 7, 4 TB", (shape("raidz", 3, 7, 4 * TB),)),
    Pool("raidz3 of 11, 9 TB", (shape("raidz", 3, 11, 9 * TB),)),
    Pool("raidz3 of 14, 12 TB", (shape("raidz", 3, 14, 12 * TB),)),
    Pool("7 x mirror of 2, 9 TB", (shape("mirror", 1, 2, 9 * TB),) * 7),
    Pool("2 x mirror of 3, 1 TB", (shape("mirror", 2, 3, 1 * TB),) * 2),
    Pool("stripe of 3, 4 TB", (shape("stripe", 0, 3, 4 * TB),)),
    Pool("draid2:4d:8c:1s, 9 TB", (shape("draid", 2, 8, 9 * TB, 4, 1),)),
    Pool("draid1:8d:14c:2s, 4 TB", (shape("draid", 1, 14, 4 * TB, 8, 2),)),
    Pool("draid3:8d:14c:0s, 12 TB", (shape("draid", 3, 14, 12 * TB, 8, 0),)),
    Pool("raidz2 of 6, 9 TB, with raidz2 of 6, 12 TB", (shape("raidz", 2, 6, 9 * TB), shape("raidz", 2, 6, 12 * TB))),
    Pool("raidz1 of 2 x 3.5 TB and 2 x 4 TB", (("raidz", 1, (ODD, ODD, 4 * TB, 4 * TB), 0, 0),)),
    Pool("raidz2 of 6, 9 TB, sectors of 4096", (shape("raidz", 2, 6, 9 * TB),), logical_block=4096),
    Pool("mirror of 2, 9 TB, sectors of 4096", (shape("mirror", 1, 2, 9 * TB),), logical_block=4096),
    Pool("raidz1 of 5, 1 TB, ashift 9", (shape("raidz", 1, 5, 1 * TB),), ashift=9),
    Pool("raidz2 of 9, 4 TB, ashift 13", (shape("raidz", 2, 9, 4 * TB),), ashift=13),
    Pool("draid2:6d:11c:1s, 1 TB, ashift 13", (shape("draid", 2, 11, 1 * TB, 6, 1),), ashift=13),
    Pool("raidz2 of 6, 4 TB, partitions", (shape("raidz", 2, 6, 4 * TB),), whole_disk=False),
    # A size at which rounding to whole slices, instead of whole groups, would give two metaslabs less.
    Pool(
        "draid2:4d:8c:1s, partitions of 34000 MiB", (shape("draid", 2, 8, 4 * TB, 4, 1),), whole_disk=False, mib=34000
    ),
)


def chassis(release: str) -> Chassis:
    drives = [{"bays": bays, "serial": "ACT{bay}", "unit_size": size} for size, bays in BAYS.items()]
    drives.append({"bays": "28-28", "serial": "ACT{bay}", "unit_size": ODD})
    drives.append({"bays": "29-31", "serial": "ACT{bay}", "unit_size": 9 * TB, "logical_block": 4096})
    hba = [{"name": "hba0", "kind": "virtio-scsi"}]
    return parse({"name": "capacity", "release": release, "memory": 3072, "adapters": hba, "drives": drives})


class Maker:
    """Makes pools in a guest, reads what OpenZFS says of them, and destroys them again.

    OpenZFS labels every unit once, as a whole disk, for a stripe over all units of a size. The other
    pools use the partitions so made: labelling again costs udev minutes in a slow guest.
    """

    def __init__(self, lab: Lab) -> None:
        self.lab = lab
        # The rules that start a shell for each event are of no use here, and very slow without acceleration.
        mute = " ".join(f"/etc/udev/rules.d/{name}.rules" for name in SLOW_RULES)
        lab.run(
            f"for rule in {mute}; do ln -sf /dev/null $rule; done; udevadm control --reload; modprobe zfs", timeout=300
        )
        self.links: dict[tuple[int, int], list[str]] = {}
        for unit in lab.guest_units():
            link = next(name for name in unit["links"] if name.startswith("/dev/disk/by-id/wwn-"))
            sector = int(lab.run(f"cat /sys/block/{unit['block']}/queue/logical_block_size").out)
            self.links.setdefault((unit["bytes"], sector), []).append(link)
        self._stripes: dict[tuple[int, int], tuple[int, int]] = {}

    def stripe(self, key: tuple[int, int]) -> tuple[int, int]:
        """SIZE and available + used of a stripe over all units of a size and sector, as whole disks."""
        if key not in self._stripes:
            self._stripes[key] = self._make(self.links[key], 12)
        return self._stripes[key]

    def measure(self, pool: Pool) -> tuple[int, int]:
        """SIZE and available + used of the pool."""
        free = {key: list(links) for key, links in self.links.items()}
        words: list[str] = []
        for kind, parity, sizes, data, spares in pool.vdevs:
            members = [free[size, pool.logical_block].pop() for size in sizes]
            if kind != "stripe":
                words.append(Vdev(kind, parity, tuple(Member(name, 0) for name in members), data, spares).keyword)
            words += [f"{name}-part1" for name in members]
            for key in {(size, pool.logical_block) for size in sizes}:
                if pool.whole_disk:
                    self.stripe(key)
                else:
                    self._stripes.pop(key, None)
            if not pool.whole_disk:
                self._partition(members, pool.mib)
        return self._make(words, pool.ashift)

    def _make(self, words: list[str], ashift: int) -> tuple[int, int]:
        create = ["zpool", "create", "-f", "-o", f"ashift={ashift}", "-O", "mountpoint=none", "tank", *words]
        done = self.lab.run(shlex.join(create), check=False, timeout=900)
        if done.rc:  # on a busy host udev can be later than zpool's patience of 30 s
            self.lab.run("udevadm settle --timeout 600", timeout=900)
            self.lab.run(shlex.join(create), timeout=900)
        size = self.lab.run("zpool list -Hpo size tank", timeout=300).out
        space = self.lab.run("zfs list -Hpo available,used tank", timeout=300).out
        self.lab.run("zpool destroy tank && udevadm settle --timeout 600", timeout=900)
        return int(size), sum(int(word) for word in space.split())

    def _partition(self, links: list[str], mib: int) -> None:
        length = f"{mib}MiB" if mib else ""
        for link in links:
            self.lab.run(
                f"wipefs -aqf {link}; echo ,{length}, | sfdisk -q --wipe always --label gpt {link}", timeout=300
            )
        self.lab.run("udevadm settle --timeout 600", timeout=900)

    def partition_bytes(self, pool: Pool) -> int:
        """Size of the first partition of the last unit of the pool's first size."""
        link = self.links[pool.vdevs[0][2][0], pool.logical_block][-1]
        return int(self.lab.run(f"blockdev --getsize64 {link}-part1").out)


def predicted(pool: Pool, member_bytes: int = 0) -> Capacity:
    vdevs = [
        Vdev(
            kind,
            parity,
            tuple(Member(f"S{n}", 0, "", member_bytes or size) for n, size in enumerate(sizes)),
            data,
            spares,
        )
        for kind, parity, sizes, data, spares in pool.vdevs
    ]
    return pool_capacity(vdevs, pool.ashift, pool.whole_disk, pool.logical_block)


@pytest.fixture(scope="module", params=["trixie", "bookworm"])
def maker(request: pytest.FixtureRequest, labs: Labs) -> Maker:
    return Maker(labs.get(chassis(request.param)))


def test_stripes_of_whole_disks_to_the_byte(maker: Maker) -> None:
    assert len(maker.links) == 6
    for (size, sector), links in maker.links.items():
        stripe = predicted(Pool("stripe", (shape("stripe", 0, len(links), size),), logical_block=sector))
        assert (stripe.size, stripe.usable) == maker.stripe((size, sector))


@pytest.mark.parametrize("pool", POOLS, ids=lambda pool: pool.name)
def test_size_and_usable_to_the_byte(maker: Maker, pool: Pool) -> None:
    size, usable = maker.measure(pool)
    member = 0 if pool.whole_disk else maker.partition_bytes(pool)
    found = predicted(pool, member)
    assert (found.size, found.usable) == (size, usable)
