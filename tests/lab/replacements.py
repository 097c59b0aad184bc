# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""A server of small drives in a pool of two raidz2 vdevs, with its site, for replacing drives."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any

import yaml

from tests.lab.cohorts import HOLD, SUMS, busy, slow_resilver
from tests.lab.lab import Lab
from tests.lab.modules import call
from tests.lab.parts import Chassis, Drive, Port, make_chassis
from tests.lab.playbooks import Run, Site
from tests.lab.truth import members

BAY_MAP = [{"pattern": "pci-0000:00:08.0-scsi-0:0:{target}:*", "bay": "bay{target}"}]
BUILT = "built"
UNIT_SIZE = "320 MiB"


def chassis(drives: int = 6) -> Chassis:
    """Drives on targets that are their bays, behind an adapter that tells of a removal."""
    return make_chassis(f"replace{drives}", drives, unit_size=UNIT_SIZE, serial="OLD{bay}", memory=1536)


class Shop:
    """The server with what its team keeps about it."""

    def __init__(self, lab: Lab, folder: Path) -> None:
        self.lab = lab
        self.bays = range(len(lab.chassis.drives))
        lab.write_inventory(folder / "hosts.yml")
        (folder / "group_vars").mkdir(parents=True)
        policy = {"kind": "raidz", "parity": 2, "width": len(self.bays), "survive": {"drives": 2}}
        common = {
            "split_actuator_pool": {"name": "archive", "policy": policy},
            "split_actuator_bay_map": BAY_MAP,
            "split_actuator_health": False,
        }
        (folder / "group_vars" / "all.yml").write_text(yaml.safe_dump(common))
        self.drives_file = folder / "host_vars" / lab.chassis.name / "drives.yml"
        self.drives_file.parent.mkdir(parents=True)
        self.site = Site(lab, folder, lab.chassis.name)

    def built(self) -> None:
        """The pool as the playbook builds it, with files on it; kept as a checkpoint, which this goes back to."""
        known = self.lab.has_checkpoint(BUILT)
        if known:
            self.lab.restore(BUILT)
        drives = {
            f"bay{bay:02d}": {
                "serial": f"OLD{bay:02d}",
                "unit_bytes": self.lab.drive(bay).units[0].size,
                "wwns": [f"naa.{unit.wwn:016x}" for unit in self.lab.drive(bay).units],
            }
            for bay in self.bays
        }
        self.drives_file.write_text(yaml.safe_dump({"split_actuator_drives": drives}))
        if known:
            return
        self.site.refresh()
        self.site.playbook("build").check()
        self.lab.run(
            "set -e; zfs create -o primarycache=metadata archive/tide;"
            " for n in $(seq 40); do head -c 1500000 /dev/urandom > /archive/tide/$n; done; sync",
            timeout=300,
        )
        self.lab.run(SUMS + " > /root/sums; sync")
        self.lab.checkpoint(BUILT)

    @property
    def declared(self) -> dict[str, Any]:
        drives: dict[str, Any] = yaml.safe_load(self.drives_file.read_text())["split_actuator_drives"]
        return drives

    def book(self, *options: str, line: Any = None, **variables: Any) -> Run:
        """One run of the playbook replace_drive."""
        self.site.refresh()
        given = {"wait_seconds": 120, "follow_seconds": 600, "write_inventory": True, **variables}
        wanted = {f"split_actuator_{name}": value for name, value in given.items()}
        began = time.monotonic()
        done = self.site.playbook("replace_drive", "--diff", *options, variables=wanted, line=line)
        print(f"replace_drive {' '.join(options)} {variables}: {time.monotonic() - began:.0f} s, code {done.rc}")
        return done

    def step(self, step: str, leave: str, check: bool = False, **more: Any) -> dict[str, Any]:
        """One step by the module alone; failures included."""
        began = time.monotonic()
        done = call(self.lab, "drive_replacement", check=check, **self.options(step, leave, **more))
        print(f"{step} {leave}: {time.monotonic() - began:.0f} s; {done.get('msg', '')}")
        return done

    def options(self, step: str, leave: str, **more: Any) -> dict[str, Any]:
        """What the module is told for a step, units addressed as they are found."""
        given = {"pool": "archive", "leave": leave, "step": step, "bay_map": BAY_MAP, "declared": self.declared}
        return {**given, **more}

    def change(self, bay: int, serial: str, **keys: Any) -> Any:
        """For *line* of `book`: changes the drive in a bay as soon as the playbook asks for it.

        A resilver gets nowhere until the playbook watches it, as with a pool that takes hours for it.
        """
        done: list[Drive] = []

        def told(text: str) -> None:
            if "Now replace the drive in" in text and not done:
                self.lab.pull(bay)
                done.append(self.lab.push(self.lab.new_drive(bay, serial, **keys)))
                self.lab.run(f"echo 1 > {HOLD}")
            self.let_go(text)

        return told

    def let_go(self, text: str) -> None:
        """For *line* of `book`: lets a resilver run from when the playbook watches it."""
        if "replace | Watch the resilver" in text:
            self.lab.run(f"echo 0 > {HOLD}")

    def slow_resilver(self) -> AbstractContextManager[None]:
        """See `slow_resilver`."""
        return slow_resilver(self.lab)

    def further(self, bay: int, serial: str, **keys: Any) -> Drive:
        """A new drive in a bay that has had none, on the target of its number."""
        return self.lab.push(self.lab.new_drive(bay, serial, port=Port("hba0", bay), **keys))

    # --- what is true, told without our code

    def homes(self) -> dict[str, list[tuple[str, int]]]:
        """Each vdev with the drives and units behind its members, in order; all of them must be online."""
        found = members(self.lab, "archive")
        assert {member.state for some in found.values() for member in some} == {"ONLINE"}, found
        return {vdev: [(member.serial, member.unit) for member in some] for vdev, some in found.items()}

    def expected(self, **changed: str) -> dict[str, list[tuple[str, int]]]:
        """Where every unit belongs; *changed* has the serial that took the place of another one (OLD03=...)."""
        serials = [changed.get(f"OLD{bay:02d}", f"OLD{bay:02d}") for bay in self.bays]
        return {f"raidz2-{index}": [(serial, index) for serial in serials] for index in (0, 1)}

    def scans(self) -> list[str]:
        """What the pool's own history tells of scans: set up, done, aborted, oldest first."""
        text = self.lab.run("zpool history -i archive").out
        return [match.group(0) for match in re.finditer(r"scan (?:setup func=\d+|done|aborted)", text)]

    def whole(self) -> None:
        """The files are as they were, everything is online, and a scrub finds nothing."""
        assert self.lab.run("cd /archive/tide && sha256sum --quiet -c /root/sums", timeout=300).out == ""
        self.lab.run("zpool wait -t resilver archive; zpool scrub -w archive", timeout=600)
        told = self.lab.run("zpool status -x archive; zpool status archive").out
        assert "pool 'archive' is healthy" in told, told
        assert "with 0 errors" in told, told
        assert "No known data errors" in told, told

    def busy(self) -> AbstractContextManager[None]:
        """See `busy`."""
        return busy(self.lab)

    @contextmanager
    def unchanged(self) -> Iterator[None]:
        """Every byte of every drive, and the pool's members, are the same afterwards as before."""
        self.lab.run("zpool sync; sync; udevadm settle; sleep 6")
        status = self.lab.run("zpool status -g archive | grep -v scan:").out
        before = self.lab.content_hashes()
        yield
        assert self.lab.content_hashes() == before
        assert self.lab.run("zpool status -g archive | grep -v scan:").out == status

    @contextmanager
    def untold(self) -> Iterator[None]:
        """OpenZFS was told nothing and did nothing of its own, by its own log on the drives.

        For a running scan, which writes its state to every drive every few seconds.
        """
        told = "zpool status -g archive | grep -v 'scan:\\| scanned\\|done'"
        log = f"zpool sync archive; zpool history -i archive; {told}"
        before = self.lab.run(log).out
        yield
        assert self.lab.run(log).out == before
