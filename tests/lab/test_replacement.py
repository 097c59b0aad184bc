# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Drives of a pool replaced on a real kernel: in their bays, from other bays, two at once; and where it may not be.

What became of it is read with zpool, from its history and from outside the guest, not through our code.
"""

from __future__ import annotations

import json
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from tests.checkout import REPO
from tests.lab.cohorts import HOLD
from tests.lab.modules import four_runs
from tests.lab.replacements import UNIT_SIZE, Shop, chassis

pytestmark = pytest.mark.lab_long

RESULTS = REPO / "tests" / "output" / "every-drive.json"


@pytest.fixture(scope="module")
def base(labs: Any, tmp_path_factory: pytest.TempPathFactory) -> Shop:
    return Shop(labs.get(chassis()), tmp_path_factory.mktemp("site"))


@pytest.fixture
def shop(base: Shop) -> Shop:
    """Six drives in a pool of two vdevs."""
    base.built()
    return base


def test_in_its_bay_under_reading_and_writing_in_one_pass(shop: Shop) -> None:
    lab, before = shop.lab, shop.scans()
    with shop.unchanged():
        shown = shop.book("--check", leave="bay03").check()
    assert "zpool offline archive" in shown.output
    assert "/dev/disk/by-vdev/bay03.1" in shown.output
    with shop.busy():
        begun = time.monotonic()
        done = shop.book(leave="bay03", line=shop.change(3, "NEW03")).check()
        print(f"in place: {time.monotonic() - begun:.0f} s with its playbook")
    assert "Replaced: serial NEW03 in bay03" in done.output
    assert shop.homes() == shop.expected(OLD03="NEW03")
    # Both units in one pass: whatever began before both were in was aborted, one resilver was done.
    scans = shop.scans()[len(before) :]
    print(scans)
    assert scans.count("scan done") == 1, scans
    names = lab.run("zpool status archive").out
    assert "bay03.0" in names
    assert "bay03.1" in names
    assert shop.declared["bay03"]["serial"] == "NEW03"
    again = shop.book(leave="bay03").check()
    assert again.changed == 0, again.output
    assert "Replaced: serial NEW03 in bay03" in again.output
    assert shop.homes() == shop.expected(OLD03="NEW03")
    shop.whole()


def test_from_another_bay_while_it_serves(shop: Shop) -> None:
    shop.further(12, "NEW12")
    before = shop.scans()
    with shop.busy():
        shop.lab.run(f"echo 1 > {HOLD}")
        done = shop.book(leave="OLD05", enter="bay12", line=shop.let_go).check()
    assert "bay05 (serial OLD05) can be pulled now" in done.output
    assert "zpool offline" not in done.output
    assert shop.homes() == shop.expected(OLD05="NEW12")
    assert shop.scans()[len(before) :].count("scan done") == 1
    assert "bay05" not in shop.declared
    assert shop.declared["bay12"]["serial"] == "NEW12"
    assert shop.book(leave="OLD05", enter="bay12").check().changed == 0
    shop.lab.pull("OLD05")
    shop.whole()


def test_each_step_is_predicted_done_and_not_repeated(shop: Shop) -> None:
    lab = shop.lab
    out = four_runs(lab, "drive_replacement", **shop.options("take_out", "bay04"))
    assert [argv[1] for argv in out.done["commands"]] == ["offline", "offline"]
    assert (out.predicted["replacement"]["margin"], out.predicted["replacement"]["margin_without"]) == (2, 1)
    lab.pull(4)
    lab.push(lab.new_drive(4, "NEW04"))
    seen = shop.step("await_drive", "bay04", wait_seconds=30)
    assert (seen["failed"], seen["replacement"]["entering_serial"]) == (False, "NEW04"), seen
    before = shop.scans()
    with shop.slow_resilver():
        runs = four_runs(lab, "drive_replacement", **shop.options("put_in", "bay04"))
    assert [argv[1] for argv in runs.done["commands"]] == ["replace", "replace", "resilver"]
    done = shop.step("follow", "bay04", wait_seconds=300)
    assert (done["failed"], done["replacement"]["stage"]) == (False, "done"), done
    # Both units in one pass: whatever began before both were in was aborted, one resilver was done.
    scans = shop.scans()[len(before) :]
    print(scans)
    assert scans.count("scan done") == 1, scans
    assert shop.homes() == shop.expected(OLD04="NEW04")
    assert shop.step("take_out", "bay04")["commands"] == []  # done: the new drive is left alone


def test_given_up_and_not_begun(shop: Shop) -> None:
    lab = shop.lab
    with shop.unchanged():
        plan = shop.step("plan", "OLD04")
    assert (plan["changed"], plan["replacement"]["stage"]) == (False, "idle")
    assert not shop.step("take_out", "OLD04")["failed"]
    waited = shop.step("await_drive", "bay04", wait_seconds=3)
    assert waited["failed"]
    assert "the old drive (serial OLD04) is still in place after 3 s" in waited["msg"]
    # What was taken out serves again.
    four_runs(lab, "drive_replacement", **shop.options("put_back", "OLD04"))
    lab.run("zpool wait -t resilver archive")
    assert shop.homes() == shop.expected()


def test_two_drives_out_at_once(shop: Shop) -> None:
    lab = shop.lab
    with shop.busy():
        for bay in (2, 5):
            assert not shop.step("take_out", f"bay{bay:02d}")["failed"]
    third = refused(shop, "take_out", "bay04")
    assert "3 would be missing" in third["msg"], third["msg"]
    assert "OLD02" in third["msg"], third["msg"]
    with shop.busy():
        for bay in (2, 5):
            lab.pull(bay)
        for bay in (2, 5):
            lab.push(lab.new_drive(bay, f"NEW{bay:02d}"))
        with shop.slow_resilver():
            assert not shop.step("put_in", "bay02")["failed"]
            second = shop.step("put_in", "bay05")
            assert "resilver is running" in second["msg"], second["msg"]
            assert second["failed"]
            second = shop.step("put_in", "bay05", interrupt=["resilver"])
        assert not second["failed"], second
        for bay in (2, 5):
            assert shop.step("follow", f"bay{bay:02d}", wait_seconds=300)["replacement"]["stage"] == "done"
    assert shop.homes() == shop.expected(OLD02="NEW02", OLD05="NEW05")
    shop.whole()


@pytest.fixture
def out(shop: Shop) -> Shop:
    """The drive of bay 1 has been taken out and pulled."""
    assert not shop.step("take_out", "bay01")["failed"]
    shop.lab.pull(1)
    return shop


def refused(shop: Shop, step: str, leave: str, scanning: bool = False, **more: Any) -> dict[str, Any]:
    """A refusal, in check mode and for real alike, that changes nothing."""
    with shop.untold() if scanning else shop.unchanged():
        predicted = shop.step(step, leave, check=True, **more)
        result = shop.step(step, leave, **more)
    assert result["failed"], result
    assert predicted["msg"] == result["msg"]
    return result


def test_new_drives_that_will_not_do(out: Shop) -> None:
    lab, shop = out.lab, out

    def put(serial: str, **keys: Any) -> None:
        # Like the first one, not like what was tried before it.
        lab.push(lab.new_drive(1, serial, **{"units": 2, "unit_size": UNIT_SIZE, **keys}))

    put("TINY6", unit_size="300 MiB")
    assert "too few for raidz2-0" in refused(shop, "put_in", "bay01")["msg"]
    with shop.unchanged():
        assert shop.step("await_drive", "bay01", wait_seconds=5)["failed"]
    lab.pull(1)
    put("ONE6", units=1)
    assert "it shows 1 unit" in refused(shop, "put_in", "bay01")["msg"]
    lab.pull(1)
    put("DATA6")
    node = lab.guest_unit(1, 1)["block"]
    lab.run(f"mkfs.ext4 -q -L tides /dev/{node}; udevadm settle")
    told = refused(shop, "put_in", "bay01")
    assert "bay01 (serial DATA6) unit 1: filesystem ext4 tides" in told["msg"]
    # Spelled out, it is erased and taken.
    assert not shop.step("put_in", "bay01", erase_serials=["DATA6"])["failed"]
    assert shop.step("follow", "bay01", wait_seconds=300)["replacement"]["stage"] == "done"
    assert shop.homes() == shop.expected(OLD01="DATA6")


def test_a_drive_of_another_pool_or_of_this_one(out: Shop) -> None:
    lab, shop = out.lab, out
    lab.push(lab.new_drive(1, "OTHER6"))
    nodes = [f"/dev/{lab.guest_unit(1, index)['block']}" for index in (0, 1)]
    create = f"zpool create elsewhere {' '.join(nodes)}"  # may lose the race against udev for its own partitions
    lab.run(f"for one in 1 2 3; do {create} && break; udevadm settle; done; zpool export elsewhere; udevadm settle")
    told = refused(shop, "put_in", "bay01")
    assert "(pool elsewhere, GUID " in told["msg"], told["msg"]
    lab.pull(1)
    # The drive that was to leave is back in its bay: nothing enters, and it can be taken back.
    lab.push("OLD01")
    # Check mode tells what will be done once a new drive is there; a real run has none to put in.
    with shop.unchanged():
        expected = shop.step("put_in", "bay01", check=True)
        back = shop.step("put_in", "bay01")
    assert (expected["failed"], back["failed"]) == (False, True), (expected, back)
    assert "no new drive is in this bay yet" in back["msg"]
    assert not shop.step("put_back", "bay01")["failed"]
    lab.run("zpool wait -t resilver archive")
    assert shop.homes() == shop.expected()


def test_a_wrong_pull_is_told_and_undone(shop: Shop) -> None:
    lab = shop.lab
    assert not shop.step("take_out", "bay01")["failed"]
    lab.pull(2)
    with shop.unchanged():
        told = shop.step("await_drive", "bay01", wait_seconds=30)
    assert told["failed"]
    assert (
        "The wrong drive was pulled: bay02 (serial OLD02) is missing; the drive to pull is bay01 (serial OLD01)"
        in told["msg"]
    )
    assert "Put bay02 (serial OLD02) back" in told["msg"]
    lab.push("OLD02")
    again = shop.step("take_out", "bay01")
    assert not again["failed"], again
    lab.run("zpool wait -t resilver archive")
    lab.pull(1)
    lab.push(lab.new_drive(1, "NEW01"))
    assert not shop.step("put_in", "bay01")["failed"]
    assert shop.step("follow", "bay01", wait_seconds=300)["replacement"]["stage"] == "done"
    assert shop.homes() == shop.expected(OLD01="NEW01")
    shop.whole()


def test_scans_are_respected_and_the_healthy_sibling_is_named(shop: Shop) -> None:
    lab = shop.lab
    # Held still, so that it runs for certain (zfs(4)).
    lab.run(f"echo 1 > {HOLD}; zpool scrub archive")
    told = refused(shop, "take_out", "bay03", scanning=True)
    assert "A scrub is running on pool archive" in told["msg"]
    assert "scrub" in lab.run("zpool status archive | grep 'in progress'").out
    lab.run(f"echo 0 > {HOLD}; zpool wait -t scrub archive")
    lab.run("zpool offline -f archive bay03.1")
    notes = shop.step("plan", "bay03")["replacement"]["notes"]
    assert notes == [
        "bay03.1 and bay03.0 are one drive: bay03.1 is FAULTED, and bay03.0, which is healthy, is replaced as well"
    ]


CUTS = (0.0, 1.0, 2.0, 3.0, 4.5, 6.0, 8.0, 11.0)


@pytest.mark.parametrize("seconds", CUTS)
def test_a_power_cut_in_a_replacement(shop: Shop, seconds: float) -> None:
    """The power goes so many seconds after the first command of the replacement was begun."""
    lab = shop.lab
    assert not shop.step("take_out", "bay01")["failed"]
    lab.run("sync")
    lab.pull(1)
    lab.push(lab.new_drive(1, "NEW01"))
    going = threading.Thread(target=lambda: _quietly(lambda: shop.step("put_in", "bay01")))
    going.start()
    # A cut that comes before the replacement began would show nothing: then this fails.
    lab.run("timeout 240 sh -c \"until pgrep -f '(^|/)zpool replace'; do sleep 0.05; done\"", timeout=300)
    time.sleep(seconds)
    lab.power_cut()
    going.join()
    lab.boot()
    lab.run(
        "modprobe zfs; zpool list archive || zpool import -d /dev/disk/by-vdev -d /dev/disk/by-id archive", timeout=200
    )
    print(lab.run("zpool status archive").out)
    shop.site.refresh()
    done = shop.step("put_in", "bay01")
    assert not done["failed"], done
    print(f"cut after {seconds} s: {[argv[1] for argv in done['commands']]}")
    assert shop.step("follow", "bay01", wait_seconds=300)["replacement"]["stage"] == "done"
    assert shop.homes() == shop.expected(OLD01="NEW01")
    shop.whole()


def _quietly(work: Any) -> None:
    try:
        work()
    except (AssertionError, OSError):
        return


def test_every_drive_is_replaced_once(labs: Any, tmp_path: Path) -> None:
    shop = Shop(labs.get(chassis(12)), tmp_path)
    shop.built()
    changed: dict[str, str] = {}
    results: list[dict[str, Any]] = []
    RESULTS.parent.mkdir(parents=True, exist_ok=True)
    with shop.busy():
        for bay in shop.bays:
            old, new = f"OLD{bay:02d}", f"NEW{bay:02d}"
            begun, hot = time.monotonic(), bay % 4 == 3
            if hot:  # while it serves; its bay is free afterwards
                shop.further(12 + bay, new)
                shop.book(leave=old, enter=new, line=shop.let_go).check()
                shop.lab.pull(old)
            else:
                shop.book(leave=f"bay{bay:02d}", line=shop.change(bay, new)).check()
            changed[old] = new
            assert shop.homes() == shop.expected(**changed)
            way = "while it serves" if hot else "in its bay"
            results.append({"left": old, "entered": new, "way": way, "seconds": round(time.monotonic() - begun)})
            RESULTS.write_text(json.dumps(results, indent=1) + "\n")
    shop.whole()
