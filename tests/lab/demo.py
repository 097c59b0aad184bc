# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The main job from end to end, on a virtual server: survey, plan, build, and a drive pulled while files are read.

Run by C(make demo). With DEMO_KEEP=1 the server keeps running afterwards.
"""

from __future__ import annotations

import os
import re
import shutil
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

REPO = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(REPO))

from tests.lab.errors import LabError  # noqa: E402
from tests.lab.lab import Lab  # noqa: E402
from tests.lab.modules import call  # noqa: E402
from tests.lab.playbooks import Site  # noqa: E402

CHASSIS = REPO / "tests" / "lab" / "chassis" / "ebb01.yml"
NAME = "demo"
BAY = 7
FILES = 24
STEPS = 9
# Seconds in which OpenZFS must have noticed that the drive is missing.
WAIT = 600.0


class Story:
    """Prints what happens, with the time since the start."""

    def __init__(self) -> None:
        self._begun = time.monotonic()
        self._step = 0

    def step(self, text: str) -> None:
        """A new part of the demonstration."""
        self._step += 1
        print(f"\n== {self._step} of {STEPS} · {self.clock} · {text}", flush=True)

    def say(self, text: str) -> None:
        """A line within the part."""
        print(f"   {text}", flush=True)

    def task(self, line: str) -> None:
        """A line of ansible-playbook's output: only the names of tasks are printed."""
        match = re.match(r"(?:TASK|RUNNING HANDLER) \[(?:evenkeel\.split_actuator\.)?(.*?)\]", line)
        if match and "Validating arguments" not in line:
            self.say(f"· {match.group(1)}")

    @property
    def clock(self) -> str:
        """Minutes and seconds since the start."""
        seconds = int(time.monotonic() - self._begun)
        return f"{seconds // 60}:{seconds % 60:02d}"


def main() -> int:
    """Run the demonstration; 0 when every condition held."""
    story = Story()
    folder = Path(tempfile.mkdtemp(prefix="evenkeel-demo-"))
    lab = Lab(CHASSIS, name=NAME, tell=story.say)
    keep = bool(os.environ.get("DEMO_KEEP"))
    print("The Saltmarsh Observatory sets up ebb01: 12 drives of 2 x 9 TB, each drive two disks to the host.")
    try:
        lab.down()
        show(story, lab, folder)
        farewell(story, folder, keep)
    except LabError as error:
        print(f"\nThe demonstration stopped: {error}", file=sys.stderr)
        return 1
    finally:
        if not keep:
            lab.down()
            shutil.rmtree(folder, ignore_errors=True)
    return 0


def show(story: Story, lab: Lab, folder: Path) -> None:
    """All parts in order. Raises LabError when one does not hold."""
    story.step("boot the virtual server (the first time, this builds its disk image)")
    lab.up()
    site = Site(lab, folder)
    story.step("survey: which drives are in which bays?")
    site.playbook("survey", line=story.task).check()
    declared = (folder / "host_vars" / "ebb01" / "drives.yml").read_text().splitlines()
    for line in [*declared[1:8], f"... {sum('serial:' in line for line in declared)} drives in all"]:
        story.say(line)
    story.step("plan: which unit goes into which vdev, and which failures does that survive?")
    plan = site.playbook("plan").check()
    for line in planned(plan.output):
        story.say(line)
    story.step("build pool archive")
    site.playbook("build", line=story.task).check()
    story.say(lab.run("zpool list -o name,size,free,health archive").out.strip().replace("\n", "\n   "))
    story.step("build again: nothing may change")
    again = site.playbook("build").check()
    require(again.changed == 0, f"the second run changed {again.changed} tasks:\n{again.output}")
    story.say("0 changes")
    story.step(f"write {FILES} files and read them continuously")
    write_files(lab)
    story.step(f"pull the drive in bay {BAY} while the files are read")
    serial = lab.drive(BAY).serial
    # The adapter reports the removal. When a drive only stops answering, OpenZFS 2.3.9 shows its members as FAULTED,
    # but may still show vdevs and pool as ONLINE (tests/data/zpool/pulled-2.3.9.text).
    lab.pull(BAY, announce=True)
    pool = await_loss(story, site)
    story.step("does the pool still serve?")
    verify(story, lab, pool, serial)


def planned(output: str) -> list[str]:
    """The lines that the plan playbook shows, out of its message."""
    return [
        match.group(1).replace('\\"', '"')
        for match in re.finditer(r'^\s+"(.*)",?$', output.partition("Show the layout")[2], re.MULTILINE)
    ]


