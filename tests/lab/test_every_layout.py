# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Every kind of layout that the planner returns is one that OpenZFS makes, by the product and without force.

One server holds drives of one to three units, of two sizes, and drives split by range. In check mode the product asks
OpenZFS (zpool create -n) about a layout of every kind; a wrapper around zpool in the guest notes that it does. Some of
each kind of vdev are made for real and read back with zpool, among them those that only partitions make possible.
`make every-layout` tries all of them on both Debian releases and leaves tests/output/every-layout-RELEASE.json.
"""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import CoreError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.discover import Wanted
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.disks import Partition
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.run import SETTLE, Result
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Content, Drive, Layout, Unit
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import from_plain
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs import status_json
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.access import Access
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.actions import Wish, ensure_present
from tests.checkout import REPO
from tests.lab.conftest import Labs
from tests.lab.lab import Lab
from tests.lab.layouts import MIB, Case, kinds, some, unlike
from tests.lab.modules import call, four_runs
from tests.lab.parts import Chassis, parse
from tests.lab.rangedisks import RangeDisks, range_disk
from tests.lab.test_capacity import SLOW_RULES

OUTPUT = REPO / "tests" / "output"
SEED = int(os.environ.get("EVENKEEL_SEED", "20260"))
READY = "shapes"
SHAPES = {"0-5": (2, 300), "6-8": (2, 400), "9-14": (1, 300), "15-16": (1, 400), "17-20": (3, 300), "21-23": (1, 300)}
# Each of two ranges; 30 to 33 are as large as the small logical units, as OpenZFS compares them.
RANGES = [range_disk(number, size=(606 if number < 34 else 500) * MIB) for number in range(30, 36)]
LOG = "/root/zpool.log"
WRAPPER = f"""
real=$(command -v zpool) && mv $real $real.real &&
printf '#!/bin/sh\\necho "$@" >> {LOG}\\nexec %s "$@"\\n' $real.real > $real && chmod 755 $real
"""
NO_POOL: dict[tuple[str, ...], str] = {status_json.ARGV: json.dumps({"pools": {}})}


def chassis() -> Chassis:
    # A model of its own for each number of units: a drive that shows fewer than others of its model is refused.
    drives = [
        {"bays": bays, "serial": "EVL{bay}", "unit_size": f"{mib} MiB", "units": units, "model": f"UNITS{units}"}
        for bays, (units, mib) in SHAPES.items()
    ]
    hba = [{"name": "hba0", "kind": "virtio-scsi"}]
    return parse({"name": "every", "memory": 3072, "adapters": hba, "drives": drives})


def bays(lab: Lab) -> dict[str, str]:
    sits = {f"bay{drive.bay:02d}": drive.serial for drive in lab.chassis.drives}
    return {**sits, **{f"bay{int(one.name[1:])}": bytes.fromhex(one.serial).decode() for one in RANGES}}


@pytest.fixture(scope="module")
def server(labs: Labs) -> Lab:
    """The server with its range drives split, all drives empty, and zpool noting what it is told."""
    lab = labs.get(chassis(), READY)
    if not lab.has_checkpoint(READY):
        mute = " ".join(f"/etc/udev/rules.d/{name}.rules" for name in SLOW_RULES)
        lab.run(f"for rule in {mute}; do ln -sf /dev/null $rule; done; udevadm control --reload", timeout=300)
        lab.run("modprobe zfs; " + WRAPPER, timeout=300)
        shelf = RangeDisks(lab)
        shelf.install()
        shelf.show(RANGES)
        serials = [bytes.fromhex(one.serial).decode() for one in RANGES]
        done = call(lab, "unit_partition", serials=serials, bay_serials=bays(lab))
        assert not done["failed"], done["msg"]
        lab.checkpoint(READY)
    return lab


@pytest.fixture(scope="module")
def plain(server: Lab) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = call(server, "drive_info", bay_serials=bays(server))["drives"]
    return found


@pytest.fixture(scope="module")
def drives(plain: list[dict[str, Any]]) -> list[Drive]:
    return [from_plain(Drive, one) for one in plain]


@pytest.fixture(scope="module")
def cases(plain: list[dict[str, Any]]) -> list[Case]:
    found = kinds(plain)
    assert {case.layout["vdevs"][0]["kind"] for case in found} == {"raidz", "mirror", "draid"}
    return found


def options(lab: Lab, case: Case, **more: Any) -> dict[str, Any]:
    return {"pool": "archive", "layout": case.layout, "bay_serials": bays(lab), "allow_siblings": True, **more}


# ruff: noqa: ARG002
class Remote(Access):
    """The guest as an action on pools reaches it in check mode: its own zpool, and drives known to be empty.

    What is read of drives is what drive_info returned once; a look at each device for each of hundreds of layouts would
    take hours in an emulated guest. What OpenZFS is asked is asked in the guest, and noted in *asked_of*.
    """

    def __init__(self, lab: Lab, drives: Sequence[Drive]) -> None:
        super().__init__(self._runner, Wanted())
        self._lab, self._drives = lab, drives
        self._version = ""
        self.asked_of: list[Sequence[str]] = []

    def _runner(self, argv: Sequence[str]) -> Result:
        if tuple(argv) == SETTLE or tuple(argv[:2]) == ("zpool", "status"):
            return Result(0, NO_POOL.get(tuple(argv), "no pools available\n"), "")
        if tuple(argv[:2]) == ("zpool", "list"):  # where the status is text, pools are listed too; here is none
            return Result(0, "", "")
        if tuple(argv) == ("zpool", "version"):
            self._version = self._version or self._lab.run(list(argv)).out
            return Result(0, self._version, "")
        assert list(argv[:3]) == ["zpool", "create", "-n"], argv
        self.asked_of.append(list(argv))
        done = self._lab.run(list(argv), check=False, timeout=120)
        return Result(done.rc, done.out, done.err)

    def drives(self) -> Sequence[Drive]:
        return self._drives

    def contents(self, keys: Iterable[tuple[str, int]]) -> dict[tuple[str, int], Sequence[Content]]:
        return dict.fromkeys(keys, ())

    def table_of(self, unit: Unit) -> tuple[Partition, ...]:
        return ()

    def labels_within(self, node: str, extents: Sequence[tuple[int, int]]) -> Sequence[tuple[int, ...]]:
        return [() for _extent in extents]

    def nodes_of(self, paths: Iterable[str]) -> dict[str, str]:
        return {}

    def begun(self, pool: str) -> frozenset[str]:
        return frozenset()


def asked(lab: Lab, wanted: Sequence[Case], found: Sequence[Drive]) -> list[dict[str, Any]]:
    """One row for each layout: whether the product, having asked OpenZFS, would make it; and what OpenZFS was asked."""
    rows: list[dict[str, Any]] = []
    for number, case in enumerate(wanted):
        access = Remote(lab, found)
        layout = from_plain(Layout, case.layout, "layout")
        refused = not possible([case])
        row = {"shape": case.shape, "drives": case.drives, "policy": dict(case.policy), "refused_rightly": refused}
        try:
            outcome = ensure_present(access, Wish("archive", layout, allow_siblings=True), True)
        except CoreError as error:
            row.update(would_make=False, msg=str(error), reasons=list(getattr(error, "reasons", ())))
        else:
            row.update(would_make=True, commands=[list(one.argv) for one in outcome.commands])
            assert access.asked_of, "OpenZFS was not asked"
        rows.append({**row, "trials": len(access.asked_of)})
        if number % 25 == 24:
            print(f"{number + 1} of {len(wanted)} asked, {sum(one['would_make'] for one in rows)} would be made")
    return rows


def _range_too_large(vdev: dict[str, Any]) -> bool:
    least = min(one["size"] for one in vdev["members"])
    return any(one["unit_kind"] == "range" and one["size"] > least + 16 * MIB for one in vdev["members"])


def _siblings_beyond(vdev: dict[str, Any]) -> bool:
    """Whether the loss of one drive takes more than the vdev's parity: planned with survive.drives 0, never built."""
    return max(Counter(one["serial"] for one in vdev["members"]).values()) > max(vdev["parity"], 1)


