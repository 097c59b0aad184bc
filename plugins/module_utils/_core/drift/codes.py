# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Every code that a finding can have: the one list that code, reference page and tests share.

Codes are stable: the meaning of a code never changes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Dict, Tuple

from ..model import Finding

SEVERITIES = ("info", "warning", "error")
AREAS = {
    "inventory": "drives and bays against the declared inventory",
    "names": "the units' names on the host",
    "layout": "the pool's members against the planned layout",
    "pool": "the pool itself",
    "host": "settings and services of the host",
    "fleet": "a host against the other hosts of its class",
    "drift": "the comparison itself",
}


@dataclass(frozen=True)
class Code:
    """What a code means and what to do. *severities*: the usual one first."""

    name: str
    area: str
    severities: Tuple[str, ...]
    means: str
    remedy: str


def _code(name: str, area: str, severity: str, means: str, remedy: str) -> Code:
    return Code(name, area, tuple(severity.split()), means, remedy)


_ALL = (
    # Inventory
    _code("drive_missing", "inventory", "error", "No drive on the host has the declared serial.",
          "Seat or replace the drive. If another drive belongs there, run survey."),
    _code("drive_moved", "inventory", "error",
          "The drive is in another bay than declared. Its units keep their declared names.",
          "Put it back, or run survey and then disk_inventory."),
    _code("drive_undeclared", "inventory", "warning",
          "A drive with several units, or any drive in a bay of the chassis, is not declared.",
          "Run survey to declare it, or remove it."),
    _code("half_visible", "inventory", "error",
          "The drive shows fewer units than it should. The finding names the missing unit.",
          "Rescan the adapter, then reseat the drive. If the unit stays missing, replace the drive."),
    _code("more_units", "inventory", "warning", "The drive shows more units than declared.",
          "Correct the declared number, or check that the right drive is in the bay."),
    _code("serial_collision", "inventory", "error", "Several drives report the same serial number.",
          "Remove one of them and ask its manufacturer. Neither can be declared."),
    _code("serial_missing", "inventory", "warning info", "The drive reports no serial number.",
          "It cannot be declared. Use another drive."),
    _code("duplicate_wwn", "inventory", "error", "Two units report the same WWN.",
          "Remove one of the drives and ask its manufacturer."),
    _code("wwn_missing", "inventory", "warning info", "The unit reports no WWN, so it has no name of its own.",
          "It can only be named by its path."),
    _code("wwn_differs", "inventory", "error", "The unit's WWN is not the declared one.",
          "If the drive is the right one, run survey to record its WWNs."),
    _code("model_differs", "inventory", "warning", "The model is not the declared one.",
          "Correct the declaration, or check that the right drive is in the bay."),
    _code("unit_size", "inventory", "error warning",
          "The unit is smaller (error) or larger (warning) than declared, or than most units of its model.",
          "A smaller unit cannot replace another one. Use a drive of the declared size."),
    _code("block_size_differs", "inventory", "warning",
          "The logical block size is not the declared one, or not that of most drives of the model.",
          "Reformatting destroys all data. Follow the manufacturer's instructions and your site's rules."),
    _code("sector_format", "inventory", "error",
          "The unit reports no size, or a block size that OpenZFS cannot use, such as 520 bytes.",
          "Follow the manufacturer's instructions. Reformatting destroys all data."),
    _code("protection_information", "inventory", "warning", "The unit is formatted with T10 protection information.",
          "OpenZFS does not use it. Reformatting destroys all data."),
    _code("firmware_differs", "inventory", "warning",
          "The firmware is not the declared one, or not that of most drives of the model.",
          "Ask the drive's manufacturer which one is right."),
    _code("too_few_paths", "inventory", "warning", "The unit has fewer paths than declared.",
          "Check cables and adapters."),
    _code("unmanaged_paths", "inventory", "error", "The unit has several paths and no multipath device.",
          "Configure multipathd to manage it."),
    _code("bay_unknown", "inventory", "warning", "Nothing on the host reports the bay of this drive.",
          "Find out which source should report it: enclosure services, the adapter, or split_actuator_bay_map."),
    _code("bay_unclear", "inventory", "error", "Sources contradict each other, or two drives claim one bay.",
          "Correct the map of bays, or remove the wrong source from split_actuator_bay_sources."),
    _code("bays_unconfirmed", "inventory", "info", "Nothing on the host reports bays, so a moved drive goes unnoticed.",
          "Declare split_actuator_bay_map for this class of servers."),
    _code("support_missing", "inventory", "error", "A device of a supporting vdev is missing.",
          "Seat or replace the device. After a replacement, declare the new WWN."),
    _code("ranges_unconfirmed", "inventory", "info", "The kernel does not confirm the declared ranges of the drive.",
          "Do nothing if the declared ranges are those of its data sheet."),
    _code("table_foreign", "inventory", "warning", "The partitions of a range-split drive do not match its ranges.",
          "See docs/range-split-drives.md. Its ranges cannot be used as units."),
    _code("unreadable_identity", "inventory", "error", "The drive's identification pages cannot be decoded.",
          "Do not use the drive. The firmware of the drive or the adapter is at fault."),
    _code("udev_silent", "inventory", "error", "udev's database has no entries for the disks.",
          "Check that systemd-udevd runs, then run udevadm trigger --subsystem-match=block --settle."),
    # Names
    _code("name_missing", "names", "warning", "The unit does not have its name.",
          "Run the role disk_inventory. If it has run, find out what else claims the name."),
    _code("name_misleads", "names", "error", "A unit's name points to another device.",
          "Do not use units by name until this is fixed: run the role disk_inventory, then find out what made the"
          " link."),
    _code("name_stray", "names", "info", "A name of this form belongs to no declared unit.",
          "Run the role disk_inventory, which removes it, or survey to declare the drive."),
    _code("rules_missing", "names", "warning", "The udev rules that name the units are missing on the host.",
          "Run the role disk_inventory."),
    _code("rules_differ", "names", "warning", "The udev rules do not match the declared drives.",
          "Run the role disk_inventory."),
    _code("names_contested", "names", "warning", "OpenZFS's own alias file names devices in the same directory.",
          "Remove /etc/zfs/vdev_id.conf. If two files define one name, it points to whichever device came last."),
    # Layout
    _code("siblings_together", "layout", "error warning",
          "A vdev holds several units of one drive. It is an error if losing that drive loses the vdev.",
          "Replace one of them with a unit of another drive. See docs/layout.md."),
    _code("member_misplaced", "layout", "warning", "A unit is a member of another vdev than planned.",
          "The pool may survive fewer failures than planned: compare with the playbook plan. To move members, replace"
          " them one by one."),
    _code("member_absent", "layout", "warning", "A unit that the layout contains is not a member of the pool.",
          "Replace the drive that took its place, or run grow for additional drives."),
    _code("member_foreign", "layout", "warning", "The pool has a member that the layout does not contain.",
          "Declare its drive, or replace the member with the planned unit."),
    _code("vdev_differs", "layout", "error", "A vdev has another type or parity than planned.",
          "A vdev's type cannot be changed. Correct the policy, or plan a new pool."),
    _code("spare_exposed", "layout", "warning",
          "An idle spare unit is in the pool, where OpenZFS's event daemon may use it without its sibling.",
          "Run the playbook spare_drives, which removes it from the pool again."),
    _code("spare_doubled", "layout", "error",
          "Two units of a spare drive are in one vdev. If that drive fails, the vdev loses both.",
          "Run the playbook spare_drives. If another spare drive is free, it moves one of them."),
    _code("spare_divided", "layout", "warning", "The units of a spare drive replace units of different drives.",
          "Replace these drives (playbook replace_drive). The spare is released once both are replaced."),
    _code("spare_undeclared", "layout", "info", "The pool has a spare that the layout does not contain.",
          "Declare it in the policy, or remove it."),
    _code("support_differs", "layout", "warning", "The pool's supporting vdevs are not the declared ones.",
          "Correct the declaration, or the pool by hand."),
    _code("margin_low", "layout", "warning error",
          "The pool survives fewer further drive failures than the policy promises. It is an error if it survives"
          " none.",
          "Go to the bays that other findings name. The next failure may lose data."),
    # Pool
    _code("pool_missing", "pool", "error", "The declared pool is not imported.",
          "Import it: run the playbook reimport, or zpool import by hand."),
    _code("pool_unreadable", "pool", "error", "OpenZFS's tools do not report the pools.",
          "See the message. After a kernel update, the module may not have been built."),
    _code("pool_suspended", "pool", "error", "The pool is suspended: all reads and writes wait.",
          "Reconnect its drives, then run zpool clear."),
    _code("pool_degraded", "pool", "warning error",
          "The pool or one of its vdevs is not fully online. It is an error if the pool cannot be used at all, or if"
          " its state is not known.",
          "Go to the bays that other findings name."),
    _code("pool_undeclared", "pool", "warning", "A pool other than the declared one uses declared drives.",
          "Declare it, or correct which drives are declared for this host."),
    _code("member_failed", "pool", "error warning",
          "A member does not serve, or its state is not known. It is a warning if somebody took the member offline.",
          "Go to the bay. Pulling a drive removes both its units: read about the playbook replace_drive first."),
    _code("member_errors", "pool", "warning", "A member counts read, write or checksum errors.",
          "See the unit's health. Once the cause is known and fixed, zpool clear resets the counts."),
    _code("member_path", "pool", "warning", "The pool uses a name for a member that is not stable.",
          "Export the pool and import it with the role pool_import, which uses the units' names."),
    _code("data_errors", "pool", "error", "OpenZFS has found damaged data.",
          "zpool status -v lists the files. Restore them from a backup."),
    _code("resilver_running", "pool", "info", "A resilver is running.",
          "Do not pull another drive before it has finished."),
    _code("spare_in_use", "pool", "warning", "A spare has taken the place of a failed member.",
          "Replace the failed drive. The spare is then free again."),
    _code("scrub_old", "pool", "warning",
          "No scrub has finished within 1.25 times the declared number of days (split_actuator_scrub_days).",
          "Run zpool scrub, and check that evenkeel-scrub.timer is active."),
    _code("scrub_errors", "pool", "error", "The last scrub found errors that it could not repair.",
          "zpool status -v lists the files. Restore them from a backup, then scrub again."),
    _code("features_disabled", "pool", "warning", "Pool features that should be enabled are not.",
          "Run zpool set feature@NAME=enabled. A host with an older OpenZFS can then no longer import the pool."),
    _code("property_differs", "pool", "warning", "A property of the pool or of its root dataset is not as declared.",
          "Run build, which sets it, or correct the declaration."),
    # Host
    _code("hostid_differs", "host", "error", "OpenZFS uses another host id than declared.",
          "Export the pools, then run the role pool_build or pool_import, which sets the declared id."),
    _code("hostid_unkept", "host", "warning", "The host will have another host id after the next boot.",
          "Declare split_actuator_hostid and run the role pool_build or pool_import."),
    _code("boot_import", "host", "warning", "The pool will not be imported at the next boot.",
          "Run the role pool_import. Or run zpool set cachefile=/etc/zfs/zpool.cache and enable"
          " zfs-import-cache.service."),
    _code("service_missing", "host", "warning", "A service that should run is not installed.",
          "Run the role that sets it up."),
    _code("service_failed", "host", "error", "A service has failed.", "See systemctl status and the journal."),
    _code("service_stopped", "host", "warning", "A service that should run is stopped.",
          "Start it with systemctl start, or run the role that sets it up."),
    _code("timer_stopped", "host", "warning", "A timer that should be active is stopped, so its job does not run.",
          "Start it with systemctl start, or run the role that sets it up."),
    _code("service_disabled", "host", "warning", "A service or timer runs now but will not start at boot.",
          "Enable it with systemctl enable, or run the role that sets it up."),
    _code("program_outdated", "host", "warning",
          "A program of this collection on the host has another version than the collection.",
          "Run the role that installs it."),
    _code("zfs_versions_differ", "host", "warning", "The loaded OpenZFS module and the tools have different versions.",
          "Reboot to load the installed module, and check that it was built for the running kernel."),
    _code("inventory_outdated", "host", "warning",
          "The copy of the inventory on the host is not the inventory that is declared now.",
          "Run the role disk_inventory. Until then the host's own services use the old inventory."),
    # Fleet
    _code("fleet_differs", "fleet", "warning", "A setting differs from that of most servers in the same class.",
          "Change the server to match, or declare another class for it (split_actuator_server_class)."),
    _code("hostid_shared", "fleet", "error", "Two servers have the same host id.",
          "Give each server its own: with one id, OpenZFS cannot distinguish which server uses a pool."),
    _code("drive_elsewhere", "fleet", "error", "A drive that is declared for one server was found in another.",
          "Move it back, or run survey on both servers."),
    _code("pool_shared", "fleet", "error", "The same pool is imported on two servers at once.",
          "Stop all writes now. Export the pool on one of them. It may already be damaged: be ready to restore from a"
          " backup."),
    # Drift
    _code("drift_unchecked", "drift", "error", "The host could not be compared.",
          "See the message. The host may be down."),
    _code("acceptance_expired", "drift", "warning",
          "A finding was accepted until a date that has passed. The finding counts again.",
          "Fix what the finding reports, or accept it again with a later date."),
    _code("acceptance_unused", "drift", "info", "A finding is accepted that does not exist.",
          "Remove the entry from split_actuator_accepted."),
)  # fmt: skip

CODES: Dict[str, Code] = {one.name: one for one in _ALL}


def note(code: str, found: str, declared: str = "", severity: str = "", **subject: Any) -> Finding:
    """A finding with its code's usual severity (or *severity*) and remedy. *subject*: fields of `Finding`."""
    about = CODES[code]
    return Finding(
        code, severity or about.severities[0], declared=declared, found=found, remedy=about.remedy, **subject
    )


def at_least(severity: str, least: str) -> bool:
    """Whether a severity is *least* or higher."""
    return SEVERITIES.index(severity) >= SEVERITIES.index(least)
