# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Spares are whole drives: what OpenZFS's event daemon does with units of them, and what is done instead."""

from __future__ import annotations

import json
import re
import time
from typing import Any

import pytest
import yaml

from tests.lab.cohorts import SIZE, Server, cohorts, until
from tests.lab.lab import Lab
from tests.lab.modules import call, four_runs
from tests.lab.replacements import BAY_MAP
from tests.lab.truth import members

pytestmark = pytest.mark.lab_long

BUILT = "twelve"  # shared with test_grow


@pytest.fixture(scope="module")
def base(labs: Any, tmp_path_factory: pytest.TempPathFactory) -> Server:
    server = Server(labs.get("cohorts"), tmp_path_factory.mktemp("site"))
    server.built(range(12), BUILT)
    return server


@pytest.fixture
def server(base: Server) -> Server:
    """Twelve drives in a pool of four vdevs; those in bays 12 and 13 are spares."""
    base.lab.restore(BUILT)
    return base


def options(server: Server) -> dict[str, Any]:
    spares = [
        {
            "serial": f"COH{bay}",
            "bay": f"bay{bay}",
            "members": [{"serial": f"COH{bay}", "index": index, "bay": f"bay{bay}", "size": SIZE} for index in (0, 1)],
        }
        for bay in (12, 13)
    ]
    return {
        "pool": "archive",
        "layout": {**cohorts(range(6), range(6, 12)), "spares": spares},
        "declared": server.declared(range(14)),
    }


def link(lab: Lab, bay: int, index: int) -> str:
    return f"/dev/disk/by-id/wwn-0x{lab.guest_unit(bay, index)['wwid'].split('.')[1]}"


class Eyes:
    """Reads zpool status with the units' names in the place of their links."""

    def __init__(self, lab: Lab, bays: range = range(14)) -> None:
        self._lab = lab
        units = [(bay, index) for bay in bays for index in (0, 1)]
        self._names = {link(lab, *unit).rsplit("/", 1)[1]: "bay{:02d}.{}".format(*unit) for unit in units}

    def status(self) -> str:
        text = self._lab.run("zpool status archive").out
        for name, unit in self._names.items():
            text = text.replace(name, unit)
        return text

    def stand_ins(self) -> dict[str, tuple[str, str]]:
        """Who stands in for whom: the spare unit by the lost one, with the vdev."""
        found, vdev, owner = {}, "", ""
        for indent, name in re.findall(r"^\t( *)(\S+) +[A-Z]+", self.status(), re.MULTILINE):
            if len(indent) == 2:
                vdev = name
            elif len(indent) == 4:
                owner = ""
            elif len(indent) == 6 and not owner:
                owner = name
            elif len(indent) == 6:
                found[owner] = (name, vdev)
        return found


def finishes(lab: Lab) -> int:
    return int(lab.run("zpool events -H | grep -c resilver_finish", check=False).out)


def test_a_spare_drive_stands_in_whole_and_is_given_back_under_reading_and_writing(server: Server) -> None:
    lab, told = server.lab, options(server)
    eyes = Eyes(lab)
    assert lab.run("systemctl is-active zfs-zed").out.strip() == "active"
    with server.busy():
        lab.pull(0)
        until(lambda: server.status().count("REMOVED") >= 2, 60, "the loss")
        time.sleep(15)
        assert "INUSE" not in server.status()  # there is nothing in the pool for the daemon to take
        ended = finishes(lab)
        with server.slow_resilver():
            runs = four_runs(lab, "spare_drives", **told)
        assert runs.done["taken"] == ["bay12 (serial COH12) stands in for bay00 (serial COH00)"]
        lab.run("zpool wait -t resilver archive; sleep 2; zpool wait -t resilver archive", timeout=400)
        print(eyes.status())
        assert eyes.stand_ins() == {"bay00.0": ("bay12.0", "raidz2-0"), "bay00.1": ("bay12.1", "raidz2-1")}
        assert finishes(lab) - ended == 1, "both units in one pass"
        # A new drive in the bay, put in by hand; OpenZFS then lets the spare go, and it leaves the pool.
        lab.push(lab.new_drive(0, "NEW00"))
        for index in (0, 1):
            lab.run(f"zpool replace archive /dev/disk/by-vdev/bay00.{index} {link(lab, 0, index)}")
        lab.run("zpool wait -t replace archive", timeout=400)
        until(lambda: "INUSE" not in server.status(), 60, "the spare's return")
        done = call(lab, "spare_drives", **told)
        assert not done.get("failed"), done["msg"]
        again = call(lab, "spare_drives", **told)
        assert (again["changed"], again["findings"], again["waiting"]) == (False, [], [])
    assert "spares" not in server.status()
    server.whole()
    # It serves again, though it carries the label of its first service.
    lab.pull(1)
    until(lambda: server.status().count("REMOVED") >= 2, 60, "the loss")
    taken = call(lab, "spare_drives", check=True, **told)["taken"]
    assert taken == ["bay12 (serial COH12) stands in for bay01 (serial COH01)"]


