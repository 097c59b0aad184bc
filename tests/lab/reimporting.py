# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""A small server with a filled pool for the tests of reimporting: what a team keeps, and what must not change."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import yaml

from tests.lab.lab import Lab
from tests.lab.modules import call
from tests.lab.playbooks import Run, Site

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
        self.site = Site(lab, folder, "reimport")
        self.sums = ""

    def book(self, name: str, *options: str, **variables: Any) -> Run:
        self.site.refresh()
        return self.site.playbook(name, *options, variables=variables)

    @property
    def options(self) -> dict[str, Any]:
        """What the role hands to pool."""
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
        return call(self.lab, "pool", check=check, state="imported", **{**self.options, **more})

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


def built(labs: Any, folder: Path) -> Server:
    """The server as built by the playbook, with files on its pool, kept as checkpoint `BUILT`."""
    one = Server(labs.get("reimport"), folder)
    if one.lab.has_checkpoint(BUILT):
        one.lab.restore(BUILT)
        one.sums = one.lab.run(SUMS).out
        return one
    one.book("build").check()
    one.fill()
    one.lab.checkpoint(BUILT)
    return one
