# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The host's disk inventory on a real kernel: survey, names, smartd, findings, supporting vdevs.

Where links lead is compared with what the guest's kernel shows (tests/lab/guest.py), not with our own discovery.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.lab.conftest import Labs
from tests.lab.lab import Lab
from tests.lab.library import ask, ship
from tests.lab.modules import call, four_runs
from tests.lab.parts import make_chassis, parse
from tests.lab.playbooks import Run, Site
from tests.lab.rangedisks import HOSTILE, RangeDisks, range_disk

pytestmark = pytest.mark.lab
LONG = pytest.mark.lab_long

GIB = 2**30
SPLIT, FLASH = range(24), range(24, 29)
# Drives of two units, and ordinary ones, on targets that are their bays.
CHASSIS = parse(
    {
        "name": "gale01",
        "memory": 2048,
        "adapters": [{"name": "hba0", "kind": "virtio-scsi"}],
        "defaults": {"adapter": "hba0"},
        "drives": [
            {"bays": "0-23", "serial": "GLE{bay}", "unit_size": 20 * GIB},
            {"bays": "24-28", "serial": "FLS{bay}", "unit_size": 10 * GIB, "units": 1, "model": "FLASH1"},
        ],
    }
)  # fmt: skip
BAY_MAP = [{"pattern": "pci-0000:00:08.0-scsi-0:0:{target}:*", "bay": "bay{target}"}]
CLASS = {"split_actuator_bay_map": BAY_MAP, "split_actuator_bays": ["bay[00:39]"]}
PLAY = [{"hosts": "all", "gather_facts": False, "become": True, "roles": ["evenkeel.split_actuator.disk_inventory"]}]

AREAS = ["inventory", "names"]
RULES = "/etc/udev/rules.d/70-evenkeel-units.rules"
INVENTORY = "/etc/evenkeel/split_actuator/inventory.json"
NAMED = "named"
FOLDER = Path(__file__).parent
APPLY = "udevadm control --reload && udevadm trigger --subsystem-match=block --action=change && udevadm settle -t 300"
# What the role may change on the host, and all names, as text to compare.
STATE = (
    "ls -l --time-style=full-iso /etc/udev/rules.d /etc/evenkeel/split_actuator /etc/smartd.conf"
    " /etc/systemd/system/smartmontools.service.d /dev/disk/by-vdev 2>/dev/null;"
    " sha256sum /etc/smartd.conf /etc/udev/rules.d/* 2>/dev/null; true"
)


class Server:
    """The server with its site."""

    def __init__(self, lab: Lab, folder: Path) -> None:
        self.lab = lab
        lab.write_inventory(folder / "hosts.yml")
        (folder / "group_vars" / "all").mkdir(parents=True)
        (folder / "group_vars" / "all" / "class.yml").write_text(yaml.safe_dump(CLASS))
        (folder / "inventory.yml").write_text(yaml.safe_dump(PLAY))
        self.site = Site(lab, folder, "gale01")
        self.drives_file = folder / "host_vars" / "gale01" / "drives.yml"

    def role(self, *options: str, **variables: Any) -> Run:
        return self.site.playbook("./inventory.yml", "--diff", *options, variables=variables).check()

    @property
    def declared(self) -> dict[str, Any]:
        drives: dict[str, Any] = yaml.safe_load(self.drives_file.read_text())["split_actuator_drives"]
        return drives

    @property
    def state(self) -> str:
        return self.lab.run(STATE).out

    def names(self) -> dict[str, str]:
        """Every name of a whole unit and the kernel name that it leads to."""
        script = 'cd /dev/disk/by-vdev && for l in *; do echo "$l $(basename $(readlink -f $l))"; done'
        return dict(line.split() for line in self.lab.run(script).out.splitlines())

    def truth(self) -> dict[str, str]:
        """The same as the guest's kernel has it: the target is the bay, the LUN the unit."""
        return {
            f"bay{unit['target']:02d}.{unit['lun']}": unit["block"]
            for unit in self.lab.guest_units()
            if unit["pci"] == "0000:00:08.0"
        }


