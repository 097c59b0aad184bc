# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""A pool grows on a real kernel: by a cohort, by larger drives, through a power cut; and where it may not.

What became of it is read with zpool and from outside the guest, not through our code.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from tests.lab.cohorts import SIZE, Server, cohorts, raidz, until
from tests.lab.modules import call, four_runs

pytestmark = pytest.mark.lab_long

FIRST, SECOND, THIRD = range(6), range(6, 12), range(12, 18)
BUILT = "twelve"


@pytest.fixture(scope="module")
def base(labs: Any, tmp_path_factory: pytest.TempPathFactory) -> Server:
    server = Server(labs.get("cohorts"), tmp_path_factory.mktemp("site"))
    server.built(range(12), BUILT)
    return server


@pytest.fixture
def server(base: Server) -> Server:
    """Twelve drives in a pool of four vdevs, six more in the chassis."""
    base.lab.restore(BUILT)
    return base


def options(server: Server, layout: dict[str, Any], bays: range = range(18), **more: Any) -> dict[str, Any]:
    return {
        "pool": "archive",
        "state": "grown",
        "layout": layout,
        "declared": server.declared(bays),
        "by_name": True,
        **more,
    }


def named(bays: Iterable[int], index: int) -> list[str]:
    return [f"bay{bay:02d}.{index}" for bay in bays]


def test_twelve_drives_become_eighteen_under_reading_and_writing(server: Server) -> None:
    lab = server.lab
    size = int(lab.run("zpool list -Hp -o size archive").out)
    with server.busy():
        runs = four_runs(lab, "pool", **options(server, cohorts(FIRST, SECOND, THIRD), by_name=False))
    assert runs.done["added"] == ["raidz2: " + " ".join(named(THIRD, index)) for index in (0, 1)]
    assert runs.done["commands"][0][:4] == ["zpool", "add", "-o", "ashift=12"]
    assert len(server.members()) == 6
    assert {len(names) for _vdev, names in server.members()} == {6}
    assert int(lab.run("zpool list -Hp -o size archive").out) == size // 4 * 6
    server.whole()


def test_what_would_weaken_the_pool_is_refused_and_nothing_changes(server: Server) -> None:
    weak = {**cohorts(FIRST, SECOND)}
    lab, vdevs = server.lab, weak["vdevs"]
    by_hand: dict[str, Any] = {"by_name": False, "allow_siblings": True}
    with server.unchanged():
        told = server.refused("pool", **options(server, {"vdevs": [*vdevs, raidz(THIRD, 0, parity=1)]}, **by_hand))
        assert "the pool has raidz2" in told["reasons"][0]
        assert "drive failures survived: 1 (the pool: 2)" in told["reasons"][1]
        doubled = {"kind": "raidz", "parity": 2, "members": [
            member for index in (0, 1) for member in raidz(range(12, 15), index)["members"]
        ]}  # fmt: skip
        told = server.refused("pool", **options(server, {"vdevs": [*vdevs, doubled]}, **by_hand))
        assert "drive failures survived: 1 (the pool: 2)" in told["reasons"][0]
        told = server.refused("pool", **options(server, cohorts([0, 1, 2, 3, 4, 12], SECOND), **by_hand))
        assert "does not contain pool" in told["msg"]
        # A new drive that holds something.
    node = "/dev/" + str(lab.guest_unit(13, 1)["block"])
    lab.run(f"mkfs.ext4 -q -E nodiscard {node} 64M; udevadm settle")
    with server.unchanged():
        told = server.refused("pool", **options(server, cohorts(FIRST, SECOND, THIRD), **by_hand))
        assert told["reasons"] == [f"bay13 (serial COH13) unit 1: filesystem ext4 on {node}"]


def test_the_power_goes_while_it_grows_and_the_next_run_finishes(server: Server) -> None:
    lab, wanted = server.lab, cohorts(FIRST, SECOND, THIRD)
    count = "grep -c 'sd[a-z]*1$' /proc/partitions"
    parts = lab.run(count).out
    first = "wwn-0x" + lab.guest_unit(12, 0)["wwid"].split(".")[1]
    moments = {
        "first partition": lambda: lab.run(count).out != parts,
        "vdev": lambda: first in lab.run("zpool status archive", check=False).out,
    }
    for name, come in moments.items():
        lab.restore(BUILT)
        lab.run("sync")
        acting = threading.Thread(target=_growing, args=(server, wanted))
        acting.start()
        until(come, 120, name)
        lab.power_cut()
        acting.join(60)
        lab.boot()
        # OpenZFS's own import at boot depends on udev having settled, which a busy machine misses.
        lab.run("modprobe zfs; zpool list archive || zpool import archive", timeout=300)
        done = call(lab, "pool", **options(server, wanted, by_name=False))
        assert not done.get("failed"), (name, done["msg"])
        print(f"power cut at {name}: {len(done['commands'])} commands left")
        assert len(server.members()) == 6
        again = call(lab, "pool", **options(server, wanted, by_name=False))
        assert (again.get("failed"), again["changed"]) == (False, False), again
        server.whole()


def _growing(server: Server, layout: dict[str, Any]) -> None:
    with suppress(AssertionError):  # the host goes away
        call(server.lab, "pool", **options(server, layout, by_name=False))