def test_a_drive_that_comes_back_sends_its_spare_home(server: Server) -> None:
    lab, told = server.lab, options(server)
    lab.pull(0)
    until(lambda: server.status().count("REMOVED") >= 2, 60, "the loss")
    call(lab, "spare_drives", **told)
    lab.run("zpool wait -t resilver archive", timeout=300)
    lab.push("COH00")
    lab.run("udevadm settle; zpool online archive bay00.0 bay00.1; zpool wait -t resilver archive", timeout=300)
    done = call(lab, "spare_drives", **told)
    print(done["commands"], done["returned"], done["waiting"])
    again = call(lab, "spare_drives", **told)
    assert (again["changed"], again["findings"]) == (False, [])
    assert "spares" not in server.status()
    server.whole()


def test_the_playbook_of_a_replacement_sends_the_spare_home(server: Server) -> None:
    lab, told = server.lab, options(server)
    file = server.site.folder / "host_vars" / lab.chassis.name / "drives.yml"
    file.parent.mkdir(parents=True)
    file.write_text(yaml.safe_dump({"split_actuator_drives": told["declared"]}))
    with server.busy():
        lab.pull(0)
        until(lambda: server.status().count("REMOVED") >= 2, 60, "the loss")
        assert call(lab, "spare_drives", **told)["taken"]
        lab.run("zpool wait -t resilver archive", timeout=300)
        lab.push(lab.new_drive(0, "NEW00"))
        wanted = {
            "split_actuator_leave": "bay00",
            "split_actuator_wait_seconds": 120,
            "split_actuator_follow_seconds": 600,
            "split_actuator_write_inventory": True,
            "split_actuator_pool": {"name": "archive", "policy": {**server.policy, "spares": 2}},
            "split_actuator_bay_map": BAY_MAP,
        }
        server.site.refresh()
        run = server.site.playbook("replace_drive", variables=wanted).check()
        print(run.output)
        assert "has taken over every place of serial COH00" in run.output
    found = members(lab, "archive")
    assert found["raidz2-0"][0].serial == found["raidz2-1"][0].serial == "NEW00"
    assert {one.state for some in found.values() for one in some} == {"ONLINE"}
    assert not {"COH12", "COH13"} & {one.serial for some in found.values() for one in some}
    assert "spares" not in server.status()
    entered = yaml.safe_load(file.read_text())["split_actuator_drives"]
    assert entered["bay00"]["serial"] == "NEW00"
    layout = json.loads(json.dumps(told["layout"]).replace('"COH00"', '"NEW00"'))
    again = call(lab, "spare_drives", **{**told, "declared": entered, "layout": layout})
    assert (again["changed"], again["findings"], again["waiting"]) == (False, [], [])
    server.whole()


def test_what_the_event_daemon_did_unit_by_unit_is_named_and_put_right(server: Server) -> None:
    lab, told = server.lab, options(server)
    eyes = Eyes(lab)
    lab.run(f"zpool add archive spare {link(lab, 12, 0)} {link(lab, 12, 1)}")
    for count, bay in enumerate((1, 2), start=1):
        lab.pull_unit(bay, 1)
        until(lambda count=count: len(eyes.stand_ins()) == count, 60, "the daemon")  # type: ignore[misc]
    lab.run("zpool wait -t resilver archive; sleep 2; zpool wait -t resilver archive", timeout=300)
    assert {vdev for _name, vdev in eyes.stand_ins().values()} == {"raidz2-1"}, eyes.status()
    runs = four_runs(lab, "spare_drives", **told)
    assert [one["code"] for one in runs.done["findings"]] == ["spare_doubled"]
    assert [one["code"] for one in runs.again["findings"]] == []
    lab.run("zpool wait -t resilver archive", timeout=300)
    print(eyes.status())
    assert {name.split(".")[0] for name, _vdev in eyes.stand_ins().values()} == {"bay12", "bay13"}
    assert lab.run("cd /archive/tide && sha256sum --quiet -c /root/sums").out == ""
    assert "No known data errors" in server.status()


def test_the_event_daemon_takes_spares_one_unit_at_a_time(labs: Any) -> None:
    """Why idle spares stay out of the pool. A change here means that the reason may have gone."""
    lab = labs.get("cohorts")
    words = []
    for index in (0, 1):
        words += ["raidz2", *(link(lab, bay, index) for bay in range(6))]
    words += ["spare", *(link(lab, bay, index) for bay in (6, 7) for index in (0, 1))]
    lab.run("modprobe zfs; systemctl start zfs-zed; zpool create archive " + " ".join(words), timeout=200)
    eyes = Eyes(lab)

    def taken(count: int) -> dict[str, tuple[str, str]]:
        until(lambda: len(eyes.stand_ins()) == count, 60, "the daemon")
        time.sleep(3)
        return eyes.stand_ins()

    lab.pull(0)
    first = taken(2)
    lab.pull_unit(1, 1)
    second = taken(3)
    lab.pull_unit(2, 1)
    third = taken(4)
    print(lab.run("zpool version").out, first, second, third)
    # Both units of the drive in bay 7 are in one vdev now: if it leaves, that vdev loses two members.
    assert [third[lost] for lost in ("bay01.1", "bay02.1")] == [("bay07.0", "raidz2-1"), ("bay07.1", "raidz2-1")]