@pytest.fixture(scope="module")
def prepared(labs: Labs, tmp_path_factory: pytest.TempPathFactory) -> tuple[Server, dict[str, Any]]:
    """The server surveyed and named, with what was seen on the way."""
    lab = labs.get(CHASSIS)
    server = Server(lab, tmp_path_factory.mktemp("site"))
    seen: dict[str, Any] = {"survey": server.site.playbook("survey").check()}
    before = server.state
    seen["predicted"] = server.role("--check")
    seen["touched_by_check"] = server.state != before
    seen["done"] = server.role()
    seen["names"], seen["truth"] = server.names(), server.truth()
    after = server.state
    seen["again"] = server.role()
    seen["checked"] = server.role("--check")
    seen["touched_by_second"] = server.state != after
    ship(lab)
    lab.checkpoint(NAMED)
    return server, seen


@pytest.fixture
def server(prepared: tuple[Server, dict[str, Any]]) -> Server:
    """The named server, as it was."""
    prepared[0].lab.restore(NAMED)
    prepared[0].site.refresh()
    return prepared[0]


@LONG
def test_survey_drafts_every_drive_with_its_units_and_wwns(prepared: tuple[Server, dict[str, Any]]) -> None:
    declared = prepared[0].declared
    assert list(declared) == [f"bay{bay:02d}" for bay in (*SPLIT, *FLASH)]
    for drive in CHASSIS.drives:
        split = len(drive.units) == 2
        assert declared[f"bay{drive.bay:02d}"] == {
            "serial": drive.serial,
            "model": drive.model,
            "unit_count": len(drive.units),
            "unit_bytes": drive.units[0].size,
            "wwns": [f"naa.{unit.wwn:016x}" for unit in drive.units],
            **({} if split else {"use": "other"}),
        }


@LONG
def test_check_mode_predicts_and_touches_nothing(prepared: tuple[Server, dict[str, Any]]) -> None:
    seen = prepared[1]
    assert not seen["touched_by_check"]
    diffs = [re.findall(r"^\+(?!\+).*$", seen[run].output, re.MULTILINE) for run in ("predicted", "done")]
    assert any("SYMLINK" in line for line in diffs[0])
    assert diffs[0] == diffs[1]


@LONG
def test_every_unit_has_its_name_and_no_other(prepared: tuple[Server, dict[str, Any]]) -> None:
    seen = prepared[1]
    assert len(seen["truth"]) == 2 * len(SPLIT) + len(FLASH)
    assert seen["names"] == seen["truth"]


@LONG
def test_a_second_run_changes_nothing(prepared: tuple[Server, dict[str, Any]]) -> None:
    seen = prepared[1]
    assert (seen["again"].changed, seen["checked"].changed) == (0, 0)
    assert not seen["touched_by_second"]
    assert "As declared: 29 drives." in seen["again"].output


@LONG
def test_udev_accepts_the_rules(server: Server) -> None:
    assert server.lab.run(f"udevadm verify {RULES}").rc == 0
    told = server.lab.run(
        "udevadm test --action=change /sys/class/block/$(basename $(readlink -f /dev/disk/by-vdev/bay07.1)) 2>&1"
    )
    assert "disk/by-vdev/bay07.1" in told.out


@LONG
def test_the_inventory_on_the_host_is_roots_and_reads_back(server: Server) -> None:
    assert server.lab.run(f"stat -c '%U %G %a' {INVENTORY}").out == "root root 644\n"
    answer = ask(server.lab, "from core.onhost import read\nanswer = read()")
    assert [(drive["bay"], drive["serial"], drive["wwns"]) for drive in answer["drives"]] == [
        (bay, entry["serial"], entry["wwns"]) for bay, entry in server.declared.items()
    ]
    assert answer["discovery"]["bay_map"] == BAY_MAP


