# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""A server reinstalled under its pool: everything back without force, and every wrong situation refused.

Bytes are compared from outside the guest, files by checksums made before; pools are read with OpenZFS's tools.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.lab.lab import Lab
from tests.lab.modules import call, four_runs
from tests.lab.parts import Port
from tests.lab.playbooks import Run, Site

pytestmark = pytest.mark.lab_long

MEMBERS = range(4)
BAY_MAP = [
    {"pattern": "pci-0000:00:08.0-sas-phy{phy}-lun-*", "bay": "bay{phy}"},
    {"pattern": "pci-0000:00:09.0-sas-phy{phy}-lun-*", "bay": "bay{phy}"},
]
POLICY = {"kind": "raidz", "parity": 2, "width": 4, "survive": {"drives": 2}}
SUMS = "cd /archive && find . -type f | sort | xargs sha256sum"
KEY = "/run/sealed.key"  # in memory: gone after a boot, as a key that a person types is
BUILT = "built"


class Server:
    """The server with its site: what a team keeps when the server is reinstalled."""

    def __init__(self, lab: Lab, folder: Path) -> None:
        self.lab = lab
        lab.write_inventory(folder / "hosts.yml")
        self.variables = {
            "split_actuator_bay_map": BAY_MAP,
            "split_actuator_pool": {"name": "archive", "policy": POLICY},
            "split_actuator_drives": {
                f"bay{bay:02d}": {
                    "serial": f"REB{bay:02d}",
                    "unit_bytes": 2**30,
                    "wwns": [unit["wwid"] for unit in (lab.guest_unit(bay, 0), lab.guest_unit(bay, 1))],
                }
                for bay in MEMBERS
            },
            "split_actuator_hostid": lab.run("hostid").out.strip(),
            "split_actuator_health": False,
        }
        (folder / "group_vars").mkdir(parents=True)
        (folder / "group_vars" / "all.yml").write_text(yaml.safe_dump(self.variables))
        self.site = Site(lab, folder, "rebuild")
        self.sums = ""

    def book(self, name: str, *options: str, **variables: Any) -> Run:
        self.site.refresh()
        return self.site.playbook(name, *options, variables=variables)

    @property
    def options(self) -> dict[str, Any]:
        """What the role hands to split_pool."""
        return {
            "pool": "archive",
            "layout": {
                "vdevs": [
                    {
                        "kind": "raidz",
                        "parity": 2,
                        "members": [
                            {"serial": f"REB{bay:02d}", "index": index, "bay": f"bay{bay:02d}", "size": 2**30}
                            for bay in MEMBERS
                        ],
                    }
                    for index in (0, 1)
                ]
            },
            "declared": self.variables["split_actuator_drives"],
            "bay_map": BAY_MAP,
            "by_name": True,
        }

    def imported(self, check: bool = False, **more: Any) -> dict[str, Any]:
        return call(self.lab, "split_pool", check=check, state="imported", **{**self.options, **more})

    def refused(self, **more: Any) -> dict[str, Any]:
        """A refusal, of a real run and in check mode alike; not a byte has changed."""
        with self.unchanged():
            result = self.imported(**more)
            assert result.get("failed"), result
            predicted = self.imported(check=True, **more)
        assert predicted["msg"] == result["msg"]
        return result

    @contextmanager
    def unchanged(self) -> Iterator[None]:
        """Every byte of every drive, and the pools imported, are the same afterwards as before."""
        self.lab.run("sync; udevadm settle")
        before = self.lab.content_hashes()
        pools = self.lab.run("zpool list -H -o name,guid").out
        yield
        assert self.lab.content_hashes() == before
        assert self.lab.run("zpool list -H -o name,guid").out == pools

    def fill(self) -> None:
        """Files, their checksums, and a dataset whose key will be gone after a boot."""
        self.lab.run(
            "set -e; zfs create archive/tide; zfs create archive/tide/deep;"
            " for n in 1 2 3 4; do head -c 2000000 /dev/urandom > /archive/tide/$n; done;"
            " head -c 3000000 /dev/urandom > /archive/tide/deep/more; echo hello > /archive/note;"
            f" head -c 32 /dev/urandom > {KEY};"
            f" zfs create -o encryption=on -o keyformat=raw -o keylocation=file://{KEY} -o canmount=on archive/sealed;"
            " sync",
            timeout=300,
        )
        self.sums = self.lab.run(SUMS).out
        assert len(self.sums.splitlines()) == 6

    @property
    def state(self) -> str:
        return self.lab.run("zpool list -H -o health archive").out.strip()


