# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""A pool is retired on a real kernel: exported and nothing more, or cleared from exactly the drives spelled out."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest

from tests.lab.cohorts import Server
from tests.lab.modules import call, four_runs

pytestmark = pytest.mark.lab_long

BUILT = "twelve"  # shared with test_grow
RETIRE: dict[str, Any] = {"pool": "archive", "state": "retired"}


@pytest.fixture(scope="module")
def base(labs: Any, tmp_path_factory: pytest.TempPathFactory) -> Server:
    server = Server(labs.get("cohorts"), tmp_path_factory.mktemp("site"))
    server.built(range(12), BUILT)
    return server


@pytest.fixture
def server(base: Server) -> Server:
    base.lab.restore(BUILT)
    return base


def _hashes(server: Server, bays: Iterable[int]) -> list[str]:
    return server.lab.content_hashes([(bay, index) for bay in bays for index in (0, 1)])


def test_without_serials_it_is_exported_and_comes_back_as_it_was(server: Server) -> None:
    lab = server.lab
    assert server.book("retire", server.declared(range(12)), split_actuator_retire_pool="archive").check().changed == 1
    assert lab.run("zpool list -H").out == ""
    assert "archive" in lab.run("zpool import").out
    exported = lab.content_hashes()
    again = server.book("retire", server.declared(range(12)), split_actuator_retire_pool="archive").check()
    assert again.changed == 0
    assert "labels kept: bay11 (serial COH11)" in again.output
    assert lab.content_hashes() == exported
    lab.run("zpool import archive")
    server.whole()


def test_only_the_drives_spelled_out_are_cleared(server: Server) -> None:
    lab, declared = server.lab, server.declared(range(12))
    runs = four_runs(lab, "pool", **RETIRE, declared=declared, erase_serials=["COH00", "COH01"])
    assert [label.split()[0] for label in runs.done["erased"]] == ["bay00", "bay01"]
    assert len(runs.done["left"]) == 10
    assert "not sanitisation" in runs.done["notes"][0]
    assert runs.done["commands"][0] == ["zpool", "export", "archive"]
    for bay in (0, 1):
        for index in (0, 1):
            node = "/dev/" + str(lab.guest_unit(bay, index)["block"])
            assert lab.run(["wipefs", "--no-act", "--parsable", "--noheadings", node]).out == ""
            assert lab.run(["zdb", "-l", node], check=False).rc != 0
    # Exported already, one more is cleared, and not a byte of any other.
    others = [*range(6), *range(7, 18)]
    before = _hashes(server, others)
    more = call(lab, "pool", **RETIRE, declared=declared, erase_serials=["COH06"])
    assert not more["failed"], more["msg"]
    assert more["erased"] == ["bay06 (serial COH06)"]
    assert _hashes(server, others) == before
    # The data is all there.
    lab.run("zpool import archive")
    assert lab.run("cd /archive/tide && sha256sum --quiet -c /root/sums").out == ""
    assert lab.run("zpool list -H -o health archive").out.strip() == "DEGRADED"


def test_the_erased_drives_are_forgotten_where_told(server: Server) -> None:
    lab = server.lab
    book = {
        "split_actuator_retire_pool": "archive",
        "split_actuator_erase_serials": [f"COH{bay:02d}" for bay in range(12)],
        "split_actuator_forget_drives": True,
    }
    run = server.book("retire", server.declared(range(12)), **book).check()
    assert "labels cleared: bay11 (serial COH11)" in run.output
    assert "not sanitisation" in run.output
    assert lab.run("zpool import 2>&1", check=False).out.strip() == "no pools available to import"
    assert lab.run("udevadm settle; ls /dev/disk/by-vdev 2>/dev/null", check=False).out == ""
    assert "COH00" not in lab.run("cat /etc/evenkeel/split_actuator/inventory.json").out
    # What was cleared can be built upon without being told to erase anything.
    assert server.book("build", server.declared(range(12)), "--check").check().rc == 0


def test_what_holds_anything_else_refuses_all_of_it_and_nothing_changes(server: Server) -> None:
    lab, declared = server.lab, server.declared(range(18))
    node = "/dev/" + str(lab.guest_unit(12, 0)["block"])
    lab.run(f"mkfs.ext4 -q -E nodiscard {node} 64M; udevadm settle")
    with server.unchanged():
        told = server.refused("pool", **RETIRE, declared=declared, erase_serials=["COH00", "COH12"])
        assert told["reasons"] == [f"bay12 (serial COH12) unit 0: filesystem ext4 on {node}"]
        told = server.refused("pool", **RETIRE, declared=declared, erase_serials=["COH00", "COH99"])
        assert told["reasons"] == ["serial COH99: not on the host"]
        told = server.refused("pool", **RETIRE, declared=declared, guid="42")
        assert "but 42 was requested" in told["reasons"][0]
    assert lab.run("zpool list -H -o name,health").out.split() == ["archive", "ONLINE"]
    # In use: the export fails, and no label is touched.
    busy = lab.run("(cd /archive/tide; sleep 300) < /dev/null > /dev/null 2>&1 & echo $!").out.strip()
    result = call(lab, "pool", **RETIRE, declared=declared, erase_serials=["COH00"])
    assert result["failed"], result
    assert "busy" in result["msg"], result
    lab.run(f"kill {busy}; sleep 1; zpool export archive; zpool import archive")
    server.whole()


def test_clearing_that_the_power_cut_off_is_finished(server: Server) -> None:
    lab, declared = server.lab, server.declared(range(12))
    # As the commands would leave it half way: exported, the labels of one unit gone, its table still there.
    words = call(lab, "pool", check=True, **RETIRE, declared=declared, erase_serials=["COH03"])["commands"]
    lab.run("zpool export archive; udevadm settle; sync")
    for command in words[1:4]:
        lab.run(command)
    lab.power_cut()
    lab.boot()
    lab.run("modprobe zfs")
    done = call(lab, "pool", **RETIRE, declared=declared, erase_serials=["COH03"])
    assert not done.get("failed"), done["msg"]
    assert done["erased"] == ["bay03 (serial COH03)"]
    again = call(lab, "pool", **RETIRE, declared=declared, erase_serials=["COH03"])
    assert (again["failed"], again["changed"]) == (False, False)
    lab.run("zpool import archive")
    assert lab.run("cd /archive/tide && sha256sum --quiet -c /root/sums").out == ""