@LONG
def test_smartd_opens_every_unit(server: Server) -> None:
    """The emulator's disks have no SMART, so smartd opens each, reads its identity and lets it go."""
    options = server.lab.run("systemctl show smartmontools.service --property=ExecStart --value").out
    assert "-s - -A -" in options
    done = server.lab.run("smartd -n -d -q onecheck -s - -A - -c /etc/smartd.conf 2>&1", check=False, timeout=300)
    opened = re.findall(r"Device: (?:/dev/disk/by-vdev/)(bay[0-9]{2}\.[01])(?: \[\w+\])?, opened", done.out)
    assert sorted(opened) == sorted(server.truth())
    assert "invalid" not in done.out.lower()
    first = server.lab.run(
        "head -1 /etc/smartd.conf; grep -c '^/dev/disk/by-vdev/.* -d removable -a' /etc/smartd.conf"
    ).out
    assert first.splitlines()[0].startswith("# BEGIN split-actuator drives")
    assert int(first.splitlines()[1]) == len(server.truth())
    assert server.lab.run("grep -c '^DEVICESCAN' /etc/smartd.conf").out == "1\n"


WATCH = """
from core.host.discover import discover
from core import declared, names, smartd
drives = declared.complete(declared.read_drives({{"bay39": {{"serial": "SMT0001"}}}}), discover().drives)
open("{rules}", "w").write(names.udev_rules(drives))
answer = smartd.smartd_lines(drives, "-a")
open("/tmp/smartd.conf", "w").write("".join(line + "\\n" for line in answer))
"""


@LONG
def test_smartd_watches_both_units_of_a_drive_and_keeps_no_state_that_they_would_share(server: Server) -> None:
    lab = server.lab
    lab.run("mkdir -p /opt/lab; modprobe -a target_core_user tcm_loop")
    lab.ssh().copy_to(FOLDER / "rangedisk" / "server.py", "/opt/lab/range_disk.py")
    lab.ssh().copy_to(FOLDER / "shelf" / "smart_disks.py", "/opt/lab/smart_disks.py")
    lab.run("systemd-run --quiet --unit=lab-smart --setenv=PYTHONPATH=/opt/lab python3 /opt/lab/smart_disks.py")
    lab.run("for i in $(seq 300); do test -e /run/lab-smart-disks.ready && exit; sleep 0.2; done; exit 1", timeout=120)
    lab.run("udevadm settle -t 60", timeout=90)
    assert len(ask(lab, WATCH.format(rules=RULES))) == 2
    lab.run(APPLY, timeout=300)
    watch = "smartd -n -d -q onecheck -c /tmp/smartd.conf"
    done = lab.run(f"cd $(mktemp -d) && {watch} -s - -A - && ls -A", timeout=300).out
    for index in (0, 1):
        assert f"/dev/disk/by-vdev/bay39.{index}, is SMART capable. Adding to" in done
        assert f"/dev/disk/by-vdev/bay39.{index}, SMART health: passed" in done
    assert "state written" not in done
    # What the options are for: left alone, both units write one file.
    shared = lab.run(f"mkdir /tmp/states && {watch} -s /tmp/states/ && ls /tmp/states", timeout=300).out
    files = re.findall(r"bay39\.[01], state written to (\S+)", shared)
    assert len(files) == 2
    assert files[0] == files[1]


@LONG
def test_what_is_no_longer_declared_goes(server: Server) -> None:
    drives = {bay: entry for bay, entry in server.declared.items() if bay not in ("bay05", "bay25")}
    done = server.role(disk_inventory_drives=drives, disk_inventory_smartd=False)
    gone = {"bay05.0", "bay05.1", "bay25.0"}
    assert set(server.names()) == set(server.truth()) - gone
    kept = json.loads(server.lab.run(f"cat {INVENTORY}").out)
    assert set(kept["drives"]) == set(drives)
    assert server.lab.run("grep -c by-vdev /etc/smartd.conf", check=False).out == "0\n"
    assert server.lab.run("ls /etc/systemd/system/smartmontools.service.d").out == ""
    assert "warning drive_undeclared: bay05 (serial GLE05): declared nothing" in done.output
    assert "warning drive_undeclared: bay25 (serial FLS25): declared nothing" in done.output


