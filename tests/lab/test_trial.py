# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""drive_trial on a real kernel with real fio: what it takes drives for, what it refuses, and that it outlives a reboot.

The drives are made slow, shared or unreadable by the emulator, apart from any code of the collection.
"""

from __future__ import annotations

import json
import random
import time
from pathlib import Path
from typing import Any

import pytest

from tests.checkout import REPO
from tests.lab import trials
from tests.lab.lab import Lab
from tests.lab.modules import call
from tests.lab.parts import Limits, ReadError
from tests.lab.playbooks import Site
from tests.lab.rangedisks import smart_drives

DECLARED = {f"bay{bay:02d}": {"serial": trials.serial(bay)} for bay in range(8)}
BAYS = {bay: entry["serial"] for bay, entry in DECLARED.items()}
RESULTS = "/var/lib/evenkeel/split_actuator/trial.json"
MATRIX = REPO / "tests" / "output" / "trial-matrix.jsonl"
SEEDS = range(40)


def node(lab: Lab, bay: int, unit: int) -> str:
    return "/dev/" + str(lab.guest_unit(bay, unit)["block"])


def layout(*bays: int) -> dict[str, Any]:
    """Two mirrors over the units of these drives."""
    return {
        "vdevs": [
            {
                "kind": "mirror",
                "parity": len(bays) - 1,
                "members": [
                    {"serial": trials.serial(bay), "index": index, "bay": f"bay{bay:02d}", "size": 128 << 20}
                    for bay in bays
                ],
            }
            for index in (0, 1)
        ]
    }


@pytest.fixture(scope="module")
def first(labs: Any) -> tuple[Lab, dict[str, Any], dict[str, Any]]:
    """The chassis as its file describes it, predicted and tried once."""
    lab: Lab = labs.get("trial")
    before = lab.content_hashes()
    predicted = call(lab, "drive_trial", check=True, bay_serials=BAYS, **trials.QUICK)
    assert lab.run("ls /var/lib/evenkeel/split_actuator 2>/dev/null", check=False).out == ""
    told = trials.tried(lab, bay_serials=BAYS)
    assert lab.content_hashes() == before
    return lab, predicted, told


@pytest.mark.lab_long
def test_drives_are_told_apart(first: tuple[Lab, dict[str, Any], dict[str, Any]]) -> None:
    _lab, _predicted, told = first
    found = {drive["bay"]: trials.verdict(drive) for drive in told["tried"]["drives"]}
    print(json.dumps(told["tried"], indent=1))
    assert found == {
        **{f"bay{bay:02d}": "sound" for bay in (0, 1, 2, 3, 7)},
        "bay04": "shared",
        "bay05": "slow 1",
        "bay06": "unreadable 0",
    }


@pytest.mark.lab_long
def test_figures_are_those_of_the_limits(first: tuple[Lab, dict[str, Any], dict[str, Any]]) -> None:
    """What the emulator was told each unit may do, and so one half together where it is shared.

    In 2 s a unit does 46 or 60 requests, and the emulator lets some more pass at first.
    """
    drives = {drive["bay"]: drive for drive in first[2]["tried"]["drives"]}
    for bay in ("bay00", "bay01", "bay02", "bay03", "bay04", "bay07"):
        for unit in (0, 1):
            assert drives[bay]["alone"][unit]["random"] == pytest.approx(30, rel=0.15)
            assert drives[bay]["alone"][unit]["sequential"] == pytest.approx(1.5e6, rel=0.15)
    assert drives["bay05"]["alone"][1]["random"] == pytest.approx(10, rel=0.15)
    for kind in ("sequential", "random"):
        assert drives["bay00"]["independence"][kind] == pytest.approx(1, abs=0.1)
        assert drives["bay04"]["independence"][kind] == pytest.approx(0.5, abs=0.05)
        assert drives["bay05"]["evenness"][kind] == pytest.approx(1 / 3, abs=0.08)
    median = first[2]["tried"]["model_median"]["ACTWO ACTW-D9"]
    assert median["drives"] == 8
    assert median["alone"]["random"] == pytest.approx(30, rel=0.15)
    whole = [one for one in first[2]["tried"]["ceilings"] if one["group"] == "all drives"]
    assert [one["pattern"] for one in whole] == ["sequential", "random"]
    # 8 drives, of which one has half and one two thirds.
    assert whole[1]["sum_of_drives"] == pytest.approx(30 * (6 * 2 + 1 + 4 / 3), rel=0.15)


@pytest.mark.lab_long
def test_check_mode_tells_what_is_run_and_a_second_run_does_nothing(
    first: tuple[Lab, dict[str, Any], dict[str, Any]],
) -> None:
    lab, predicted, told = first
    for name in ("commands", "runs", "diff", "estimate"):
        assert predicted[name] == told[name], name
    assert all(run["argv"][0] == "fio" and "--readonly" in run["argv"] for run in told["runs"])
    assert told["estimate"] == 3.0 * len(told["runs"])
    for check in (False, True):
        again = call(lab, "drive_trial", check=check, bay_serials=BAYS, **trials.QUICK)
        assert not again["failed"]
        assert (again["changed"], again["commands"], again["runs"]) == (False, [], [])
        assert again["tried"] == told["tried"]
    info = call(lab, "trial_info")
    assert info["state"] == "finished"
    assert info["tried"] == told["tried"] == _without_version(json.loads(lab.run(["cat", RESULTS]).out))


def _without_version(data: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in data.items() if name != "version"}


@pytest.mark.lab_long
def test_the_ratio_agrees_with_fio_run_by_hand(first: tuple[Lab, dict[str, Any], dict[str, Any]]) -> None:
    lab, _predicted, told = first
    drives = {drive["bay"]: drive for drive in told["tried"]["drives"]}
    for bay in (0, 4):
        nodes = [node(lab, bay, unit) for unit in (0, 1)]
        for kind, work in (
            ("sequential", "--rw=read --bs=64k --iodepth=4"),
            ("random", "--rw=randread --bs=4k --iodepth=4 --norandommap --randrepeat=0"),
        ):
            alone = [by_hand(lab, work, kind, one) for one in nodes]
            ratio = by_hand(lab, work, kind, *nodes) / sum(alone)
            assert drives[f"bay{bay:02d}"]["independence"][kind] == pytest.approx(ratio, abs=0.06)


def by_hand(lab: Lab, work: str, kind: str, *nodes: str) -> float:
    """What fio says of these devices at once, read from its plain (terse version 3) output, not from its JSON.

    Fields, fio(1) "terse output": 7 is the read bandwidth in KiB/s, 8 the reads per second.
    """
    jobs = " ".join(f"--name=j{number} --filename={one}" for number, one in enumerate(nodes))
    shown = lab.run(
        "fio --minimal --terse-version=3 --readonly --direct=1 --ioengine=libaio --time_based --ramp_time=1"
        f" --runtime=3 {work} {jobs}"
    ).out
    rows = [line.split(";") for line in shown.splitlines() if line.startswith("3;")]
    assert len(rows) == len(nodes)
    return sum(float(row[6] if kind == "sequential" else row[7]) for row in rows)


@pytest.mark.lab_long
def test_a_pool_is_made_of_accepted_drives_only(first: tuple[Lab, dict[str, Any], dict[str, Any]]) -> None:
    lab = first[0]
    before = lab.content_hashes()
    refused = call(lab, "pool", pool="archive", layout=layout(0, 4, 6), declared=DECLARED, require_trial="accept")
    assert refused["failed"]
    assert [line.partition(": ")[0] for line in refused["reasons"]] == ["bay04 (serial TRL04)", "bay06 (serial TRL06)"]
    assert "not_independent" not in refused["msg"]
    assert lab.content_hashes() == before
    passed = call(
        lab, "pool", check=True, pool="archive", layout=layout(0, 1), declared=DECLARED, require_trial="accept"
    )
    assert not passed["failed"], passed["msg"]
    assert passed["changed"]
    lab.run(["mv", RESULTS, RESULTS + ".away"])
    untried = call(
        lab, "pool", check=True, pool="archive", layout=layout(0, 1), declared=DECLARED, require_trial="look"
    )
    lab.run(["mv", RESULTS + ".away", RESULTS])
    assert untried["reasons"] == [f"bay0{bay} (serial TRL0{bay}): it has had no trial" for bay in (0, 1)]


@pytest.mark.lab_long
def test_drives_that_are_not_free_are_refused(first: tuple[Lab, dict[str, Any], dict[str, Any]]) -> None:
    lab = first[0]
    lab.limit(1, Limits())
    lab.run(f"mkfs.ext4 -q -E nodiscard {node(lab, 1, 1)}; udevadm settle")
    lab.run(f"zpool create -O mountpoint=none busy {node(lab, 2, 0)}; zpool sync busy; udevadm settle", timeout=300)
    before = lab.content_hashes()
    for serials, burn, reason in (
        (["TRL01"], ["TRL01"], "bay01 (serial TRL01) unit 1: filesystem ext4"),
        (["TRL02"], [], "bay02 (serial TRL02) unit 0: open"),
        (["TRL02"], ["TRL02"], "bay02 (serial TRL02) unit 0: "),
        (["TRL09"], [], "bay unknown (serial TRL09): no drive with this serial is on the host"),
    ):
        for check in (True, False):
            told = call(
                lab, "drive_trial", check=check, bay_serials=BAYS, serials=serials, burn_in_serials=burn, **trials.QUICK
            )
            assert told["failed"], told
            assert any(line.startswith(reason) for line in told["reasons"]), told["reasons"]
    # A filesystem that nobody uses is no reason against reading.
    told = call(lab, "drive_trial", check=True, bay_serials=BAYS, serials=["TRL01"], **trials.QUICK)
    assert told["changed"]
    told = call(lab, "drive_trial", check=True, bay_serials=BAYS, serials=["TRL01"], burn_in_serials=["TRL03"])
    assert "burn_in_serials" in told["msg"]
    lab.run("zpool sync busy")
    lab.run("zpool export busy")
    after = lab.content_hashes()
    untouched = [number for number in range(16) if number != 4]
    assert [before[number] for number in untouched] == [after[number] for number in untouched]
    lab.run(f"zpool labelclear -f {node(lab, 2, 0)}1; wipefs -qa {node(lab, 2, 0)} {node(lab, 1, 1)}; udevadm settle")
    lab.limit(1, trials.FULL)


@pytest.mark.lab_long
def test_a_trial_needs_no_connection_and_a_stopped_one_goes_on(
    first: tuple[Lab, dict[str, Any], dict[str, Any]],
) -> None:
    lab = first[0]
    options = {**trials.QUICK, "bay_serials": BAYS, "serials": ["TRL00", "TRL01"], "per_adapter": 1, "run_seconds": 8}
    started = call(lab, "drive_trial", **options)
    assert started["changed"]
    assert started["state"] in ("waiting", "running")
    while trials.progress(lab)["done"] < 2:
        time.sleep(0.5)
    other = call(lab, "drive_trial", bay_serials=BAYS, serials=["TRL03"], **trials.QUICK)
    assert other["failed"]
    assert "another trial is under way" in other["msg"]
    made = call(lab, "pool", pool="archive", layout=layout(2, 3), declared=DECLARED)
    assert made["failed"]
    assert "a trial of drives" in made["msg"]
    again = call(lab, "drive_trial", **options)
    assert not again["changed"]
    stopped = call(lab, "drive_trial", state="stopped")
    assert (stopped["changed"], stopped["state"]) == (True, "stopped")
    assert lab.run("pgrep -c fio", check=False).out.strip() == "0"
    assert not call(lab, "drive_trial", state="stopped")["changed"]
    done = trials.progress(lab)["done"]
    assert 2 <= done < len(started["runs"])
    on = call(lab, "drive_trial", state="finished", wait_seconds=300, **options)
    assert on["changed"]
    assert len(on["runs"]) == len(started["runs"]) - done
    assert on["state"] == "finished"
    assert {one["serial"] for one in on["tried"]["drives"]} == set(BAYS.values())


@pytest.mark.lab_long
def test_the_playbook_says_what_became_of_the_drives(
    first: tuple[Lab, dict[str, Any], dict[str, Any]], tmp_path: Path
) -> None:
    about = {"split_actuator_drives": DECLARED, "split_actuator_trial": {**trials.QUICK, "run_seconds": 1}}
    (tmp_path / "hosts.yml").write_text(json.dumps({"all": {"hosts": {"trial": about}}}))
    site = Site(first[0], tmp_path, "trial")
    wanted = {"split_actuator_trial_serials": ["TRL00", "TRL04"], "split_actuator_trial_watch_seconds": 600}
    checked = site.playbook("trial", "--check", "--diff", variables=wanted).check()
    assert "8 runs of fio" in checked.output
    assert "--rw=randread" in checked.output
    done = site.playbook("trial", variables=wanted).check()
    assert "finished: 8 of 8 runs done" in done.output
    assert "bay04 (serial TRL04): reject" in done.output


@pytest.mark.lab_long
def test_every_block_is_read_where_that_is_asked(first: tuple[Lab, dict[str, Any], dict[str, Any]]) -> None:
    lab = first[0]
    lab.fail_reads(3, 1, [ReadError(200_000, 1)])
    # The measured runs, in which each read is one of few, do not get as far as that; the large reads of the surface do.
    lab.limit(3, Limits(iops=30, bps=8_000_000))
    told = trials.tried(lab, bay_serials=BAYS, serials=["TRL03"], surface=True, chunk=64 << 20)
    [drive] = [one for one in told["tried"]["drives"] if one["serial"] == "TRL03"]
    lab.fail_reads(3, 1, [])
    lab.limit(3, trials.FULL)
    assert drive["read_through"] == [128 << 20] * 2
    assert drive["codes"] == ["read_errors"]
    assert drive["read_errors"][0] == 0
    surface = [number for number, run in enumerate(told["runs"]) if run["reason"].startswith("reading every block")]
    assert len(surface) == 2
    errors = [[measure["errors"] for _serial, _index, measure in run["units"]] for run in trials.measures(lab)]
    # In chunks of 64 MiB: the sector is in the second one.
    assert [errors[number] for number in surface] == [[0, 0], [0, 1]]


@pytest.mark.lab_long
def test_a_drive_that_is_too_warm_is_waited_for(first: tuple[Lab, dict[str, Any], dict[str, Any]]) -> None:
    """A drive that tells its temperature, unlike the emulator's: warm at first, cool later."""
    lab = first[0]
    smart_drives(lab)
    lab.run("echo 61 > /run/lab-smart/degrees-SMT0001.1")
    options = {**trials.QUICK, "bay_serials": BAYS, "serials": ["SMT0001"], "temperature_ceiling": 60}
    started = call(lab, "drive_trial", **options)
    assert started["changed"]
    deadline = time.monotonic() + 120
    while trials.progress(lab)["state"] != "paused":
        assert time.monotonic() < deadline, trials.progress(lab)
        time.sleep(0.5)
    told = call(lab, "trial_info")
    assert (told["state"], told["progress"]["warmest"]) == ("paused", 61)
    pause = "a drive is at 61 degrees Celsius, above the ceiling of 60; waiting until it is at 55"
    assert pause in told["progress"]["reason"]
    assert lab.run("pgrep -c fio", check=False).out.strip() == "0"
    lab.run("echo 56 > /run/lab-smart/degrees-SMT0001.1; sleep 35")
    assert trials.progress(lab)["state"] == "paused", "below the ceiling, and not yet 5 degrees cooler"
    lab.run("echo 55 > /run/lab-smart/degrees-SMT0001.1")
    assert trials.await_end(lab, 200)["state"] == "finished"
    [drive] = [one for one in json.loads(lab.run(["cat", RESULTS]).out)["drives"] if one["serial"] == "SMT0001"]
    assert len(drive["alone"]) == 2
    assert [unit["temperature"] for unit in drive["facts"]] == [30, 55]