def proven(rows: Sequence[dict[str, Any]]) -> None:
    wrong = [row for row in rows if row["would_make"] == row["refused_rightly"]]
    assert not wrong, json.dumps(wrong, indent=1)[:6000]


def make(lab: Lab, case: Case) -> dict[str, Any]:
    """The layout made for real, read back with zpool; the server is put back first."""
    lab.restore(READY)
    done = call(lab, "pool", **options(lab, case))
    assert not done["failed"], (case.shape, done["msg"])
    assert not [words for words in done["commands"] if "-f" in words]
    size = int(lab.run("zpool list -Hpo size archive").out)
    usable = sum(map(int, lab.run("zfs list -Hpo used,available archive").out.split()))
    lab.run("zpool sync archive; zpool scrub -w archive", timeout=300)
    health = lab.run("zpool list -Ho health archive").out.strip()
    row = {
        "shape": case.shape, "drives": case.drives, "policy": dict(case.policy), "commands": done["commands"],
        "size": size, "usable": usable, "health": health,
        "predicted": [case.capacity["size"], case.capacity["usable"]],
    }  # fmt: skip
    assert (health, [size, usable]) == ("ONLINE", row["predicted"]), row
    return row


def write(lab: Lab, part: str, rows: Sequence[dict[str, Any]]) -> None:
    release = lab.chassis.release
    OUTPUT.mkdir(exist_ok=True)
    path = OUTPUT / f"every-layout-{release}.json"
    known = json.loads(path.read_text()) if path.exists() else {}
    known.update({"seed": SEED, "zfs": lab.run("zfs version").out.split()[0], part: list(rows)})
    path.write_text(json.dumps(known, indent=1) + "\n")