def look(server: Server) -> list[dict[str, Any]]:
    drift: list[dict[str, Any]] = call(
        server.lab, "drift_info", areas=AREAS, declared=server.declared, bays=CLASS["split_actuator_bays"],
        bay_map=BAY_MAP,
    )["findings"]  # fmt: skip
    return drift


@LONG
def test_findings_tell_missing_moved_half_visible_and_undeclared_drives(server: Server) -> None:
    lab = server.lab
    assert look(server) == []
    lab.pull(3)
    lab.pull_unit(9, 1)
    lab.pull(7)
    lab.push("GLE07", bay=3)
    lab.push(lab.new_drive(7, "NEW07"))
    found = look(server)
    assert sorted((one["code"], one["severity"], one["bay"], one["serial"], one["index"]) for one in found) == [
        ("drive_missing", "error", "bay03", "GLE03", None),
        ("drive_moved", "error", "bay03", "GLE07", None),
        ("drive_undeclared", "warning", "bay07", "NEW07", None),
        ("half_visible", "error", "bay09", "GLE09", 1),
    ]
    by_code = {one["code"]: one for one in found}
    assert (by_code["drive_moved"]["declared"], by_code["drive_moved"]["found"]) == ("bay07", "bay03 (by map)")
    assert by_code["drive_undeclared"]["declared"] == "serial GLE07"
    # A name once given stays with its drive until the declaration says otherwise.
    moved = lab.guest_unit(3, 1)["block"]
    assert server.names()["bay07.1"] == moved


BESIDE = ["special", "mirror-2", "bay24.0", "bay25.0", "bay26.0", "logs", "bay27.0", "cache", "bay28.0"]


def supporting(lab: Lab) -> list[str]:
    """What OpenZFS lists beside the data vdevs of pool gale."""
    # The headings are not told with tabs, even with -H.
    shown = [line.split()[0] for line in lab.run("zpool list -v -H gale").out.splitlines()]
    return shown[shown.index("special") :]


@LONG
def test_supporting_vdevs_are_created_verified_and_shown(server: Server) -> None:
    lab = server.lab
    wwns = {bay: server.declared[f"bay{bay:02d}"]["wwns"][0] for bay in FLASH}
    members = [
        [{"serial": f"GLE{bay:02d}", "index": index, "bay": f"bay{bay:02d}", "size": 20 * GIB} for bay in range(4)]
        for index in (0, 1)
    ]
    options: dict[str, Any] = {
        "pool": "gale",
        "layout": {"vdevs": [{"kind": "raidz", "parity": 2, "members": some} for some in members]},
        "declared": server.declared,
        "bay_map": BAY_MAP,
        "root_settings": {"mountpoint": "none"},
        "support": [
            {"role": "special", "devices": [wwns[24], wwns[25], wwns[26]]},
            {"role": "log", "devices": [wwns[27]]},
            {"role": "cache", "devices": [wwns[28]]},
        ],
    }
    before = lab.content_hashes([(bay, 0) for bay in (0, 24, 27)])
    weak = [{"role": "special", "devices": [wwns[24], wwns[25]]}]
    refused = call(lab, "pool", **{**options, "support": weak})
    assert refused["failed"]
    assert "device failures tolerated: 1 (the data vdevs: 2)" in refused["reasons"][0]
    assert lab.content_hashes([(bay, 0) for bay in (0, 24, 27)]) == before
    # What OpenZFS itself says to such a pool, and to one whose special vdev stands more than its data.
    data = " ".join(f"/dev/disk/by-vdev/bay{bay:02d}.0" for bay in range(4))
    for count in (2, 4):
        names = " ".join(f"/dev/disk/by-vdev/bay{bay}.0" for bay in list(FLASH)[:count])
        told = lab.run(f"zpool create -n t raidz2 {data} special mirror {names}", check=False)
        assert told.rc != 0
        assert "mismatched replication level" in told.err
    runs = four_runs(lab, "pool", **options)
    assert runs.done["commands"][-1][-9:] == [
        "special", "mirror", *(f"/dev/disk/by-vdev/bay{bay}.0" for bay in (24, 25, 26)),
        "log", "/dev/disk/by-vdev/bay27.0", "cache", "/dev/disk/by-vdev/bay28.0",
    ]  # fmt: skip
    assert supporting(lab) == BESIDE
    # It comes back from an export with them, by the same names.
    lab.run("zpool export gale", timeout=120)
    back = call(lab, "pool", **options, state="imported")
    assert not back.get("failed"), back["msg"]
    assert supporting(lab) == BESIDE
    told = call(lab, "pool_info", declared=server.declared, bay_map=BAY_MAP)["pools"][0]
    groups = {
        vdev["name"]: (vdev["group"], [slot["members"][0]["wwn"] for slot in vdev["slots"]]) for vdev in told["vdevs"]
    }
    assert groups["mirror-2"] == ("special", [wwns[24], wwns[25], wwns[26]])
    assert sorted(group for group, _members in groups.values()) == ["cache", "data", "data", "logs", "special"]
    # A pool whose supporting vdevs are not the declared ones is refused, and one that lost a device is not.
    other = call(lab, "pool", **{**options, "support": options["support"][:2]})
    assert "cache on" in other["reasons"][0]
    lab.pull(25)
    lab.run("zpool scrub gale; zpool wait -t scrub gale; true", timeout=120)
    verified = call(lab, "pool", **options)
    assert not verified.get("failed"), verified["msg"]
    assert verified["changed"] is False
    assert [one["code"] for one in call(
        lab, "drift_info", areas=AREAS, declared={}, bay_map=BAY_MAP, support_devices=list(wwns.values())
    )["findings"] if one["code"] == "support_missing"] == ["support_missing"]  # fmt: skip


