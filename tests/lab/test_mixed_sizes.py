# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""A vdev of units of two sizes on a real kernel: made without force, grown, exchanged, expanded, and brought back.

What became of it is read with zpool, sfdisk and from outside the guest, not through our code. The sizes that a pool
should have are those of `pool_capacity`, which test_capacity.py settles against OpenZFS.
"""

from __future__ import annotations

import json
import re
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


def plan(server: Server, bays: range, **more: Any) -> dict[str, Any]:
    """The plan for the drives of these bays, as they are found."""
    sits = {bay: one["serial"] for bay, one in server.declared(bays).items()}
    found = call(server.lab, "drive_info", bay_serials=sits)["drives"]
    drives = [one for one in found if one["serial"] in sits.values()]
    made = call(server.lab, "layout_plan", drives=drives, policy=POLICY, compare=False, **more)
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


@pytest.mark.lab_long
def test_a_vdev_of_two_sizes_is_made_without_force(labs: Any, tmp_path: Path) -> None:
    server = Server(labs.get("mixed"), tmp_path / "site", POLICY)
    lab, made = server.lab, plan(server, SIX)
    # A larger unit that holds a table which is not ours: refused, and not a byte is written.
    lab.run(f"echo 2048,40960 | sfdisk -q --label gpt {node(lab, 4, 1)} && udevadm settle")
    with server.unchanged():
        told = server.refused("pool", **options(server, made["layout"], SIX))
    assert told["reasons"] == [f"bay04 (serial COH04) unit 1: partition table gpt on {node(lab, 4, 1)}"]
    wanted = options(server, made["layout"], SIX, erase_serials=["COH04"])
    runs = four_runs(lab, "pool", **wanted)
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


@pytest.fixture
def server(labs: Any, tmp_path: Path) -> Server:
    """Six drives in four vdevs with files on them, made by the playbook; three more drives in the chassis."""
    server = Server(labs.get("mixed", BUILT), tmp_path / "site", POLICY)
    server.built(SIX, BUILT)
    return server


@pytest.mark.lab_long
def test_the_playbook_builds_it_names_it_and_leaves_it_alone_then(server: Server) -> None:
    assert {name for names in mixed(server) for name in names if "-part1" in name} == FITTED
    assert len(mixed(server)) == 2
    assert server.book("build", server.declared(SIX)).check().changed == 0
    # Nothing about the six drives; the other three are in the chassis and not declared.
    told = set(
        re.findall(r"mixed  (?:error|warning|info) +([a-z_]+)", server.book("drift", server.declared(SIX)).output)
    )
    assert told == {"drive_undeclared", "bays_unconfirmed"}
    server.whole()


@pytest.mark.lab_long
def test_it_grows_is_exchanged_expanded_and_brought_back(server: Server) -> None:
    """One life after the other's end: each step starts from the pool as the step before left it."""
    _further_cohort(server)
    _exchange(server, "bay03", 9)
    now = _expand(server, {"bay03"}, 9)
    _comes_back(server, now)
    server.whole()
    _retired(server, now["declared"])


def _further_cohort(server: Server) -> None:
    lab = server.lab
    placed = call(lab, "pool_info", pool="archive", declared=server.declared(NINE))["pools"][0]["layout"]
    wanted = options(server, plan(server, NINE, placed=placed)["layout"], NINE, state="grown", by_name=False)
    shown = call(lab, "pool", check=True, **wanted)
    done = call(lab, "pool", **wanted)
    assert not done["failed"], done["msg"]
    assert shown["commands"] == done["commands"]
    assert [words[0] for words in done["commands"]] == ["sgdisk"] * 4 + ["zpool"]
    assert not [words for words in done["commands"] if "-f" in words]
    assert measured(lab)[0] == predicted(*[[SMALL] * 3] * 6).size
    assert len(mixed(server)) == 4


def _exchange(server: Server, leave: str, bay: int) -> None:
    """The small drive's places are taken by a larger drive in another bay; the pool's size stays."""
    lab, before = server.lab, measured(server.lab)[0]
    lab.push(lab.new_drive(bay, f"BIG{bay:02d}", unit_size=LARGER))
    name = f"bay{bay:02d}"
    declared = {**server.declared(NINE), **server.declared([bay], **{name: f"BIG{bay:02d}"})}
    for step, seconds in (("put_in", 0), ("follow", 240)):
        done = call(
            lab,
            "drive_replacement",
            pool="archive",
            leave=leave,
            enter=name,
            declared=declared,
            step=step,
            wait_seconds=seconds,
        )
        assert not done["failed"], done["msg"]
    assert not [names for names in mixed(server) if any(one.startswith(leave) for one in names)]
    assert measured(lab)[0] == before