def test_larger_drives_one_by_one_expand_a_vdev_once_all_its_members_are_larger(labs: Any, tmp_path: Path) -> None:
    lab = labs.get("cohorts")
    policy = {"kind": "raidz", "parity": 1, "width": 3, "survive": {"drives": 1}}
    server = Server(lab, tmp_path / "site", policy)
    server.built(range(3), "three")
    lab.restore("three")
    before = int(lab.run("zpool list -Hp -o size archive").out)
    for bay in range(3):
        lab.pull(bay)
        lab.push(lab.new_drive(bay, f"BIG{bay:02d}", unit_size=2 * SIZE))
        for index in (0, 1):
            unit = lab.guest_unit(bay, index)
            lab.run(
                f"zpool replace archive /dev/disk/by-vdev/bay{bay:02d}.{index}"
                f" /dev/disk/by-id/wwn-0x{unit['wwid'].split('.')[1]}"
            )
        lab.run("zpool wait -t replace,resilver archive; zpool wait -t replace archive", timeout=300)
        print(lab.run("zpool list -v archive; zpool status archive").out)
        serials = {f"bay{one:02d}": f"BIG{one:02d}" for one in range(bay + 1)}
        declared = server.declared(range(3), **serials)
        wanted: dict[str, Any] = {"pool": "archive", "state": "grown", "declared": declared}
        now = call(lab, "pool_info", pool="archive", declared=declared)["pools"][0]["layout"]
        if bay < 2:
            told = call(lab, "pool", **wanted, layout=now)
            assert not told["changed"], told
            assert told["waiting"][0].startswith(
                f"raidz1-0: {bay + 1} of 3 members are larger; it grows once these are larger"
            )
            assert int(lab.run("zpool list -Hp -o size archive").out) == before
    runs = four_runs(lab, "pool", **wanted, layout=now)
    assert [words[:3] for words in runs.done["commands"]] == [["zpool", "online", "-e"]] * 2 + [
        ["zpool", "sync", "archive"]
    ]
    after = int(lab.run("zpool list -Hp -o size archive").out)
    print(f"grown from {before} to {after} bytes")
    assert after > 1.9 * before
    server.whole()


def test_a_growth_leaves_a_running_scrub_alone(server: Server) -> None:
    lab = server.lab
    lab.run("echo 1 > /sys/module/zfs/parameters/zfs_scan_suspend_progress; zpool scrub archive; sleep 2")
    started = _scrub(server)
    assert "in progress" in started
    done = call(lab, "pool", **options(server, cohorts(FIRST, SECOND, THIRD), by_name=False))
    assert not done.get("failed"), done["msg"]
    assert _scrub(server) == started
    lab.run("echo 0 > /sys/module/zfs/parameters/zfs_scan_suspend_progress; zpool wait -t scrub archive", timeout=300)
    time.sleep(1)
    server.whole()


def _scrub(server: Server) -> str:
    return next(line for line in server.status().splitlines() if "scrub" in line).strip()


def test_the_playbook_shows_its_plan_first_and_then_follows_it(server: Server) -> None:
    lab, drives = server.lab, server.declared(range(18))
    size = int(lab.run("zpool list -Hp -o size archive").out)
    with server.unchanged():
        shown = server.book("grow", drives, "--check", "--diff").check()
    assert "zpool add -o ashift=12 archive raidz2 /dev/disk/by-vdev/bay12.0" in shown.output
    first = server.book("grow", drives).check()
    assert "raidz2: bay12.0" in first.output
    assert server.book("grow", drives).check().changed == 0
    placed = [names for _vdev, names in server.members()]
    wanted = [named(bays, index) for bays in (FIRST, SECOND, THIRD) for index in (0, 1)]
    assert sorted(placed) == sorted(wanted)
    assert int(lab.run("zpool list -Hp -o size archive").out) == size // 4 * 6
    assert server.book("build", drives).check().changed == 0  # as declared now
    server.whole()


def test_a_pool_that_its_drives_would_not_be_laid_out_as_comes_back_once_that_is_declared(server: Server) -> None:
    lab = server.lab
    for index in (0, 1):
        fresh = f"/dev/disk/by-id/wwn-0x{lab.guest_unit(12, index)['wwid'].split('.')[1]}"
        lab.run(f"zpool replace archive /dev/disk/by-vdev/bay05.{index} {fresh}; zpool wait -t replace archive")
    before = server.members()
    lab.run("zpool export archive")
    drives = server.declared([bay for bay in range(13) if bay != 5])
    with server.unchanged():
        told = server.book("reimport", drives)
        assert told.rc != 0
        assert "but does not match the layout; nothing was changed" in told.output
        assert "bay12 (serial COH12) unit 0: is a member of the vdev of bay00.0" in told.output
        assert "split_actuator_placement: found" in told.output
    server.book("reimport", drives, split_actuator_placement="found").check()
    print(before, server.members(), sep="\n")
    # The same devices in the same places, by the names of their bays now.
    assert [sorted(names) for _vdev, names in server.members()] == [
        named([0, 1, 2, 3, 4, 12], 0), named([0, 1, 2, 3, 4, 12], 1), named(SECOND, 0), named(SECOND, 1),
    ]  # fmt: skip
    assert server.book("reimport", drives, split_actuator_placement="found").check().changed == 0
    server.whole()