# Drives that split by range, in two, in three and with large sectors; an ordinary one; one that says strange things.
RANGED = [range_disk(0), range_disk(1, parts=3), range_disk(2, parts=2, block=4096)]
SINGLE = range_disk(3, parts=1)
STRANGE = range_disk(4, target="5acf1e2000000004", **HOSTILE)
IN_BAYS = {
    "bay30": {"serial": "ACR0000"},
    "bay31": {"serial": "ACR0001", "unit_count": 3},
    "bay32": {"serial": "ACR0002"},
    "bay33": {"serial": "ACR0003", "unit_count": 1, "use": "other"},
}


@LONG
def test_lun_drives_range_drives_and_ordinary_ones_in_one_chassis(server: Server) -> None:
    lab, disks = server.lab, RangeDisks(server.lab)
    disks.install()
    nodes = disks.show([*RANGED, SINGLE, STRANGE])
    declared = {**server.declared, **IN_BAYS}
    first = server.role(split_actuator_drives=declared)
    # A range has its name once it has a device; all others have theirs.
    ordinary = {**server.truth(), "bay33.0": nodes["r3"][5:]}
    assert server.names() == ordinary
    before = disks.digests([SINGLE, STRANGE])
    server.site.playbook("partition", variables={"split_actuator_drives": declared}).check()
    assert disks.digests([SINGLE, STRANGE]) == before
    ranges = {
        f"bay{30 + number}.{index}": f"{nodes[disk.name][5:]}{index + 1}"
        for number, disk in enumerate(RANGED)
        for index in range(len(disk.ranges))
    }
    assert server.names() == {**ordinary, **ranges}
    second = server.role(split_actuator_drives=declared)
    assert second.changed == 0
    # smartd has each logical unit once, range drives by their disk.
    watched = [line.split()[0] for line in lab.run("grep '^/dev/' /etc/smartd.conf").out.splitlines()]
    assert sorted(watched) == sorted(
        [f"/dev/disk/by-vdev/{name}" for name in ordinary] + [f"/dev/disk/by-id/wwn-0x{disk.naa}" for disk in RANGED]
    )
    assert lab.run(f"udevadm verify {RULES}").rc == 0
    # Nobody declared the strange one: it is told, in plain words, and nothing of it is in any file.
    assert re.search(r"warning drive_undeclared: bay unknown \(serial [A-Za-z0-9_.:-]+\): ", second.output)
    files = lab.run(["cat", RULES, INVENTORY, "/etc/smartd.conf"]).out
    for text in (first.output, second.output, files):
        assert "reboot)" not in text
        assert all(char.isprintable() or char in "\n\t" for char in text)
    assert STRANGE.naa not in files


