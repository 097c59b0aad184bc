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
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.checkout import REPO
from tests.lab.conftest import Labs
from tests.lab.lab import Lab
from tests.lab.layouts import MIB, Case, kinds, some, unlike
from tests.lab.modules import COLLECTION, call, four_runs
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
BATCH = 40


def chassis() -> Chassis:
    drives = [
        {"bays": bays, "serial": "EVL{bay}", "unit_size": f"{mib} MiB", "units": units}
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
        done = call(lab, "unit_partition", serials=serials, bays=bays(lab))
        assert not done["failed"], done["msg"]
        lab.checkpoint(READY)
    return lab


@pytest.fixture(scope="module")
def cases(server: Lab) -> list[Case]:
    found = kinds(call(server, "drive_info", bays=bays(server))["drives"])
    assert {case.layout["vdevs"][0]["kind"] for case in found} == {"raidz", "mirror", "draid"}
    return found


def options(lab: Lab, case: Case, **more: Any) -> dict[str, Any]:
    return {"pool": "archive", "layout": case.layout, "bays": bays(lab), "allow_siblings": True, **more}


def checked(lab: Lab, some: Sequence[dict[str, Any]], folder: Path) -> list[dict[str, Any]]:
    """What split_pool tells of each of these options in check mode, from one run of a playbook."""
    task = {
        f"{COLLECTION}.split_pool": None, "args": "{{ item }}", "loop": list(some), "register": "told",
        "check_mode": True, "ignore_errors": True, "loop_control": {"label": "{{ item.pool }}"},
    }  # fmt: skip
    keep = {"ansible.builtin.copy": {"content": "{{ told.results | to_json }}", "dest": str(folder / "told.json")},
            "delegate_to": "localhost"}  # fmt: skip
    play = [{"hosts": "all", "gather_facts": False, "tasks": [task, keep]}]
    (folder / "play.yml").write_text(yaml.safe_dump(play))
    lab.write_inventory(folder / "hosts.yml")
    argv = [str(Path(sys.executable).with_name("ansible-playbook")), "-i", "hosts.yml", "play.yml"]
    environment = {**os.environ, "ANSIBLE_COLLECTIONS_PATH": str(REPO / ".work"), "ANSIBLE_NOCOLOR": "1"}
    done = subprocess.run(
        argv, cwd=folder, env=environment, capture_output=True, text=True, check=False, timeout=3600
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr
    told: list[dict[str, Any]] = json.loads((folder / "told.json").read_text())
    return told


def asked(lab: Lab, wanted: Sequence[Case], folder: Path) -> list[dict[str, Any]]:
    """One row for each layout: whether the product, having asked OpenZFS, would make it; and what OpenZFS was asked."""
    rows: list[dict[str, Any]] = []
    for start in range(0, len(wanted), BATCH):
        batch = wanted[start : start + BATCH]
        lab.run(f"rm -f {LOG}; udevadm settle")
        before = lab.content_hashes()
        told = checked(lab, [options(lab, case) for case in batch], folder)
        assert lab.content_hashes() == before, "check mode changed a drive"
        trials = [line for line in lab.run(f"cat {LOG}").out.splitlines() if line.startswith("create -n ")]
        for case, one in zip(batch, told, strict=True):
            refused = any(_range_too_large(vdev) for vdev in case.layout["vdevs"])
            rows.append({
                "shape": case.shape, "drives": case.drives, "policy": dict(case.policy),
                "would_make": not one["failed"], "refused_rightly": refused,
                "msg": str(one.get("msg", "")), "reasons": one.get("reasons", []),
                "commands": one.get("commands", []),
            })  # fmt: skip
        made = sum(1 for row in rows[start:] if row["would_make"])
        print(f"{start + len(batch)} of {len(wanted)} asked, {made} of this batch would be made, {len(trials)} trials")
        # Without any vdev of two sizes there is one trial for each, else one more at most.
        assert made <= len(trials) <= 2 * len(batch)
    return rows


def _range_too_large(vdev: dict[str, Any]) -> bool:
    least = min(one["size"] for one in vdev["members"])
    return any(one["kind"] == "range" and one["size"] > least + 16 * MIB for one in vdev["members"])


def proven(rows: Sequence[dict[str, Any]]) -> None:
    wrong = [row for row in rows if row["would_make"] == row["refused_rightly"]]
    assert not wrong, json.dumps(wrong, indent=1)[:6000]


def make(lab: Lab, case: Case, four: bool = True) -> dict[str, Any]:
    """The layout made for real, read back with zpool, and undone."""
    lab.restore(READY)
    wanted = options(lab, case)
    if four:
        done = four_runs(lab, "split_pool", **wanted).done
    else:
        done = call(lab, "split_pool", **wanted)
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


@pytest.mark.lab
def test_some_layouts_of_every_kind_are_what_openzfs_makes(server: Lab, cases: list[Case], tmp_path: Path) -> None:
    proven(asked(server, some(cases, 12, SEED), tmp_path))


@pytest.mark.lab_long
def test_every_kind_of_layout_is_one_that_openzfs_makes(server: Lab, cases: list[Case], tmp_path: Path) -> None:
    server.restore(READY)
    rows = asked(server, cases, tmp_path)
    write(server, "asked", rows)
    proven(rows)
    # Both kinds were there, and layouts with partitions to be written among them.
    assert [row for row in rows if any(words[0] == "sgdisk" for words in row["commands"])]


@pytest.mark.lab_long
def test_some_of_each_kind_of_vdev_are_made_and_hold_what_was_predicted(server: Lab, cases: list[Case]) -> None:
    possible = [case for case in cases if not any(_range_too_large(vdev) for vdev in case.layout["vdevs"])]
    rows = [make(server, case, four=number < 3) for number, case in enumerate(some(possible, 24, SEED))]
    assert [row for row in rows if any(words[0] == "sgdisk" for words in row["commands"])]
    assert len({row["shape"] for row in rows}) == len(rows)
    write(server, "made", rows)


@pytest.mark.lab_long
def test_with_special_log_and_cache_of_two_sizes(server: Lab, cases: list[Case]) -> None:
    case = next(case for case in cases if case.shape.startswith("raidz1 two sizes"))
    taken = {one["serial"] for vdev in case.layout["vdevs"] for one in vdev["members"]}
    found = call(server, "drive_info", bays=bays(server))["drives"]
    free = [one for one in found if len(one["units"]) == 1 and one["serial"] not in taken]
    small = [one["units"][0]["wwn"] for one in free if one["units"][0]["size"] == 300 * MIB]
    large = [one["units"][0]["wwn"] for one in free if one["units"][0]["size"] == 400 * MIB]
    support = [
        {"role": "special", "devices": [small[0], large[0]]},
        {"role": "log", "devices": [small[1], large[1]]},
        {"role": "cache", "devices": [small[2]]},
    ]
    server.restore(READY)
    runs = four_runs(server, "split_pool", **options(server, case, support=support))
    words = runs.done["commands"][-1]
    assert [words[words.index(role) + 1] for role in ("special", "log")] == ["mirror", "mirror"]
    assert sum(word.endswith("-part1") for word in words[words.index("special") :]) == 2
    assert unlike(case.layout["vdevs"][0])
