# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""One change of a server for every code: what makes it true. `test_codes` clears each again."""

# mypy: disable-error-code="func-returns-value"
from __future__ import annotations

from dataclasses import replace
from typing import Any

from .world import DAY, NOW, Change, World, disk, serial, wwn

POOL, VDEV = "pool archive", "raidz2-0"


def state(world: World, name: str, word: str) -> None:
    world.member(name)["state"] = word


def with_spares(world: World) -> None:
    """Two cohorts' worth is not there: a spare drive is asked for, so the layout is of eleven drives and a spare."""
    world.options["pool"]["policy"].update(width=11, spares=1)
    for index in (0, 1):
        vdev = world.vdev(f"raidz2-{index}")
        key = next(key for key in vdev["vdevs"] if f"bay11.{index}" in key)
        spare = vdev["vdevs"].pop(key)
        spare["state"] = "AVAIL"
        world.pool.setdefault("spares", {})[key] = spare


def stands_in(world: World, *pairs: tuple[str, str]) -> None:
    """In each pair's first place, the unit named second stands in, as a spare of the pool."""
    with_spares(world)
    spares = world.pool["spares"]
    for number, (name, unit) in enumerate(pairs):
        key = next(key for key in spares if unit in key)
        spares[key]["state"] = "INUSE"
        for vdev in ("raidz2-0", "raidz2-1"):
            places = world.vdev(vdev)["vdevs"]
            for mine in [one for one in places if name in one]:
                lost = places.pop(mine)
                both = {mine: {**lost, "state": "REMOVED"}, key: {**spares[key], "state": "ONLINE", "class": "normal"}}
                places[f"spare-{number}"] = {"name": f"spare-{number}", "vdev_type": "spare", "guid": f"77{number}",
                                             "class": "normal", "state": "DEGRADED", "vdevs": both}  # fmt: skip


def swap_members(world: World) -> None:
    """What is laid out for the other vdev, by hand: bay02.0 and bay02.1 in each other's place."""
    one, other = world.vdev("raidz2-0")["vdevs"], world.vdev("raidz2-1")["vdevs"]
    first, second = (next(key for key in found if "bay02" in key) for found in (one, other))
    one[second], other[first] = other.pop(second), one.pop(first)


def siblings(world: World) -> None:
    """bay03.1 takes the place of bay02.0: both units of bay 3 in one vdev."""
    one, other = world.vdev("raidz2-0")["vdevs"], world.vdev("raidz2-1")["vdevs"]
    mine = next(key for key in one if "bay02" in key)
    theirs = next(key for key in other if "bay03" in key)
    one[theirs], other[mine] = other.pop(theirs), one.pop(mine)


def scan(world: World, **facts: Any) -> None:
    world.pool["scan_stats"] = {"function": "SCRUB", "state": "FINISHED", "start_time": int(NOW) - 7200,
                                "end_time": int(NOW) - 3600, "errors": 0, **facts}  # fmt: skip


def foreign(world: World) -> None:
    world.member("bay05.0").update(path="/dev/disk/by-id/wwn-0x5000aceaaaa00000-part1", phys_path="", name="other")


def other_pool(world: World) -> None:
    found = world.status["pools"].pop("archive")
    found["name"] = "old"
    world.status["pools"]["old"] = found
    world.seen["states"] = {"old": "ONLINE"}


def paths(world: World) -> None:
    """Drive 4 is cabled twice."""
    world.disks += [replace(one, name=one.name + "x", node=one.node + "x", target="1:0:4")
                    for one in world.disks if one.target == "0:0:4"]  # fmt: skip


def service(name: str, **facts: str) -> Change:
    return lambda world: world.services[name].update(facts)


def option(**values: Any) -> Change:
    return lambda world: world.options.update(values)


def seen(**values: Any) -> Change:
    return lambda world: world.seen.update(values)


def kept(**texts: str) -> Change:
    return lambda world: world.seen["files"].update(texts)


def altered(bay: int, index: int | None, **facts: Any) -> Change:
    return lambda world: world.alter(bay, index, **facts)


def policy(**values: Any) -> Change:
    return lambda world: world.options["pool"].update(values)


ACCEPT = {"code": "drive_missing", "reason": "away for a trial", "until": "2026-12-31"}

