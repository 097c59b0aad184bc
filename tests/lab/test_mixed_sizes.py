# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""A vdev of units of two sizes on a real kernel: made without force, grown, exchanged, expanded, and brought back.

What became of it is read with zpool, sfdisk and from outside the guest, not through our code. The sizes that a pool
should have are those of `pool_capacity`, which test_capacity.py settles against OpenZFS.
"""

from __future__ import annotations

import json
import threading
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.capacity import (
    Capacity,
    pool_capacity,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Member, Vdev
from tests.lab.cohorts import Server, until
from tests.lab.lab import Lab
from tests.lab.modules import call, four_runs

SMALL, LARGE, LARGER = 500 << 20, 700 << 20, 800 << 20
POLICY = {"kind": "raidz", "parity": 1, "width": 3, "survive": {"drives": 1}, "mixed_sizes": "allow"}
SIX, NINE = range(6), range(9)
BUILT = "six"
# The members that are larger than their vdev can use, as zpool status prints them.
FITTED = {f"bay{bay:02d}.{index}-part1" for bay in (4, 5) for index in (0, 1)}


def plan(server: Server, bays: range) -> dict[str, Any]:
    """The plan for the drives of these bays, as they are found."""
    sits = {bay: one["serial"] for bay, one in server.declared(bays).items()}
    found = call(server.lab, "drive_info", bays=sits)["drives"]
    drives = [one for one in found if one["serial"] in sits.values()]
    made = call(server.lab, "layout_plan", drives=drives, policy=POLICY, compare=False)
    assert not made["failed"], made["msg"]
    return made


def predicted(*vdevs: list[int]) -> Capacity:
    return pool_capacity([
        Vdev("raidz", 1, tuple(Member(f"S{number}", 0, "", size) for number, size in enumerate(sizes)))
        for sizes in vdevs
    ])  # fmt: skip


def measured(lab: Lab) -> tuple[int, int]:
    """SIZE of the pool, and available + used of its root dataset."""
    usable = sum(map(int, lab.run("zfs list -Hpo used,available archive").out.split()))
    return int(lab.run("zpool list -Hpo size archive").out), usable


def mixed(server: Server) -> list[list[str]]:
    """The members of the vdevs that hold both sizes, as zpool status prints them."""
    return [names for _vdev, names in server.members() if any("-part1" in name for name in names)]


def table(lab: Lab, node: str) -> list[tuple[int, int, str]]:
    """Start and size in bytes, and name, of each partition on a disk, by sfdisk."""
    rows = json.loads(lab.run(["sfdisk", "--json", node]).out)["partitiontable"]["partitions"]
    return [(row["start"] * 512, row["size"] * 512, row["name"]) for row in rows]


def node(lab: Lab, bay: int, index: int) -> str:
    return "/dev/" + str(lab.guest_unit(bay, index)["block"])


def options(server: Server, layout: dict[str, Any], bays: range, **more: Any) -> dict[str, Any]:
    return {"pool": "archive", "layout": layout, "declared": server.declared(bays), **more}


@pytest.mark.lab
def test_a_vdev_of_two_sizes_is_made_without_force(labs: Any, tmp_path: Path) -> None:
    server = Server(labs.get("mixed"), tmp_path / "site", POLICY)
    lab, made = server.lab, plan(server, SIX)
    # A larger unit that holds a table which is not ours: refused, and not a byte is written.
    lab.run(f"echo 2048,40960 | sfdisk -q --label gpt {node(lab, 4, 1)} && udevadm settle")
    with server.unchanged():
        told = server.refused("split_pool", **options(server, made["layout"], SIX))
    assert told["reasons"] == [f"bay04 (serial COH04) unit 1: partition table gpt on {node(lab, 4, 1)}"]
    wanted = options(server, made["layout"], SIX, erase_serials=["COH04"])
    runs = four_runs(lab, "split_pool", **wanted)
    written = [words for words in runs.done["commands"] if words[0] == "sgdisk"]
    assert [words[-1] for words in written] == [node(lab, bay, index) for index in (0, 1) for bay in (4, 5)]
    assert not [words for words in runs.done["commands"] if "-f" in words]
    for bay in (4, 5):
        for index in (0, 1):
            assert table(lab, node(lab, bay, index)) == [(1 << 20, SMALL, f"bay{bay:02d}.{index}")]
    assert measured(lab) == (made["capacity"]["size"], made["capacity"]["usable"])
    of_hand = predicted(*[[SMALL] * 3] * 4)
    assert measured(lab) == (of_hand.size, of_hand.usable)
    assert "errors: No known data errors" in lab.run("zpool scrub -w archive; zpool status archive").out


@pytest.fixture(scope="module")
def base(labs: Any, tmp_path_factory: pytest.TempPathFactory) -> Server:
    server = Server(labs.get("mixed"), tmp_path_factory.mktemp("site"), POLICY)
    if not server.lab.has_checkpoint(BUILT):
        with server.unchanged():
            shown = server.book("build", server.declared(SIX), "--check", "--diff").check()
        assert "sgdisk --clear" in shown.output or "raidz1: bay03.0 bay04.0 bay05.0" in shown.output
    server.built(SIX, BUILT)
    return server


@pytest.fixture
def server(base: Server) -> Server:
    """Six drives in four vdevs, two of them of two sizes; three more drives in the chassis."""
    base.lab.restore(BUILT)
    return base


@pytest.mark.lab_long
def test_the_playbook_builds_it_names_it_and_leaves_it_alone_then(server: Server) -> None:
    assert {name for names in mixed(server) for name in names if "-part1" in name} == FITTED
    assert len(mixed(server)) == 2
    assert server.book("build", server.declared(SIX)).check().changed == 0
    server.whole()


@pytest.mark.lab_long
def test_it_grows_by_a_further_cohort_of_two_sizes(server: Server) -> None:
    drives = server.declared(NINE)
    with server.unchanged():
        shown = server.book("grow", drives, "--check", "--diff").check()
    assert "zpool add -o ashift=12 archive raidz1 /dev/disk/by-vdev/bay06.0" in shown.output
    assert "/dev/disk/by-vdev/bay07.0-part1" in shown.output
    server.book("grow", drives).check()
    assert server.book("grow", drives).check().changed == 0
    assert [names for names in mixed(server) if "bay06.0" in names] == [["bay06.0", "bay07.0-part1", "bay08.0-part1"]]
    of_hand = predicted(*[[SMALL] * 3] * 6)
    assert measured(server.lab)[0] == of_hand.size
    assert server.book("build", drives).check().changed == 0
    server.whole()


@pytest.mark.lab_long
def test_a_small_member_replaced_by_a_larger_one_lets_the_vdev_grow(server: Server) -> None:
    lab = server.lab
    (small,) = {name[:5] for names in mixed(server) for name in names if "-part1" not in name}
    before = measured(lab)[0]
    lab.push(lab.new_drive(9, "BIG09", unit_size=LARGER))
    declared = {**server.declared(SIX), **server.declared(range(9, 10), bay09="BIG09")}
    swap: dict[str, Any] = {"pool": "archive", "leave": small, "enter": "bay09", "declared": declared}
    for step in ("plan", "put_in", "follow"):
        done = call(lab, "drive_swap", step=step, **swap, seconds=240 if step == "follow" else 0)
        assert not done["failed"], done["msg"]
    assert sorted(name for names in mixed(server) for name in names if "-part1" in name) == sorted(FITTED)
    now = call(lab, "pool_info", pool="archive", declared=declared)["pools"][0]["layout"]
    wanted: dict[str, Any] = {"pool": "archive", "state": "grown", "declared": declared, "layout": now}
    shown = call(lab, "split_pool", check=True, **wanted)
    assert [words[0] for words in shown["commands"]] == ["sgdisk", "partx"] * 4 + ["zpool"] * 3
    # Cut off between the table on the disk and the kernel's view of it.
    lab.run(shown["commands"][0])
    assert table(lab, node(lab, 4, 0))[0][1] > SMALL
    runs = four_runs(lab, "split_pool", **wanted)
    assert runs.done["expanded"]
    of_hand = predicted([SMALL] * 3, [SMALL] * 3, [LARGE] * 3, [LARGE] * 3)
    grown = [vdev.asize for vdev in of_hand.vdevs]
    print(before, measured(lab), of_hand.size, grown)
    assert measured(lab)[0] > before * 1.15
    server.whole()


@pytest.mark.lab_long
def test_it_is_exported_and_comes_back_on_another_installation(server: Server) -> None:
    lab, drives = server.lab, server.declared(SIX)
    placed = server.members()
    lab.run("zpool export archive")
    server.book("rebuild", drives).check()
    assert server.members() == placed
    assert server.book("rebuild", drives).check().changed == 0
    assert server.book("check", drives).check().changed == 0
    server.whole()


@pytest.mark.lab_long
def test_the_power_goes_between_partition_and_pool_and_the_next_run_finishes(labs: Any, tmp_path: Path) -> None:
    server = Server(labs.get("mixed"), tmp_path / "site", POLICY)
    lab, wanted = server.lab, options(server, plan(server, SIX)["layout"], SIX)
    lab.run("sync")

    def acting() -> None:
        with suppress(AssertionError):  # the host goes away
            call(lab, "split_pool", **wanted)

    first = lab.guest_unit(4, 0)["block"]
    thread = threading.Thread(target=acting)
    thread.start()
    until(lambda: lab.run(f"grep -c {first}1$ /proc/partitions", check=False).out.strip() == "1", 120, "partition")
    lab.run("sync")
    lab.power_cut()
    thread.join(60)
    lab.boot()
    lab.run("modprobe zfs", timeout=300)
    before = lab.run("zpool list -H -o name; cat /proc/partitions").out
    print(before)
    done = call(lab, "split_pool", **wanted)
    assert not done["failed"], done["msg"]
    print(done["commands"])
    again = call(lab, "split_pool", **wanted)
    assert (again["failed"], again["changed"]) == (False, False), again
    assert len(server.members()) == 4
