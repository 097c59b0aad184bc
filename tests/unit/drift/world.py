# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""A server as a check sees it, all as declared; tests change one thing. The pool is one recorded in the lab."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core import names, onhost
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.declared import complete
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift import observe
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.declaring import declaration
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.examine import examine
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.disks import Blocks, Disk, Partition
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.sight import Sight
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import to_plain
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.record import HostRecord
from tests.checkout import REPO

SIZE = 9 * 10**12
NOW = 1_790_000_000.0  # 2026-09-21T14:13:20Z
DAY = 86400
GUID = "5808955905358710238"
HOSTID = 0x00C0FFEE
BAY_MAP = [{"pattern": "pci-0000:00:08.0-sas-phy{phy}-lun-*", "bay": "bay{phy}"}]
DISCOVERY = {"bay_map": BAY_MAP, "enclosures": {}, "bay_sources": ["enclosure", "sas", "map", "serial"]}
RUNNING = {"LoadState": "loaded", "ActiveState": "active", "UnitFileState": "enabled", "Result": "success"}
OFF = {"LoadState": "loaded", "ActiveState": "inactive", "UnitFileState": "disabled", "Result": "success"}


def serial(bay: int) -> str:
    return f"ACT{100 + bay}"


def wwn(bay: int, index: int) -> str:
    return f"naa.5000ace2000{bay:03d}{index}0"


def disk(bay: int, index: int, phy: int | None = None) -> Disk:
    number = 2 * bay + index
    name = f"sd{chr(ord('a') + number)}"
    link = f"/dev/disk/by-vdev/bay{bay:02d}.{index}"
    part = Partition(1, f"{name}1", f"/dev/{name}1", f"8:{16 * number + 1}", 1 << 20, SIZE, links=(f"{link}-part1",))
    return Disk(
        name, f"/dev/{name}", f"8:{16 * number}", f"/sys/{name}", "scsi", "ACTWO", "ACTW-D9", "0001", serial(bay),
        target=f"0:0:{bay}", lun=index, wwid=wwn(bay, index), size=SIZE, logical_block=512, physical_block=4096,
        id_path=f"pci-0000:00:08.0-sas-phy{bay if phy is None else phy}-lun-{index}", links=(link,), partitions=(part,),
    )  # fmt: skip


def recorded() -> dict[str, Any]:
    pool: dict[str, Any] = json.loads((REPO / "tests/data/zpool/built-2.3.9.json").read_text())
    return pool


