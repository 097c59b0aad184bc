# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The server of chassis C(cohorts) with its site: a pool on some drives, files on it, and who reads and writes."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any

import yaml

from tests.lab.lab import Lab
from tests.lab.modules import call
from tests.lab.playbooks import Run, Site

SIZE = 300 << 20
HOLD = "/sys/module/zfs/parameters/zfs_scan_suspend_progress"  # zfs(4)
SUMS = "cd /archive/tide && find . -type f | sort | xargs sha256sum"
POLICY = {"kind": "raidz", "parity": 2, "width": 6, "survive": {"drives": 2}}
# As long as /run/busy is there: writes a file, reads it back, and reads one of the old files against its checksum, all
# from the disks, not from memory (primarycache), with a pause that leaves an emulated machine time for other things.
BUSY = r"""
touch /run/busy
zfs list archive/busy > /dev/null 2>&1 || zfs create -o primarycache=metadata archive/busy
(
  renice -n 19 -p $BASHPID
  n=0 files=$(wc -l < /root/sums)
  while [ -e /run/busy ]; do
    n=$((n+1)) to=/archive/busy/$((n%8))
    head -c 200000 /dev/urandom > /run/busy.data
    cp /run/busy.data $to && cmp /run/busy.data $to || echo "round $n" >> /run/busy.bad
    (cd /archive/tide && sed -n "$((n%files+1))p" /root/sums | sha256sum --quiet -c) >> /run/busy.bad 2>&1
    echo $n > /run/busy.rounds
    sleep 2
  done
  touch /run/busy.ended
) < /dev/null > /dev/null 2>&1 &
"""


@contextmanager
def busy(lab: Lab) -> Iterator[None]:
    """While it lasts, files are written and read back, and the old ones are read against their checksums."""
    lab.run("rm -f /run/busy*; " + BUSY)
    yield
    rounds = int(lab.run("rm /run/busy; until [ -e /run/busy.ended ]; do sleep 1; done; cat /run/busy.rounds").out)
    print(f"{rounds} rounds of reading and writing")
    assert rounds > 2
    assert lab.run("cat /run/busy.bad", check=False).out == "", "what was read is not what was written"


@contextmanager
def slow_resilver(lab: Lab) -> Iterator[None]:
    """While it lasts, a resilver that begins gets nowhere: this pool is filled in seconds, a real one in hours."""
    lab.run(f"echo 1 > {HOLD}")
    yield
    lab.run(f"echo 0 > {HOLD}")


class Server:
    """A server of cohorts of drives, with what its team keeps about it."""

    def __init__(self, lab: Lab, folder: Path, policy: dict[str, Any] | None = None) -> None:
        policy = policy or POLICY
        self.lab = lab
        lab.write_inventory(folder / "hosts.yml")
        self.policy = policy
        (folder / "group_vars").mkdir(parents=True)
        common = {"split_actuator_pool": {"name": "archive", "policy": policy}, "split_actuator_health": False}
        (folder / "group_vars" / "all.yml").write_text(yaml.safe_dump(common))
        self.site = Site(lab, folder, lab.chassis.name)

    def slow_resilver(self) -> AbstractContextManager[None]:
        """See `slow_resilver`."""
        return slow_resilver(self.lab)

    def declared(self, bays: Iterable[int], **serials: str) -> dict[str, Any]:
        """The declared drives of these bays; *serials* by bay name where another drive is in one."""
        return {
            f"bay{bay:02d}": {
                "serial": serials.get(f"bay{bay:02d}", f"COH{bay:02d}"),
                "unit_bytes": self.lab.drive(bay).units[0].size,
                "wwns": [f"naa.{unit.wwn:016x}" for unit in self.lab.drive(bay).units],
            }
            for bay in bays
        }

    def book(self, name: str, drives: dict[str, Any], *options: str, **variables: Any) -> Run:
        self.site.refresh()
        return self.site.playbook(name, *options, variables={"split_actuator_drives": drives, **variables})

    def built(self, bays: Iterable[int], tag: str) -> None:
        """The pool on the drives of these bays, made by the playbook, with files on it, as checkpoint *tag*."""
        if self.lab.has_checkpoint(tag):
            return
        self.book("build", self.declared(bays)).check()
        self.lab.run(
            "set -e; zfs create -o primarycache=metadata archive/tide;"
            " for n in 1 2 3 4 5 6 7 8; do head -c 4000000 /dev/urandom > /archive/tide/$n; done; sync",
            timeout=300,
        )
        self.lab.run(SUMS + " > /root/sums; sync")
        self.lab.checkpoint(tag)

    def status(self) -> str:
        return self.lab.run("zpool status -P archive").out

    def members(self) -> list[tuple[str, list[str]]]:
        """Each top-level vdev with the names under it, as zpool status prints them, spares in brackets of their own."""
        rows = re.findall(r"^\t( *)(\S+) +[A-Z]+", self.lab.run("zpool status archive").out, re.MULTILINE)
        found: list[tuple[str, list[str]]] = []
        for indent, name in rows:
            if len(indent) == 2 and re.match("raidz|mirror", name):
                found.append((name, []))
            elif len(indent) >= 4 and found:
                found[-1][1].append(name)
        return found

    def whole(self) -> None:
        """The pool is well: files as they were, everything online, and a scrub finds nothing."""
        assert self.lab.run("cd /archive/tide && sha256sum --quiet -c /root/sums").out == ""
        self.lab.run("zpool scrub -w archive", timeout=300)
        told = self.lab.run("zpool status -x archive; zpool status archive").out
        assert "pool 'archive' is healthy" in told, told
        assert "with 0 errors" in told, told

    @contextmanager
    def busy(self) -> Iterator[None]:
        """While it lasts, files are written and read back, and the old ones are read against their checksums."""
        with busy(self.lab):
            yield

    @contextmanager
    def unchanged(self) -> Iterator[None]:
        """Every byte of every drive is the same afterwards as before."""
        self.lab.run("zpool sync; sync; udevadm settle; sleep 6")
        before = self.lab.content_hashes()
        yield
        assert self.lab.content_hashes() == before

    def refused(self, module: str, **options: Any) -> dict[str, Any]:
        """A refusal, in check mode and of a real run alike."""
        predicted = call(self.lab, module, check=True, **options)
        result = call(self.lab, module, **options)
        assert result.get("failed"), json.dumps(result)
        assert predicted["msg"] == result["msg"], (predicted["msg"], result["msg"])
        return result


def until(true: Callable[[], bool], seconds: float = 60, what: str = "it") -> None:
    """Wait for something that comes by itself."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, f"{what} did not come in {seconds:g} s"
        time.sleep(1)


def raidz(bays: Iterable[int], index: int, parity: int = 2, size: int = SIZE) -> dict[str, Any]:
    """A vdev of the units with this index."""
    members = [{"serial": f"COH{bay:02d}", "index": index, "bay": f"bay{bay:02d}", "size": size} for bay in bays]
    return {"kind": "raidz", "parity": parity, "members": members}


def cohorts(*groups: Iterable[int]) -> dict[str, Any]:
    """The layout of these cohorts: a vdev for each unit index of each."""
    return {"vdevs": [raidz(list(group), index) for group in groups for index in (0, 1)]}
