# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The server that the faults happen to: a pool on six drives, and drives beside it that must never change.

bay06 holds a file system, bay07 a member of another pool (exported), bays 08 and 09 the pool C(careless): a
single-parity vdev with both units of each drive in it, so that one pull suspends it. Six empty drives follow, for a
replacement and for growth.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from tests.lab.errors import LabError
from tests.lab.lab import Lab
from tests.lab.modules import call
from tests.lab.truth import members

MEMBERS = range(6)
FILE_SYSTEM, FOREIGN, CARELESS, FRESH = 6, 7, (8, 9), range(10, 16)
LEAVING = 2  # the bay of the drive that a replacement takes out
BYSTANDERS: list[tuple[int | str, int]] = [(bay, unit) for bay in (FILE_SYSTEM, FOREIGN) for unit in (0, 1)]
UNIT_BYTES = 2**30
POLICY = {"kind": "raidz", "parity": 2, "width": 6, "survive": {"drives": 2}}
SUMS = "cd /archive && sha256sum --quiet -c /archive/.sums"


class Server:
    """One lab with its declared drives. It does what a controller would do."""

    def __init__(self, lab: Lab) -> None:
        self.lab = lab
        # Read now: a fault may pull a drive, and then its bay is empty.
        self.serials = {bay: lab.drive(bay).serial for bay in range(FRESH.stop)}
        self.declared = self._declared(MEMBERS)
        # Another pool's drive is refused at an import unless it is declared as such.
        self.declared[f"bay{FOREIGN:02d}"] = {"serial": self.serials[FOREIGN], "use": "other"}

    def pool(self, state: str, **more: Any) -> dict[str, Any]:
        """A run of pool."""
        options = {"pool": "archive", "layout": {"vdevs": self._vdevs(MEMBERS)}, "declared": self.declared, **more}
        return call(self.lab, "pool", state=state, **options)

    def grow(self) -> dict[str, Any]:
        """A run of pool that adds the empty drives as two more vdevs."""
        layout = {"vdevs": [*self._vdevs(MEMBERS), *self._vdevs(FRESH)]}
        return self.pool("grown", layout=layout, declared={**self.declared, **self._declared(FRESH)})

    def replace(self, step: str, leaving: int = LEAVING, **more: Any) -> dict[str, Any]:
        """A run of drive_replacement for one step: the first empty drive takes the place of the one in a bay."""
        leave, enter = self.serials[leaving], self.serials[FRESH[0]]
        options = {"pool": "archive", "leave": leave, "enter": enter, "declared": self.declared, **more}
        return call(self.lab, "drive_replacement", step=step, **options)

    def _declared(self, bays: Iterable[int]) -> dict[str, dict[str, Any]]:
        return {
            f"bay{bay:02d}": {
                "serial": self.lab.drive(bay).serial,
                "unit_bytes": UNIT_BYTES,
                "wwns": [f"naa.{unit.wwn:016x}" for unit in self.lab.drive(bay).units],
            }
            for bay in bays
        }

    def _vdevs(self, bays: Iterable[int]) -> list[dict[str, Any]]:
        """Both vdevs of some drives, as the roles hand them to pool."""
        return [
            {
                "kind": "raidz",
                "parity": 2,
                "members": [
                    {"serial": self.serials[bay], "index": index, "bay": f"bay{bay:02d}", "size": UNIT_BYTES}
                    for bay in bays
                ],
            }
            for index in (0, 1)
        ]

    # --- the beginnings of the stages

    def set_up(self) -> None:
        """The drives beside the pool, and what the faults need on the host."""
        node = {(bay, unit): self._node(bay, unit) for bay in (FILE_SYSTEM, FOREIGN, *CARELESS) for unit in (0, 1)}
        filed, foreign = node[FILE_SYSTEM, 0], node[FOREIGN, 0]
        careless = " ".join(node[bay, unit] for bay in CARELESS for unit in (0, 1))
        self.lab.run(
            "set -e; modprobe zfs;"
            f" mkfs.ext4 -q -E nodiscard {filed}; mount {filed} /mnt; echo tide > /mnt/table; umount /mnt;"
            f" zpool create -O mountpoint=none foreign {foreign}; zpool export foreign;"
            f" zpool create -f -O mountpoint=none careless raidz1 {careless};"
            " udevadm settle; sync",
            timeout=600,
        )

    def build(self) -> None:
        """The pool with files and their checksums."""
        self.require(self.pool("present"))
        self.lab.run(
            "set -e; zfs create archive/tide; for n in 1 2 3 4 5 6 7 8; do"
            " head -c 1500000 /dev/urandom > /archive/tide/$n; done;"
            " cd /archive && sha256sum tide/* > .sums; zpool sync archive",
            timeout=300,
        )

    @staticmethod
    def require(result: dict[str, Any]) -> dict[str, Any]:
        """This result. Raises LabError when the run failed."""
        if result.get("failed"):
            raise LabError(f"{result.get('msg', result)}")
        return result

    # --- what must be true afterwards

    def bystanders(self) -> list[str]:
        """Hashes of the drives that no job may touch."""
        return self.lab.content_hashes(BYSTANDERS, sync=False)

    def serving(self, sure: bool = False) -> None:
        """Import the pool with OpenZFS alone if it is not imported, as a boot with enough time does.

        Raises LabError when that fails and *sure* is set.
        """
        self.lab.run("zpool list archive || zpool import -d /dev/disk/by-id archive", check=sure, timeout=300)

    def places(self) -> list[list[tuple[str, int]]]:
        """Which unit of which drive each vdev holds, in order."""
        return [[(one.serial, one.unit) for one in some] for some in members(self.lab, "archive").values()]

    def expected(self, *cohorts: Iterable[int]) -> list[list[tuple[str, int]]]:
        """C(places) with the drives of these bays, two vdevs for each group of them."""
        return [[(self.serials[bay], index) for bay in bays] for bays in cohorts for index in (0, 1)]

    def check_pool(self, files: bool) -> None:
        """The pool has its declared layout and all members, scrubs without an error, and its files are intact."""
        found = members(self.lab, "archive")
        for vdev, members_of in found.items():
            serials = [one.serial for one in members_of if one.state == "ONLINE"]
            if len(set(serials)) != len(members_of) or len(serials) != len(members_of):
                raise LabError(f"{vdev} holds {members_of}")
        if len(found) < 2:
            raise LabError(f"the pool has the vdevs {found}")
        self.lab.run("zpool scrub -w archive", timeout=600)
        status = self.lab.run("zpool status archive").out
        if "No known data errors" not in status or "with 0 errors" not in status:
            raise LabError(status)
        if files:
            self.lab.run(SUMS, timeout=300)

    def _node(self, bay: int, unit: int) -> str:
        return "/dev/" + str(self.lab.guest_unit(bay, unit)["block"])
