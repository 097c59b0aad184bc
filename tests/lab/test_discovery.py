# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Discovery on running guests, against the lab's own chassis file and the guest's own tools."""

from __future__ import annotations

from typing import Any

import pytest

from tests.lab.conftest import Labs
from tests.lab.lab import Lab
from tests.lab.library import BARE, ask, ship
from tests.lab.modules import call
from tests.lab.parts import make_chassis
from tests.lab.scenes import LEFTOVERS, leave_things

pytestmark = pytest.mark.lab

BAY_MAP = [
    {"pattern": "pci-0000:00:08.0-sas-phy{phy}-lun-*", "bay": "bay{phy}"},
    {"pattern": "pci-0000:00:09.0-sas-phy{phy}-lun-*", "bay": "bay{phy+6}"},
]
EXAMINE = """
from core.host.discover import discover
from core.host.probe import examine
found = discover()
keys = [(drive.serial, unit.index) for drive in found.drives for unit in drive.units if drive.serial]
answer = [[*key, contents] for key, contents in examine(found, keys, runner).items()]
"""


def units(result: dict[str, Any]) -> dict[tuple[str, int], dict[str, Any]]:
    return {(drive["serial"], unit["index"]): unit for drive in result["drives"] for unit in drive["units"]}


def test_drive_info_agrees_with_the_chassis_file(lab: Lab) -> None:
    found = call(lab, "drive_info", bay_map=BAY_MAP, ordinary=False)
    assert [(drive["bay"]["slot"], drive["serial"], drive["bay_source"]) for drive in found["drives"]] == [
        (drive.bay, drive.serial, "map") for drive in sorted(lab.chassis.drives, key=lambda drive: drive.bay)
    ]
    for drive in lab.chassis.drives:
        for unit in drive.units:
            told = units(found)[(drive.serial, unit.index)]
            # The lab's own view of the guest's sysfs, made without the collection.
            shown = lab.guest_unit(drive.bay, unit.index)
            assert told["wwn"] == f"naa.{unit.wwn:016x}" == shown["wwid"]
            assert told["size"] == unit.size == shown["bytes"]
            assert told["node"] == f"/dev/{shown['block']}"
            assert [path["hctl"] for path in told["paths"]] == [shown["hctl"]]
            assert told["links"][0] == f"/dev/disk/by-id/wwn-0x{unit.wwn:016x}"
            assert set(told["links"]) < set(shown["links"])
            assert told["contents"] == []
    assert found["findings"] == []
    assert found["changed"] is False
    assert call(lab, "drive_info", bay_map=BAY_MAP, ordinary=False, check=True)["drives"] == found["drives"]
    for link in [link for unit in units(found).values() for link in unit["links"]]:
        assert lab.run(["readlink", "-f", link]).out.strip() in [unit["node"] for unit in units(found).values()]


def test_a_map_entry_that_makes_no_bay_is_named(lab: Lab) -> None:
    wrong = call(lab, "drive_info", bay_map=[BAY_MAP[0], {"pattern": "pci-{slot}", "bay": "bay{phy}"}])
    assert wrong["failed"]
    assert wrong["subject"] == "bay_map[1].bay"


def test_the_odd_drives_of_a_chassis_are_told(labs: Labs) -> None:
    lab = labs.get("shapes")
    found = call(lab, "drive_info", paths_per_unit=1)
    told = sorted(
        (one["code"], one["serial"], -1 if one["index"] is None else one["index"])
        for one in found["findings"]
        if one["severity"] != "info"
    )
    assert told == [
        ("half_visible", "SHP06", 1),
        ("serial_collision", "SHP00", -1),
        ("serial_collision", "SHP00", -1),
        ("unmanaged_paths", "SHP08", 0),
        ("unmanaged_paths", "SHP08", 1),
    ]
    twice = units(found)[("SHP08", 1)]
    # Which path has the lower kernel name is for the scan to say.
    paths = {path["hctl"] for path in twice["paths"]}
    assert paths == {lab.guest_unit("SHP08", 1, path)["hctl"] for path in (0, 1)}
    assert len(twice["paths"]) == 2
    assert twice["links"] == []
    assert units(found)[("SHP10", 0)]["logical_block"] == 4096
    # The hidden unit appears: nothing is missing any more.
    lab.push_unit("SHP06", 1)
    lab.run("udevadm settle --timeout 120", timeout=200)
    assert [one for one in call(lab, "drive_info")["findings"] if one["serial"] == "SHP06"] == []


def test_what_is_on_units_is_told_and_looked_at_without_a_change(labs: Labs) -> None:
    lab = labs.get("shapes")
    leave_things(lab)
    ship(lab)
    lab.run("sync; zpool export -a; umount '/srv/old data'; sync")
    quiet = {key: kinds - {"mount", "open"} for key, (_lines, kinds) in LEFTOVERS.items()}
    before = lab.content_hashes(list(LEFTOVERS))
    known = units(call(lab, "drive_info"))
    seen = {(serial, index): contents for serial, index, contents in ask(lab, EXAMINE)}
    assert lab.content_hashes(list(LEFTOVERS)) == before
    assert {key: {one["type"] for one in unit["contents"]} for key, unit in known.items() if key in quiet} == quiet
    assert {key: {one["type"] for one in contents} for key, contents in seen.items() if contents} == quiet
    # Held by the kernel without a mount or a holder in sysfs: only the exclusive open shows it.
    lab.run("zpool import -N busy", timeout=300)
    seen = {(serial, index): contents for serial, index, contents in ask(lab, EXAMINE)}
    assert {one["type"] for one in seen[("SHP03", 0)]} == LEFTOVERS[("SHP03", 0)][1]