def _expand(server: Server, left: set[str], bay: int) -> dict[str, Any]:
    """Once no small member is left in a vdev, its partitions reach to the units' ends and it takes the room."""
    lab, before = server.lab, measured(server.lab)[0]
    declared = {**server.declared(NINE), **server.declared([bay], **{f"bay{bay:02d}": f"BIG{bay:02d}"})}
    declared = {name: one for name, one in declared.items() if name not in left}
    now = call(lab, "pool_info", pool="archive", declared=declared)["pools"][0]["layout"]
    wanted: dict[str, Any] = {"pool": "archive", "state": "grown", "declared": declared, "layout": now}
    shown = call(lab, "pool", check=True, **wanted)
    assert [words[0] for words in shown["commands"]] == ["sgdisk", "partx", "udevadm"] * 4 + ["zpool"] * 3
    # Cut off between the table on the disk and the kernel's view of it.
    lab.run(shown["commands"][0])
    lab.run("udevadm settle")
    print(lab.run(f"cat /sys/class/block/{node(lab, 4, 0)[5:]}1/size; udevadm info -q property {node(lab, 4, 0)}1").out)
    assert table(lab, node(lab, 4, 0))[0][1] > SMALL
    done = call(lab, "pool", **wanted)
    assert not done["failed"], done["msg"]
    # What udev or the kernel took over by itself needs no command any more.
    assert done["commands"] in (shown["commands"], shown["commands"][3:])
    again = call(lab, "pool", **wanted)
    assert (again["failed"], again["changed"]) == (False, False), again
    # Two vdevs of three members, and metaslabs as large as they were made for the small members.
    grown = sum(one.asize >> small.metaslab_shift << small.metaslab_shift for one, small in zip(
        predicted([LARGE] * 3, [LARGE] * 3).vdevs, predicted([SMALL] * 3, [SMALL] * 3).vdevs, strict=True
    ))  # fmt: skip
    assert measured(lab)[0] == before - predicted([SMALL] * 3, [SMALL] * 3).size + grown
    return {"declared": declared, "layout": now}


def _comes_back(server: Server, now: dict[str, Any]) -> None:
    lab, placed = server.lab, server.members()
    lab.run("zpool export archive")
    wanted = {"pool": "archive", "state": "imported", **now}
    done = call(lab, "pool", **wanted)
    assert not done["failed"], done["msg"]
    assert sorted(map(sorted, (names for _vdev, names in server.members()))) == sorted(
        map(sorted, (names for _vdev, names in placed))
    )
    again = call(lab, "pool", **wanted)
    assert (again["failed"], again["changed"]) == (False, False), again


def _retired(server: Server, declared: dict[str, Any]) -> None:
    """The drive's partitions go with the labels, and what was on other drives stays."""
    lab = server.lab
    done = call(lab, "pool", pool="archive", state="retired", declared=declared, erase_serials=["COH04"])
    assert not done["failed"], done["msg"]
    for index in (0, 1):
        assert lab.run(f"ls {node(lab, 4, index)}1", check=False).rc != 0
        assert lab.run(f"blkid -p {node(lab, 4, index)}", check=False).out == ""
    assert lab.run(f"blkid -p -o value -s TYPE {node(lab, 5, 0)}1").out.strip() == "zfs_member"


@pytest.mark.lab_long
def test_what_cannot_be_built_is_refused_before_the_host_is_changed(labs: Any, tmp_path: Path) -> None:
    server = Server(labs.get("mixed"), tmp_path / "site", POLICY)
    lab = server.lab
    lab.run(f"mkfs.ext4 -q -E nodiscard {node(lab, 4, 1)} 64M; udevadm settle")
    state = "cd / && find etc/udev etc/zfs etc/smartd.conf etc/default -type f | sort | xargs sha256sum"
    before = lab.run(state).out
    with server.unchanged():
        told = server.book("build", server.declared(SIX))
    assert told.rc != 0
    assert "bay04 (serial COH04) unit 1: filesystem ext4" in told.output
    assert lab.run(state).out == before
    assert lab.run("ls /dev/disk/by-vdev", check=False).rc != 0


@pytest.mark.lab_long
def test_the_power_goes_between_partition_and_pool_and_the_next_run_finishes(labs: Any, tmp_path: Path) -> None:
    server = Server(labs.get("mixed"), tmp_path / "site", POLICY)
    lab, wanted = server.lab, options(server, plan(server, SIX)["layout"], SIX)
    lab.run("sync")

    def acting() -> None:
        with suppress(AssertionError):  # the host goes away
            call(lab, "pool", **wanted)

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
    done = call(lab, "pool", **wanted)
    assert not done["failed"], done["msg"]
    print(done["commands"])
    again = call(lab, "pool", **wanted)
    assert (again["failed"], again["changed"]) == (False, False), again
    assert len(server.members()) == 4