@pytest.mark.lab_long
def test_a_burn_in_outlives_a_power_cut(first: tuple[Lab, dict[str, Any], dict[str, Any]]) -> None:
    lab = first[0]
    before = lab.content_hashes()
    lab.limit(7, Limits(iops=40, bps=16_000_000))
    options = {
        **trials.QUICK, "bay_serials": BAYS, "serials": ["TRL07"], "burn_in_serials": ["TRL07"], "chunk": 16 << 20,
        "run_seconds": 1, "ramp_seconds": 0,
    }  # fmt: skip
    predicted = call(lab, "drive_trial", check=True, **options)
    assert predicted["estimate"] > 0
    assert "TRL07): 2 units, OVERWRITTEN COMPLETELY" in json.dumps(predicted["diff"])
    writing = [run for run in predicted["runs"] if "--readonly" not in run["argv"]]
    assert len(writing) == 8
    assert all("burn-in, writing: bay07.0, bay07.1" in run["reason"] for run in writing)
    started = call(lab, "drive_trial", **options)
    assert (started["runs"], started["commands"]) == (predicted["runs"], predicted["commands"])
    measured = len(started["runs"]) - 16
    while trials.progress(lab)["done"] < measured + 3:
        time.sleep(0.5)
    held = lab.run(f"zpool create -f early {node(lab, 7, 0)}", check=False)
    assert held.rc != 0
    done = trials.progress(lab)["done"]
    lab.power_cut()
    lab.boot()
    ended = trials.await_end(lab, 600)
    assert ended["state"] == "finished", ended
    journal = lab.run("journalctl -b -u evenkeel-trial -o cat").out
    assert "The trial is finished" in journal
    [drive] = [one for one in json.loads(lab.run(["cat", RESULTS]).out)["drives"] if one["serial"] == "TRL07"]
    assert (drive["written"], drive["wrong_blocks"]) == ([128 << 20] * 2, [0, 0])
    assert drive["verdict"] == "accept", drive["reasons"]
    runs = [run["run"] for run in trials.measures(lab)]
    # Each run was done once, so those before the cut were not done again.
    assert sorted(runs) == list(range(len(started["runs"])))
    assert done >= measured + 3
    after = lab.content_hashes()
    changed = [number for number, pair in enumerate(zip(before, after, strict=True)) if pair[0] != pair[1]]
    assert changed == [14, 15]
    # What is on it is what fio writes: read back by fio's own verification, started by hand.
    shown = lab.run(
        f"fio --readonly --direct=1 --rw=read --bs=1M --verify=crc32c --name=x --filename={node(lab, 7, 1)}",
        timeout=300,
    )
    assert "err= 0" in shown.out


