# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""A server reinstalled under its pool: everything back without force, and every wrong situation refused.

Bytes are compared from outside the guest, files by checksums made before; pools are read with OpenZFS's tools.
"""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import Any

import pytest

from tests.lab.bays import Which
from tests.lab.modules import call, four_runs
from tests.lab.parts import Port
from tests.lab.reimporting import BUILT, MEMBERS, SUMS, Server, built

pytestmark = pytest.mark.lab_long


@pytest.fixture(scope="module")
def server(labs: Any, tmp_path_factory: pytest.TempPathFactory) -> Server:
    """The server as built, with files on its pool."""
    return built(labs, tmp_path_factory.mktemp("site"))


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
    assert f"by host reimport (host id {before}) at 20" in result["reasons"][0]
    assert f'split_actuator_hostid: "{before}"' in result["remedy"]
    assert f'take_over: "{guid}"' in result["remedy"]
    first = server.book("reimport", "--diff").check()
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
    assert server.book("reimport").check().changed == 0
    # The next boot does the same by itself, from the cache file.
    services = lab.run("systemctl is-enabled evenkeel-pool-import zfs-import-cache zfs-import-scan", check=False).out
    assert services.split() == ["enabled", "disabled", "disabled"]
    lab.stop()
    lab.boot()
    assert lab.run("systemctl is-active evenkeel-pool-import").out.strip() == "active"
    assert lab.run(SUMS).out == server.sums
    assert server.state == "ONLINE"
    assert server.book("reimport", "--check").check().changed == 0


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
    assert "does not match the layout" in result["msg"]
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
    assert "already imported under another name" in result["msg"]
    assert result["reasons"] == [f"GUID {guid} is imported as tide, declared as archive"]
    lab.run("zpool export tide; zpool import -N tide archive; zpool destroy archive; udevadm settle")
    result = server.refused()
    assert "was destroyed" in result["msg"]


def test_missing_drives_are_accepted_only_when_told_how_many_and_then_named(exported: Server) -> None:
    server, lab = exported, exported.lab
    lab.pull(2, announce=True)
    result = server.refused()
    assert "1 drive of pool archive missing, 0 accepted" in result["msg"]
    assert result["reasons"] == ["bay02 (serial REB02) units 0, 1: not on the host"]
    runs = four_runs(lab, "pool", state="imported", accept_missing_drives=1, **server.options)
    assert runs.done["missing"] == runs.predicted["missing"] == result["reasons"]
    assert not any("bay02" in word for word in runs.done["commands"][0])
    assert [line.split(": ")[0] for line in runs.again["missing"]] == [
        f"bay02 (serial REB02) unit {index}" for index in (0, 1)
    ]
    assert server.state == "DEGRADED"
    assert lab.run(SUMS).out == server.sums
    gone = four_runs(lab, "pool", state="exported", pool="archive")
    assert gone.done["commands"] == [["zpool", "export", "archive"]]
    lab.pull(0, announce=True)
    result = server.refused(accept_missing_drives=1)
    assert "2 drives of pool archive missing, 1 accepted" in result["msg"]
    assert [line.split(" unit")[0] for line in result["reasons"]] == ["bay00 (serial REB00)", "bay02 (serial REB02)"]
    assert server.imported(accept_missing_drives=2)["missing"] == result["reasons"]
    assert lab.run(SUMS).out == server.sums
    lab.run("zpool export archive")
    lab.pull(1, announce=True)
    result = server.refused(accept_missing_drives=3)
    assert "are missing than its parity covers" in result["msg"]


def test_an_import_that_was_cut_off_is_finished(exported: Server) -> None:
    server, lab = exported, exported.lab
    lab.run("zpool import -N -o cachefile=none archive")
    runs = four_runs(lab, "pool", state="imported", **server.options)
    assert [words[:2] for words in runs.done["commands"]] == [["zfs", "mount"], ["zpool", "set"]]
    assert lab.run(SUMS).out == server.sums


def test_a_pool_of_another_host_is_taken_over_by_its_guid_alone(exported: Server) -> None:
    server, lab = exported, exported.lab
    lab.run("zpool import archive && zpool sync && cat /etc/hostid > /root/former")
    guid = lab.run("zpool get -H -o value guid archive").out.strip()
    # The power goes, and another installation, which nobody tells who it was, is told to take the pool.
    lab.power_cut()
    lab.fresh_root()
    lab.run("modprobe zfs")
    options = dict(server.options, by_name=False, state="imported")
    wrong = call(lab, "pool", **options, take_over="1" + guid[1:] if guid[0] != "1" else "2" + guid[1:])
    assert "take_over names another pool" in wrong["msg"]
    runs = four_runs(lab, "pool", **options, take_over=guid)
    assert "-f" in runs.done["commands"][0]
    assert lab.run(SUMS).out == server.sums


def test_drives_in_another_order_behind_another_adapter_are_the_same_pool(server: Server) -> None:
    lab = server.lab
    lab.restore(BUILT)
    lab.stop()
    for bay in MEMBERS:
        lab.move(bay, port=Port("sas1", 7 - bay))
    lab.fresh_root()
    # Where the chassis tells no bay, the declaration does: nothing depends on ports.
    server.book("reimport", split_actuator_bay_map=[], split_actuator_bay_sources=["serial"]).check()
    assert lab.run(SUMS).out == server.sums
    assert server.state == "ONLINE"


def test_a_pool_that_another_host_is_using_is_refused_whatever_is_told(exported: Server) -> None:
    """The other host is played by what it wrote: one unit's uberblocks, recorded each second and written again."""
    server, lab = exported, exported.lab
    lab.run("zpool import archive && zpool set multihost=on archive && zpool sync")
    guid = lab.run("zpool get -H -o value guid archive").out.strip()
    former = lab.run("hostid").out.strip()
    lab.snapshot("guarded")
    lab.run(
        "mkdir /run/beats; for n in $(seq 100 219); do dd if=/dev/disk/by-vdev/bay00.0-part1 of=/run/beats/$n bs=256k"
        " count=2 iflag=direct status=none; sleep 1; done; tar -C /run -czf /run/beats.tgz beats",
        timeout=300,
    )
    with tempfile.TemporaryDirectory() as folder:
        lab.ssh().copy_from("/run/beats.tgz", Path(folder))
        lab.rollback("guarded", boot=False)
        lab.fresh_root()
        lab.ssh().copy_to(Path(folder) / "beats.tgz", "/run/beats.tgz")
    lab.run("modprobe zfs; tar -C /run -xzf /run/beats.tgz")
    part = f"/dev/{lab.guest_unit(0, 0)['block']}1"
    others: list[tuple[Which, int]] = [(bay, index) for bay in range(5) for index in (0, 1) if (bay, index) != (0, 0)]
    before = lab.content_hashes(others)
    lab.run(
        f"(for n in /run/beats/*; do dd if=$n of={part} bs=256k oflag=direct conv=notrunc status=none; sleep 1; done;"
        " touch /run/silent) >/dev/null 2>&1 </dev/null &"
    )
    result = server.imported(by_name=False, take_over=guid)
    assert "in use by another host right now" in result["msg"], result
    assert result["reasons"][0].startswith("bay00.0: by host reimport (host id " + former)
    # OpenZFS, asked by hand, is of the same opinion even when forced.
    forced = lab.run(f"zpool import -N -f {guid}", check=False, timeout=180)
    assert forced.rc != 0
    assert f"pool is imported on host 'reimport' (hostid={former.lstrip('0')})" in forced.err, forced
    assert lab.run("test -e /run/silent", check=False).rc != 0, "the other host fell silent too early"
    assert lab.content_hashes(others) == before
    assert not lab.run("zpool list -H").out