CASES: dict[str, Change] = {
    "drive_missing": lambda w: w.drop(7),
    "drive_moved": lambda w: (w.drop(7), w.disks.extend(replace(disk(7, i, phy=12)) for i in (0, 1))),
    "drive_undeclared": lambda w: w.options["declared"].pop("bay07"),
    "half_visible": lambda w: w.drop(7, index=1),
    "more_units": lambda w: w.options["declared"]["bay07"].update(unit_count=1, wwns=[wwn(7, 0)]),
    "serial_collision": lambda w: w.disks.append(replace(disk(11, 0), name="sdz", node="/dev/sdz", target="1:0:9",
                                                         wwid=wwn(44, 0), id_path="", links=(), partitions=())),
    "serial_missing": altered(7, None, serial=""),
    "duplicate_wwn": lambda w: w.alter(7, None, wwid=wwn(6, 0)),
    "wwn_missing": altered(7, 0, wwid=""),
    "wwn_differs": altered(7, 0, wwid=wwn(66, 0)),
    "model_differs": altered(7, None, model="SPLIT3X"),
    "unit_size": altered(7, 0, size=8 * 10**12),
    "block_size_differs": altered(7, 0, logical_block=4096),
    "sector_format": altered(7, 0, logical_block=520),
    "protection_information": altered(7, 0, protection=1),
    "firmware_differs": altered(7, None, firmware="0002"),
    "too_few_paths": option(paths_per_unit=2),
    "unmanaged_paths": paths,
    "bay_unknown": altered(7, None, id_path="elsewhere"),
    "bay_unclear": altered(7, None, id_path="pci-0000:00:08.0-sas-phy6-lun-0"),
    "bays_unconfirmed": option(bay_map=[]),
    "support_missing": option(support_devices=["naa.5000ace2bb000010"]),
    "ranges_unconfirmed": lambda w: (w.drop(7, index=1),
                                     w.options["declared"]["bay07"].update(ranges={"equal": 2}, wwns=[])),
    "table_foreign": lambda w: (w.drop(7, index=1),
                                w.alter(7, 0, ranges=((0, 45 * 10**11), (45 * 10**11, 45 * 10**11)))),
    "unreadable_identity": altered(7, 0, faults=("page 83h is damaged",)),
    "udev_silent": lambda w: [w.alter(bay, None, id_path="", links=(), partitions=()) for bay in range(12)],
    "name_missing": lambda w: w.alter(7, 0, links=(), partitions=()),
    "name_misleads": lambda w: w.leads.update({"/dev/disk/by-vdev/bay07.0": "/dev/sda"}),
    "name_stray": lambda w: w.leads.update({"/dev/disk/by-vdev/bay44.0": "/dev/sdq"}),
    "rules_missing": lambda w: w.seen["files"].pop("rules"),
    "rules_differ": lambda w: w.seen["files"].update(
        rules=w.seen["files"]["rules"].replace(wwn(7, 1)[4:], wwn(55, 1)[4:])),
    "names_contested": kept(aliases="alias d0 /dev/disk/by-id/wwn-0x5000\n"),
    "siblings_together": siblings,
    "member_misplaced": swap_members,
    "member_absent": foreign,
    "member_foreign": foreign,
    "vdev_differs": lambda w: w.options["pool"]["policy"].update(parity=3, survive={"drives": 2}),
    "spare_exposed": with_spares,
    "spare_doubled": lambda w: stands_in(w, ("bay01.1", "bay11.0"), ("bay02.1", "bay11.1")),
    "spare_divided": lambda w: stands_in(w, ("bay01.0", "bay11.0"), ("bay02.1", "bay11.1")),
    "spare_undeclared": lambda w: (with_spares(w), w.options["pool"]["policy"].update(width=12, spares=0)),
    "support_differs": policy(support=[{"role": "log", "devices": ["naa.5000ace2bb000010"]}]),
    "margin_low": lambda w: state(w, "bay03.0", "FAULTED"),
    "pool_missing": lambda w: (w.status["pools"].clear(), w.seen.update(states={})),
    "pool_unreadable": lambda w: w.rcs.update({("zpool", "status", "-j", "-P", "--json-int"): (1, "no /dev/zfs")}),
    "pool_suspended": lambda w: (w.pool.update(state="SUSPENDED"), w.seen.update(states={"archive": "SUSPENDED"})),
    "pool_degraded": lambda w: w.pool.update(state="DEGRADED"),
    "pool_undeclared": other_pool,
    "member_failed": lambda w: state(w, "bay03.0", "FAULTED"),
    "member_errors": lambda w: w.member("bay03.0").update(checksum_errors=7),
    "member_path": lambda w: w.member("bay03.0").update(path="/dev/sdg1"),
    "data_errors": lambda w: w.pool.update(error_count=2),
    "resilver_running": lambda w: scan(w, function="RESILVER", state="SCANNING"),
    "spare_in_use": lambda w: (with_spares(w), next(iter(w.pool["spares"].values())).update(state="INUSE")),
    "scrub_old": kept(scrubs='{"5808955905358710238": %d}' % (NOW - 40 * DAY)),
    "scrub_errors": lambda w: scan(w, errors=3),
    "features_disabled": lambda w: w.properties.update({"feature@draid": "disabled"}),
    "property_differs": lambda w: w.root.update(recordsize="131072"),
    "hostid_differs": seen(hostid=1, hostid_kept=1),
    "hostid_unkept": seen(hostid_kept=0),
    "boot_import": seen(cache=[]),
    "service_missing": option(services=["nfs-server.service"]),
    "service_failed": service("smartmontools.service", ActiveState="failed", Result="exit-code"),
    "service_stopped": service("evenkeel-health.service", ActiveState="inactive"),
    "timer_stopped": service("evenkeel-scrub.timer", ActiveState="inactive"),
    "service_disabled": service("evenkeel-scrub.timer", UnitFileState="disabled"),
    "program_outdated": lambda w: w.seen["programs"].update(health="0.0.9"),
    "zfs_versions_differ": seen(module="2.3.2-2"),
    "inventory_outdated": lambda w: w.seen["files"].update(
        inventory=w.seen["files"]["inventory"].replace(serial(7), "ACT999")),
    "acceptance_expired": lambda w: (w.drop(7), w.options.update(accepted=[{**ACCEPT, "until": "2026-01-31"}])),
    "acceptance_unused": option(accepted=[ACCEPT]),
}  # fmt: skip
"""Code to the change that makes it true on one server."""