@LONG
def test_a_reboot_keeps_every_name(server: Server) -> None:
    before = {name: server.lab.guest_unit(int(name[3:5]), int(name[-1]))["wwid"] for name in server.names()}
    server.lab.power_cut()
    server.lab.boot()
    server.site.refresh()
    server.lab.run("udevadm settle -t 120", timeout=180)
    assert server.names() == server.truth()
    assert {name: server.lab.guest_unit(int(name[3:5]), int(name[-1]))["wwid"] for name in server.names()} == before


@LONG
def test_a_second_survey_edits_only_what_differs(server: Server) -> None:
    text = (
        server.drives_file.read_text()
        .replace("  bay03:\n", "  # ticket 17: noisy\n  bay03:\n")
        .replace("    serial: GLE07\n", "    serial: 'GLE07'  # spare part\n")
    )
    server.drives_file.write_text(text)
    try:
        assert server.site.playbook("survey").check().changed == 0
        assert server.drives_file.read_text() == text
        server.lab.pull(7)
        new = server.lab.push(server.lab.new_drive(7, "NEW07"))
        done = server.site.playbook("survey").check()
        assert done.changed == 1
        old = server.lab.drive("GLE07")
        wanted = text.replace("'GLE07'  # spare", "'NEW07'  # spare")
        for index in (0, 1):
            wanted = wanted.replace(f"{old.units[index].wwn:016x}", f"{new.units[index].wwn:016x}")
        assert server.drives_file.read_text() == wanted
        assert "bay07: serial GLE07 was declared, NEW07 was found" in done.output
        # The role then gives the bay's names to the new drive.
        server.role()
        assert server.names() == server.truth()
    finally:
        server.drives_file.write_text(
            text.replace("  # ticket 17: noisy\n", "").replace("'GLE07'  # spare part", "GLE07")
        )


# --- the odd world of chassis "shapes"


def map_of(lab: Lab) -> list[dict[str, str]]:
    """A map from the paths of this machine's drives to their bays."""
    forms = {"virtio-scsi": "pci-{0}-scsi-0:0:{1}:*", "mptsas1068": "pci-{0}-sas-phy{1}-lun-*"}
    entries = []
    for drive in lab.chassis.drives:
        for port in drive.ports:
            adapter = lab.chassis.adapter(port.adapter)
            pattern = forms[adapter.kind].format(adapter.pci, port.target)
            entries.append({"pattern": pattern, "bay": f"bay{drive.bay:02d}"})
    return entries


def shapes_declared(lab: Lab) -> dict[str, Any]:
    """All drives of the chassis but the twin, which cannot be declared beside its like."""
    return {
        f"bay{drive.bay:02d}": {"serial": drive.serial, "model": drive.model, "unit_count": len(drive.units)}
        for drive in lab.chassis.drives
        if drive.bay != 9
    }


def test_findings_tell_collisions_double_paths_and_odd_sectors(labs: Labs) -> None:
    lab = labs.get("shapes")
    found = call(
        lab, "drift_info", areas=["inventory"], declared=shapes_declared(lab), bay_map=map_of(lab), paths_per_unit=2,
        models={"ACTW-D9": {"firmware": "0002", "logical_block": 512}},
    )["findings"]  # fmt: skip
    codes = [(one["code"], one["bay"], one["index"]) for one in found if one["code"] != "unit_size"]
    split = [bay for bay in range(11) if bay != 7]
    assert sorted(code for code in codes if code[0] == "firmware_differs") == [
        ("firmware_differs", f"bay{bay:02d}", None) for bay in split
    ]
    assert sorted(code for code in codes if code[0] not in ("firmware_differs", "too_few_paths")) == [
        ("block_size_differs", "bay10", 0),
        ("block_size_differs", "bay10", 1),
        ("half_visible", "bay06", 1),
        ("serial_collision", "bay00", None),
        ("serial_collision", "bay09", None),
        ("unmanaged_paths", "bay08", 0),
        ("unmanaged_paths", "bay08", 1),
    ]
    single = {bay for code, bay, _index in codes if code == "too_few_paths"}
    assert single == {f"bay{bay:02d}" for bay in range(11) if bay != 8}