def possible(cases: Sequence[Case]) -> list[Case]:
    """The layouts that pool does not refuse on its own, whatever OpenZFS says."""
    return [
        case
        for case in cases
        if not any(_range_too_large(vdev) or _siblings_beyond(vdev) for vdev in case.layout["vdevs"])
    ]


@pytest.mark.lab
def test_some_layouts_of_every_kind_are_what_openzfs_makes(server: Lab, cases: list[Case], drives: list[Drive]) -> None:
    proven(asked(server, some(cases, 24, SEED), drives))


@pytest.mark.lab
def test_the_module_asks_openzfs_the_same_in_check_mode_and_touches_no_drive(
    server: Lab, cases: list[Case], drives: list[Drive]
) -> None:
    mixed = [case for case in possible(cases) if any(unlike(vdev) for vdev in case.layout["vdevs"])]
    (case,) = some(mixed, 1, SEED)
    server.run(f"rm -f {LOG}; udevadm settle")
    before = server.content_hashes()
    told = call(server, "pool", check=True, **options(server, case))
    assert server.content_hashes() == before
    assert not told["failed"], told["msg"]
    noted = [line for line in server.run(f"cat {LOG}").out.splitlines() if line.startswith("create ")]
    access = Remote(server, drives)
    layout = from_plain(Layout, case.layout, "layout")
    outcome = ensure_present(access, Wish("archive", layout, allow_siblings=True), True)
    assert noted == [" ".join(words[1:]) for words in access.asked_of]
    assert told["commands"] == [list(one.argv) for one in outcome.commands]


@pytest.mark.lab_long
def test_every_kind_of_layout_is_one_that_openzfs_makes(server: Lab, cases: list[Case], drives: list[Drive]) -> None:
    rows = asked(server, cases, drives)
    write(server, "asked", rows)
    proven(rows)
    # Both kinds were there, and layouts with partitions to be written among them.
    assert [row for row in rows if any(words[0] == "sgdisk" for words in row.get("commands", []))]


@pytest.mark.lab_long
def test_some_of_each_kind_of_vdev_are_made_and_hold_what_was_predicted(server: Lab, cases: list[Case]) -> None:
    rows = [make(server, case) for case in some(possible(cases), 12, SEED)]
    assert [row for row in rows if any(words[0] == "sgdisk" for words in row["commands"])]
    assert len({row["shape"] for row in rows}) == len(rows)
    write(server, "made", rows)


@pytest.mark.lab_long
def test_with_special_log_and_cache_of_two_sizes(server: Lab, cases: list[Case], plain: list[dict[str, Any]]) -> None:
    case = next(case for case in cases if case.shape.startswith("raidz1 two sizes"))
    taken = {one["serial"] for vdev in case.layout["vdevs"] for one in vdev["members"]}
    free = [one for one in plain if len(one["units"]) == 1 and one["serial"] not in taken]
    small = [one["units"][0]["wwn"] for one in free if one["units"][0]["size"] == 300 * MIB]
    large = [one["units"][0]["wwn"] for one in free if one["units"][0]["size"] == 400 * MIB]
    support = [
        {"role": "special", "devices": [small[0], large[0]]},
        {"role": "log", "devices": [small[1], large[1]]},
        {"role": "cache", "devices": [small[2]]},
    ]
    server.restore(READY)
    runs = four_runs(server, "pool", **options(server, case, support=support))
    words = runs.done["commands"][-1]
    assert [words[words.index(role) + 1] for role in ("special", "log")] == ["mirror", "mirror"]
    assert sum(word.endswith("-part1") for word in words[words.index("special") :]) == 2
    assert unlike(case.layout["vdevs"][0])