def write_files(lab: Lab) -> None:
    """Files with a list of their checksums, and a service that reads them from the disks again and again."""
    # Without cached file data every read goes to the drives.
    lab.run("zfs set primarycache=metadata archive && mkdir /archive/camera")
    lab.run(
        f"cd /archive/camera && for n in $(seq -w {FILES}); do head -c 3000000 /dev/urandom > tide-$n.img; done"
        " && sha256sum tide-*.img > /root/checksums && sync",
        timeout=600,
    )
    lab.run(
        "systemd-run --quiet --unit=reader --working-directory=/archive/camera sh -c"
        " 'while sha256sum --quiet -c /root/checksums; do echo pass; done; echo broken'"
    )


def await_loss(story: Story, site: Site) -> dict[str, Any]:
    """Wait until OpenZFS itself has noticed that both units are missing; the pool as pool_info reports it then."""
    import yaml

    declared = yaml.safe_load((site.folder / "host_vars" / "ebb01" / "drives.yml").read_text())
    arguments = {"pool": "archive", "declared": declared["split_actuator_drives"]}
    end = time.monotonic() + WAIT
    await_degraded(story, site.lab, end)
    while True:
        touch(site.lab)
        result = call(site.lab, "pool_info", **arguments)
        if "pools" not in result:
            raise LabError(f"pool_info failed: {result.get('msg', result)}")
        pool: dict[str, Any] = result["pools"][0]
        if noticed(pool):
            return pool
        require(time.monotonic() < end, f"OpenZFS did not notice both units in {WAIT:.0f} s:\n{pool['picture']}")
        story.say("OpenZFS has not noticed both missing units yet")


def await_degraded(story: Story, lab: Lab, end: float) -> None:
    """Poll the pool's own state until it is DEGRADED."""
    while True:
        touch(lab)
        health = lab.run("zpool list -H -o health archive").out.strip()
        story.say(f"zpool list: archive is {health}")
        if health == "DEGRADED":
            return
        require(time.monotonic() < end, f"the pool is still {health} {WAIT:.0f} s after the drive was pulled")
        time.sleep(5)


def touch(lab: Lab) -> None:
    """A small write that reaches the disks."""
    lab.run("echo now > /archive/camera/touch; sync /archive/camera/touch")


def noticed(pool: dict[str, Any]) -> bool:
    """Whether the pool and each of its vdevs are DEGRADED, and both units of a drive are reported."""
    states = {pool["state"], *(vdev["state"] for vdev in pool["vdevs"])}
    return states == {"DEGRADED"} and bool(pool["visit"]) and len(pool["visit"][0]["units"]) == 2


def verify(story: Story, lab: Lab, pool: dict[str, Any], serial: str) -> None:
    """Every vdev is missing one member, the files are intact, the reader never failed, and the bay is named."""
    lost = [sum(not slot["serving"] for slot in vdev["slots"]) for vdev in pool["vdevs"]]
    require(lost == [1] * len(lost), f"missing members of each vdev: {lost}")
    visit = pool["visit"]
    require(
        [(one["bay"], one["serial"]) for one in visit] == [(f"bay{BAY:02d}", serial)], f"the bays to visit: {visit}"
    )
    sums = lab.run("cd /archive/camera && sha256sum --quiet -c /root/checksums", timeout=600, check=False)
    require(sums.rc == 0, f"checksums: {sums.out}{sums.err}")
    passes = lab.run("systemctl is-active reader; journalctl -u reader -o cat | grep -c pass", check=False).out.split()
    require(passes[0] == "active" and int(passes[1]) > 0, f"the reader: {passes}")
    for line in pool["picture"].splitlines():
        story.say(line)
    story.say("")
    story.say(f"All {FILES} checksums are correct. The reader read all files {passes[1]} times and never failed.")


def require(condition: bool, otherwise: str) -> None:
    """Stop the demonstration when a condition does not hold."""
    if not condition:
        raise LabError(otherwise)


def farewell(story: Story, folder: Path, keep: bool) -> None:
    """What happened, and what to try next."""
    story.step("what happened")
    story.say("ebb01's 12 drives showed 24 disks. survey found which two belong together and in which bay they sit,")
    story.say("plan put each drive's two units into different vdevs, build created the pool and changed nothing when")
    story.say(f"it ran again. Then the drive in bay {BAY} was pulled. OpenZFS reports the pool as DEGRADED: each vdev")
    story.say("is missing one member. Every file is intact, and pool_info names the bay to visit. Nothing was written")
    story.say(f"to any other disk. Time: {story.clock} minutes.")
    if keep:
        story.say("")
        story.say("The server still runs. Try:")
        story.say(f"  python3 -m tests.lab ssh --name {NAME} zpool status")
        story.say(f"  python3 -m tests.lab pull 3 --name {NAME}     then read the margin with pool_info")
        story.say(f"  the inventory is in {folder}")
        story.say(f"  python3 -m tests.lab down --name {NAME}       when you are finished")
    else:
        story.say("To keep the server and look around: DEMO_KEEP=1 make demo. To use it for real: README.md.")


if __name__ == "__main__":
    raise SystemExit(main())