@pytest.fixture(scope="module")
def server(labs: Any, tmp_path_factory: pytest.TempPathFactory) -> Server:
    """The server as built by the playbook, with files on its pool."""
    one = Server(labs.get("rebuild"), tmp_path_factory.mktemp("site"))
    if one.lab.has_checkpoint(BUILT):  # of an earlier session, when labs are kept
        one.lab.restore(BUILT)
        one.sums = one.lab.run(SUMS).out
        return one
    one.book("build").check()
    one.fill()
    one.lab.checkpoint(BUILT)
    return one


def test_a_fresh_installation_gets_its_pool_back_without_force(server: Server) -> None:
    lab, before = server.lab, server.variables["split_actuator_hostid"]
    guid = lab.run("zpool get -H -o value guid archive").out.strip()
    lab.fresh_root()
    assert lab.state.hostid != before
    lab.run("modprobe zfs")
    assert not lab.run("zpool list -H").out
    # Unknown to the pool, the host is refused, and told both ways out.
    result = server.refused(by_name=False)
    assert "last used by another host" in result["msg"]
    assert f"by host rebuild (host id {before}) at 20" in result["reasons"][0]
    assert f'split_actuator_hostid: "{before}"' in result["remedy"]
    assert f'take_over: "{guid}"' in result["remedy"]
    first = server.book("rebuild", "--diff").check()
    for line in ("zpool import -N -o cachefile=none -d /dev/disk/by-vdev/bay00.0-part1", "zfs mount -a"):
        assert line in first.output, first.output
    assert " -f " not in first.output.split("zpool import -N", 1)[1].split("\n", 1)[0]
    assert "its key is not loaded: archive/sealed" in first.output
    assert lab.run(SUMS).out == server.sums
    assert lab.run("hostid").out.strip() == before
    assert server.state == "ONLINE"
    assert {line.split()[0] for line in lab.run("zpool status archive").out.splitlines() if "bay0" in line} == {
        f"bay{bay:02d}.{index}" for bay in MEMBERS for index in (0, 1)
    }
    assert server.book("rebuild").check().changed == 0
    # The next boot does the same by itself, from the cache file.
    services = lab.run("systemctl is-enabled evenkeel-pool-import zfs-import-cache zfs-import-scan", check=False).out
    assert services.split() == ["enabled", "disabled", "disabled"]
    lab.run("systemctl start evenkeel-pool-import")


@pytest.fixture
def exported(server: Server) -> Server:
    """The server as built, with its pool exported; the module makes the change in four runs."""
    server.lab.restore(BUILT)
    server.lab.run("zpool export archive")
    return server


def test_what_is_not_surely_the_declared_pool_is_refused(exported: Server) -> None:
    server, lab = exported, exported.lab
    spare = "/dev/" + lab.guest_unit(4, 0)["block"]
    guid = lab.run("zpool import | awk '$1 == \"id:\" { print $2 }'").out.strip()

    result = server.refused(guid="42")
    assert "not the one with GUID 42" in result["msg"]
    result = server.refused(pool="tide")
    assert "No pool tide is on the declared units" in result["msg"]
    assert any(f"pool archive (GUID {guid}, exported)" in line for line in result["reasons"])

    swapped = json.loads(json.dumps(server.options["layout"]))
    first, second = (vdev["members"] for vdev in swapped["vdevs"])
    first[3], second[3] = second[3], first[3]
    result = server.refused(layout=swapped)
    assert "not as laid out" in result["msg"]
    assert any(line.startswith("bay03 (serial REB03) unit 0: is a member of the vdev of") for line in result["reasons"])

    lab.run(f"for one in 1 2 3; do zpool create -O mountpoint=none other {spare} && break; udevadm settle; done")
    lab.run("zpool export other; udevadm settle")
    result = server.refused()
    assert any(line.startswith("bay04 (serial REB04) unit 0: holds another pool, other") for line in result["reasons"])
    lab.run("zpool import -d /dev -N other archive && zpool export archive; udevadm settle")
    result = server.refused()
    assert "There are 2 pools named archive" in result["msg"]
    lab.run(f"zpool labelclear -f {spare}1")

    lab.run(f"zpool import -N -R /mnt {guid}")
    result = server.imported()
    assert "alternative root /mnt" in result["msg"]
    lab.run(f"zpool export archive; zpool import -N {guid} tide")
    result = server.imported()
    assert "imported already, under another name" in result["msg"]
    assert result["reasons"] == [f"GUID {guid} is imported as tide, declared is archive"]
    lab.run("zpool export tide; zpool import -N tide archive; zpool destroy archive; udevadm settle")
    result = server.refused()
    assert "was destroyed" in result["msg"]