@LONG
def test_a_unit_with_two_paths_is_named_through_its_multipath_map(labs: Labs, tmp_path: Path) -> None:
    lab = labs.get("shapes")
    lab.run("dpkg -i /opt/lab/multipath/*.deb >/tmp/multipath.log 2>&1; cat /tmp/multipath.log", timeout=300)
    # Only the drive with two paths is given to multipath: that is what find_multipaths is for.
    lab.run(
        "printf 'defaults {\\n find_multipaths yes\\n}\\n' >/etc/multipath.conf; systemctl restart multipathd",
        timeout=120,
    )
    lab.run("udevadm trigger --subsystem-match=block && udevadm settle -t 120", timeout=180)
    (tmp_path / "inventory.yml").write_text(yaml.safe_dump(PLAY))
    (tmp_path / "group_vars" / "all").mkdir(parents=True)
    facts = {"split_actuator_bay_map": map_of(lab), "split_actuator_drives": shapes_declared(lab)}
    (tmp_path / "group_vars" / "all" / "class.yml").write_text(yaml.safe_dump(facts))
    lab.write_inventory(tmp_path / "hosts.yml")
    site = Site(lab, tmp_path, "shapes")
    done = site.playbook("./inventory.yml", variables={"disk_inventory_smartd": False}).check()
    for index in (0, 1):
        node = lab.run(f"basename $(readlink -f /dev/disk/by-vdev/bay08.{index})").out.strip()
        assert node.startswith("dm-")
        wwn = f"{lab.drive(8).unit(index).wwn:016x}"
        assert lab.run(f"cat /sys/class/block/{node}/dm/uuid").out.strip() == f"mpath-3{wwn}"
        assert len(lab.run(f"ls /sys/class/block/{node}/slaves").out.split()) == 2
    # A partition of the map has the name with its number.
    lab.run(
        "cd /dev/disk/by-vdev; echo 'size=1GiB' | sfdisk -q --label gpt bay08.1; kpartx -a bay08.1; udevadm settle",
        timeout=120,
    )
    part = lab.run("basename $(readlink -f /dev/disk/by-vdev/bay08.1-part1)").out.strip()
    assert lab.run(f"cat /sys/class/block/{part}/dm/uuid").out.startswith("part1-mpath-3")
    assert "unmanaged_paths" not in done.output
    assert "bay08" not in done.output.partition("Show the differences that remain")[2]


WRITE_RULES = """
from core.host.discover import discover, Wanted
from core.host.bays import read_bay_map
from core import declared, names
found = discover(Wanted(bay_map=read_bay_map({map!r})))
rules = names.udev_rules(declared.complete(declared.read_drives(declared.draft(found.drives)), found.drives))
open("/etc/udev/rules.d/70-evenkeel-units.rules", "w").write(rules)
answer = rules.count("SYMLINK")
"""


@LONG
def test_settling_204_units_takes_no_longer_with_names(labs: Labs) -> None:
    lab = labs.get(make_chassis("wide", drives=102, unit_size="9 TB", memory=4096))
    ship(lab)
    seconds: dict[bool, list[float]] = {False: [], True: []}
    lab.run(APPLY, timeout=400)
    for _turn in range(3):
        for named in (False, True):
            if named:
                assert ask(lab, WRITE_RULES.format(map=map_of(lab))) == 204 * 4
            else:
                lab.run(f"rm -f {RULES}")
            lab.run("udevadm control --reload; sync; sleep 2")
            seconds[named].append(lab.run(APPLY, timeout=400).seconds)
            count = lab.run("ls /dev/disk/by-vdev 2>/dev/null | wc -l").out.strip()
            assert count == ("204" if named else "0")
    print(f"seconds to settle 204 units, without names {seconds[False]}, with {seconds[True]}")
    # The best of three each; within a tenth is the same.
    assert min(seconds[True]) <= 1.1 * min(seconds[False])