@pytest.mark.lab_long
def test_what_udev_has_not_heard_of_is_seen_all_the_same(lab: Lab) -> None:
    """Also a pool whose labels were half erased: of the last one only the list of names and values is left."""
    ship(lab)
    first, second, third = (f"/dev/{lab.guest_unit(bay, 0)['block']}" for bay in (0, 1, 2))
    serials = [lab.drive(bay).serial for bay in (0, 1, 2)]
    lab.run(f"zpool create halved {third}; zpool export halved; udevadm settle", timeout=300)
    lab.run("systemctl stop systemd-udevd-control.socket systemd-udevd-kernel.socket systemd-udevd.service")
    lab.run(f"mkfs.ext4 -q {first}; printf 'label: dos\\n,1GiB\\n' | sfdisk -q --no-tell-kernel {second}", timeout=300)
    # Everything of the pool but the name-value list of label 3 (the last 256 KiB, from 16 KiB on).
    lab.run(
        f"""set -e; P={third}1
        S=$(blockdev --getsize64 $P); END=$((S / 262144 * 262144))
        dd if=$P of=/tmp/list bs=4096 skip=$(((END - 262144 + 16384) / 4096)) count=28 status=none
        dd if=/dev/zero of=$P bs=1M count=1 conv=fsync status=none
        dd if=/dev/zero of=$P bs=4096 seek=$(((END - 524288) / 4096)) count=128 conv=fsync status=none
        dd if=/tmp/list of=$P bs=4096 seek=$(((END - 262144 + 16384) / 4096)) conv=fsync status=none
        wipefs --no-act $P"""
    )
    known = units(call(lab, "drive_info"))
    assert known[(serials[0], 0)]["contents"] == known[(serials[1], 0)]["contents"] == []
    seen = {(serial, index): contents for serial, index, contents in ask(lab, EXAMINE)}
    assert [one["type"] for one in seen[(serials[0], 0)]] == ["filesystem"]
    assert [one["type"] for one in seen[(serials[1], 0)]] == ["partition_table"]
    # libblkid of Debian 13 knows a pool by such a rest, that of Debian 12 does not, and we say which label it is.
    detail = {"trixie": "halved", "bookworm": "label 3"}[lab.chassis.release]
    assert [(one["type"], one["detail"]) for one in seen[(serials[2], 0)] if one["type"] == "pool_label"] == [
        ("pool_label", detail)
    ]
    # What libblkid makes of it is one thing; the direct look sees the one label that is left as well.
    assert ask(lab, f"from core.host.probe import look\nanswer = look({third + '1'!r})") == [[3], False]


def test_reading_needs_no_root_and_a_look_at_devices_says_that_it_does(lab: Lab) -> None:
    ship(lab)
    code = """
import os
from core.host.discover import discover
def shape():
    return [[d.serial, d.firmware, [[u.wwn, u.size, list(u.links)] for u in d.units]] for d in discover().drives]
as_root = shape()
os.setgroups([]); os.setgid(65534); os.setuid(65534)
answer = {"same": shape() == as_root}
from core.host.probe import examine
from core.errors import HostError
found = discover()
try:
    from core.host.probe import look
    look(found.drives[0].units[0].node)
except HostError as error:
    answer["said"] = str(error)
"""
    answer = ask(lab, code)
    assert answer["same"] is True
    assert "Permission denied" in answer["said"]
    assert "Run this as root" in answer["said"]


def test_without_pyudev_the_module_names_the_package(lab: Lab) -> None:
    lab.run("mv /usr/lib/python3/dist-packages/pyudev /root/pyudev.away")
    told = call(lab, "drive_info")
    assert told["failed"]
    assert "python3-pyudev" in told["msg"]
    assert told["remedy"].startswith("Install the package python3-pyudev")


@pytest.mark.lab_long
def test_a_boot_may_shuffle_nodes_but_not_links(lab: Lab) -> None:
    def shape() -> list[Any]:
        told = call(lab, "drive_info", bay_map=BAY_MAP, ordinary=False)["drives"]
        return [(drive["bay"], drive["key"], [(u["wwn"], u["links"]) for u in drive["units"]]) for drive in told]

    before = shape()
    lab.stop()
    lab.boot()
    assert shape() == before


@pytest.mark.lab_long
def test_204_units_are_read_without_a_program_for_each_in_a_fraction_of_a_second(labs: Labs) -> None:
    """Processor time in an emulated guest, beside a bare read of the same attributes."""
    lab = labs.get(make_chassis("wide", drives=102, memory=3072))
    ship(lab)
    answer = ask(
        lab,
        BARE
        + """
EVENTS = ("subprocess.Popen", "os.fork", "os.posix_spawn", "os.exec", "os.system")
started = []
sys.addaudithook(lambda event, details: started.append(str(details[1:2])) if event in EVENTS else None)
from core.host.discover import discover
def timed(work):
    begun = time.process_time()
    result = work()
    return time.process_time() - begun, result
bare_seconds = sorted(timed(bare)[0] for _again in range(3))
seconds = [timed(discover) for _again in range(3)]
found = seconds[0][1]
answer = {
    "first": seconds[0][0], "best": min(one for one, _found in seconds), "bare": bare_seconds[0],
    "drives": len(found.drives), "units": sum(len(drive.units) for drive in found.drives if drive.serial),
    "started": started,
}
""",
    )
    first, best, plain = answer["first"], answer["best"], answer["bare"]
    print(f"discovery of 204 units: first {first:.3f} s, best {best:.3f} s; bare reading {plain:.3f} s")
    assert answer["units"] == 204
    # One look for libudev by pyudev in each of the three discoveries, nothing for the units.
    assert len(answer["started"]) <= 3
    assert all("ldconfig" in one for one in answer["started"])
    assert best < 1.0
    assert best < 15 * plain