def test_one_drive_missing_is_accepted_only_when_told_and_then_named(exported: Server) -> None:
    server, lab = exported, exported.lab
    lab.pull(2, announce=True)
    result = server.refused()
    assert "1 of the drives of pool archive is missing, none accepted" in result["msg"]
    assert result["reasons"] == ["bay02 (serial REB02) units 0, 1: not on the host"]
    runs = four_runs(lab, "split_pool", state="imported", accept_missing_drives=1, **server.options)
    assert runs.done["missing"] == runs.predicted["missing"] == result["reasons"]
    assert not any("bay02" in word for word in runs.done["commands"][0])
    assert [line.split(": ")[0] for line in runs.again["missing"]] == [
        f"bay02 (serial REB02) unit {index}" for index in (0, 1)
    ]
    assert server.state == "DEGRADED"
    assert lab.run(SUMS).out == server.sums
    gone = four_runs(lab, "split_pool", state="exported", pool="archive")
    assert gone.done["commands"] == [["zpool", "export", "archive"]]
    lab.pull(0, announce=True)
    lab.pull(1, announce=True)
    result = server.refused(accept_missing_drives=3)
    assert "has lost more than it stands" in result["msg"]


def test_an_import_that_was_cut_off_is_finished(exported: Server) -> None:
    server, lab = exported, exported.lab
    lab.run("zpool import -N -o cachefile=none archive")
    runs = four_runs(lab, "split_pool", state="imported", **server.options)
    assert [words[:2] for words in runs.done["commands"]] == [["zfs", "mount"], ["zpool", "set"]]
    assert lab.run(SUMS).out == server.sums


@pytest.mark.lab_long
def test_a_pool_of_another_host_is_taken_over_by_its_guid_alone(exported: Server) -> None:
    server, lab = exported, exported.lab
    lab.run("zpool import archive && zpool sync && cat /etc/hostid > /root/former")
    guid = lab.run("zpool get -H -o value guid archive").out.strip()
    # The power goes, and another installation, which nobody tells who it was, is told to take the pool.
    lab.power_cut()
    lab.fresh_root()
    lab.run("modprobe zfs")
    options = dict(server.options, by_name=False, state="imported")
    wrong = call(lab, "split_pool", **options, take_over="1" + guid[1:] if guid[0] != "1" else "2" + guid[1:])
    assert "take_over names another pool" in wrong["msg"]
    runs = four_runs(lab, "split_pool", **options, take_over=guid)
    assert "-f" in runs.done["commands"][0]
    assert lab.run(SUMS).out == server.sums


@pytest.mark.lab_long
def test_drives_in_another_order_behind_another_adapter_are_the_same_pool(server: Server) -> None:
    lab = server.lab
    lab.restore(BUILT)
    lab.stop()
    for bay in MEMBERS:
        lab.move(bay, port=Port("sas1", 7 - bay))
    lab.fresh_root()
    # Where the chassis tells no bay, the declaration does: nothing depends on ports.
    server.book("rebuild", split_actuator_bay_map=[], split_actuator_bay_sources=["serial"]).check()
    assert lab.run(SUMS).out == server.sums
    assert server.state == "ONLINE"


@pytest.mark.lab_long
def test_two_drives_missing_at_boot_delay_it_for_a_bounded_time_and_three_leave_a_message(server: Server) -> None:
    lab = server.lab
    lab.restore(BUILT)
    server.book("rebuild", pool_import_boot_wait=20).check()
    lab.stop()
    lab.pull(1)
    lab.pull(3)
    lab.boot()
    assert server.state == "DEGRADED"
    assert lab.run(SUMS).out == server.sums
    lab.stop()
    lab.pull(0)
    lab.boot()
    assert lab.run("systemctl is-failed evenkeel-pool-import", check=False).out.strip() == "failed"
    told = lab.run("journalctl -b -u evenkeel-pool-import -o cat").out
    assert "cannot import 'archive'" in told, told


@pytest.mark.lab_long
def test_power_cut_during_the_import_is_healed_by_the_next_run(server: Server) -> None:
    lab = server.lab
    for delay in (0.5, 2.0, 4.0):
        lab.restore(BUILT)
        lab.run("zpool export archive")
        lab.run(
            f"(sleep {delay}; echo b > /proc/sysrq-trigger) >/dev/null 2>&1 &"
            " zpool import -N -o cachefile=none archive; zfs mount -a",
            check=False,
            timeout=30,
        )
        lab.power_cut()
        lab.boot()
        lab.run("modprobe zfs")
        done = server.imported()
        assert not done.get("failed"), done["msg"]
        assert lab.run(SUMS).out == server.sums


@pytest.mark.lab_long
def test_a_pool_of_debian_12_comes_back_on_debian_13(labs: Any, tmp_path: Path) -> None:
    lab = labs.get("rebuild")
    lab.fresh_root(release="bookworm")
    server = Server(lab, tmp_path / "site")
    server.book("build").check()
    server.fill()
    lab.fresh_root(release="trixie")
    server.book("rebuild").check()
    assert lab.run(SUMS).out == server.sums
    assert server.state == "ONLINE"