@pytest.mark.lab_long
@pytest.mark.parametrize("first_seed", SEEDS[:: trials.CHASSIS])
def test_seeded_chassis(labs: Any, first_seed: int) -> None:
    """Chassis of five to eight drives drawn by lot: each drive is taken for what it is.

    Several chassis are tried at once, which saves most of the time. Each has a model of its own, so its drives are
    judged beside each other alone. Seeds of which tests/output has a right answer are passed over: a run that was
    cut off goes on. Remove the file to begin anew.
    """
    done = {line["seed"] for line in matrix() if line["found"] == line["truth"]}
    seeds = [seed for seed in SEEDS[first_seed : first_seed + trials.CHASSIS] if seed not in done]
    if not seeds:
        pytest.skip(f"answered right in {MATRIX}")
    lab = _running(labs)
    begun = time.monotonic()
    truth = {seed: trials.arrangement(place, seed) for place, seed in enumerate(seeds)}
    kinds = {bay: kind for one in truth.values() for bay, kind in one.items()}
    dice = random.Random(first_seed)
    for bay, kind in kinds.items():
        trials.spoil(lab, bay, kind, dice)
    serials = {f"bay{bay:02d}": trials.serial(bay) for bay in kinds}
    started = call(
        lab,
        "drive_trial",
        bay_serials=serials,
        serials=list(serials.values()),
        fresh=True,
        **{**trials.QUICK, **trials.MANY},
    )
    assert started["changed"], started["msg"]
    # What the trial reads before fio begins would take minutes at these speeds.
    for bay, kind in kinds.items():
        trials.slow_down(lab, bay, kind)
    progress = trials.progress(lab)
    assert (progress["done"], progress["doing"]) == (0, ""), "fio had begun before the drives were what they should be"
    assert trials.await_end(lab, 900)["state"] == "finished"
    drives = {one["serial"]: one for one in json.loads(lab.run(["cat", RESULTS]).out)["drives"]}
    found = {seed: {bay: trials.verdict(drives[trials.serial(bay)]) for bay in one} for seed, one in truth.items()}
    seconds = round(time.monotonic() - begun)
    MATRIX.parent.mkdir(parents=True, exist_ok=True)
    with MATRIX.open("a", encoding="utf-8") as file:
        for seed in seeds:
            ratios = {bay: drives[trials.serial(bay)]["independence"] for bay in truth[seed]}
            about = {"seed": seed, "beside": seeds, "seconds_for_all": seconds, "at": round(time.time())}
            # Numbers of bays are text in JSON.
            line = json.loads(json.dumps({"truth": truth[seed], "found": found[seed], "independence": ratios}))
            file.write(json.dumps({**about, **line}) + "\n")
    assert found == truth, {bay: drives[trials.serial(bay)]["reasons"] for bay in kinds}


def matrix() -> list[dict[str, Any]]:
    """What earlier runs found, a line for each seeded chassis."""
    return [json.loads(line) for line in MATRIX.read_text().splitlines()] if MATRIX.exists() else []


_MATRIX_LAB: list[Lab] = []


def _running(labs: Any) -> Lab:
    """One machine for the whole matrix: only its drives change."""
    if not _MATRIX_LAB or not _MATRIX_LAB[0].running:
        _MATRIX_LAB[:] = [labs.get("trials")]
    return _MATRIX_LAB[0]