@dataclass
class World:
    """What is declared, and what is there."""

    disks: list[Disk] = field(default_factory=lambda: [disk(bay, index) for bay in range(12) for index in (0, 1)])
    status: dict[str, Any] = field(default_factory=recorded)
    services: dict[str, dict[str, str]] = field(
        default_factory=lambda: {
            name: dict(OFF if name.startswith("zfs-import") else RUNNING) for name in observe.SERVICES
        }
    )
    properties: dict[str, str] = field(
        default_factory=lambda: {"ashift": "12", "autoreplace": "off", "feature@draid": "enabled"}
    )
    root: dict[str, str] = field(default_factory=lambda: {"compression": "lz4", "recordsize": "1048576"})
    options: dict[str, Any] = field(default_factory=dict)
    seen: dict[str, Any] = field(default_factory=dict)
    leads: dict[str, str] = field(default_factory=dict)
    rcs: dict[tuple[str, ...], tuple[int, str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.options = {
            **DISCOVERY,
            "host": "ebb01",
            "declared": {
                f"bay{bay:02d}": {
                    "serial": serial(bay), "model": "ACTW-D9", "unit_bytes": SIZE,
                    "wwns": [wwn(bay, index) for index in (0, 1)],
                }
                for bay in range(12)
            },
            "bays": ["bay[00:11]"],
            "models": {"ACTW-D9": {"unit_count": 2}},
            "pool": {
                "name": "archive",
                "policy": {"kind": "raidz", "parity": 2, "width": 12, "survive": {"drives": 2}},
                "root_settings": {"recordsize": "1M"},
                "features": "all",
            },
            "hostid": f"{HOSTID:08x}",
            "scrub_days": 30,
            "kept": True,
        }  # fmt: skip
        wish = declaration(self.options)
        inventory = onhost.Inventory("ebb01", wish.drives, wish.pool, wish.discovery, wish.about)
        self.seen = {
            "at": NOW,
            "uid": 0,
            "states": {"archive": "ONLINE"},
            "zfs": True,
            "files": {
                "rules": names.udev_rules(complete(wish.drives, ())),
                "inventory": onhost.to_text(inventory),
                "health": json.dumps({"upkeep": {"scrub_days": 30, "short_days": 7, "long_days": 0}}),
                "scrubs": json.dumps({GUID: int(NOW) - 5 * DAY}),
            },
            "cache": ["archive"],
            "programs": {"health": "0.1.0", "drift": "0.1.0"},
            "hostid": HOSTID,
            "hostid_kept": HOSTID,
            "kernel": "6.12.1",
            "system": "Debian GNU/Linux 13 (trixie)",
            "module": "2.3.9-1",
        }

    @property
    def pool(self) -> dict[str, Any]:
        pool: dict[str, Any] = self.status["pools"]["archive"]
        return pool

    def vdev(self, name: str) -> dict[str, Any]:
        found: dict[str, Any] = self.pool["vdevs"]["archive"]["vdevs"][name]
        return found

    def member(self, name: str) -> dict[str, Any]:
        """The member of this unit name, such as C(bay03.1)."""
        for vdev in self.pool["vdevs"]["archive"]["vdevs"].values():
            for key, one in vdev["vdevs"].items():
                if f"/{name}-part" in key:
                    found: dict[str, Any] = one
                    return found
        raise LookupError(name)

    def drop(self, *bays: int, index: int | None = None) -> None:
        """Take drives, or one unit of them, out."""
        self.disks = [
            one for one in self.disks
            if not (int(one.target.rsplit(":", 1)[-1]) in bays and index in (None, one.lun))
        ]  # fmt: skip

    def alter(self, bay: int, index: int | None, **facts: Any) -> None:
        """Change facts of a drive's disks."""
        self.disks = [
            replace(one, **facts) if one.target == f"0:0:{bay}" and index in (None, one.lun) else one
            for one in self.disks
        ]

    def observed(self) -> dict[str, Any]:
        """What the reading on the host would give, as it crosses to the controller."""
        links = {link: one.node for one in self.disks for link in one.links}
        links.update({link: part.node for one in self.disks for part in one.partitions for link in part.links})
        links.update(self.leads)
        text = "\n".join(
            "".join(f"{key}={value}\n" for key, value in {"Id": name, **facts}.items())
            for name, facts in self.services.items()
        )
        told = {
            observe.VERSION_ARGV: "zfs-2.3.9-1\nzfs-kmod-2.3.9-1\n",
            observe.JSON_ARGV: json.dumps(self.status),
            observe.POOL_ARGV: "".join(f"archive\t{name}\t{value}\n" for name, value in self.properties.items()),
            (*observe.ROOT_ARGV, "all"): "".join(f"archive\t{name}\t{value}\n" for name, value in self.root.items()),
            (*observe.SERVICE_ARGV, "all"): text,
        }
        commands = [
            {
                "argv": list(argv),
                "rc": self.rcs.get(argv, (0, ""))[0],
                "out": out,
                "err": self.rcs.get(argv, (0, ""))[1],
            }
            for argv, out in told.items()
        ]
        sight = Sight(Blocks(tuple(self.disks), ()), links=links)
        prefix = observe.UNITS_DIRECTORY + "/"
        seen = {
            **self.seen,
            "sight": to_plain(sight),
            "names": {link[len(prefix):]: node for link, node in links.items() if link.startswith(prefix)},
            "nodes": links,
            "commands": commands,
        }  # fmt: skip
        crossed: dict[str, Any] = json.loads(json.dumps(seen))
        return crossed

    def record(self, earlier: HostRecord | None = None) -> HostRecord:
        return examine(self.observed(), declaration(self.options), earlier)

    def codes(self) -> list[tuple[str, str, str]]:
        """Code, severity and subject of each finding."""
        return [(one.code, one.severity, one.subject) for one in self.record().findings]


Change = Callable[[World], object]
