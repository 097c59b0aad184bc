# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Every code that a finding can have: the one list that code, reference page and tests share.

Codes are stable: one is never given another meaning.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Dict, Tuple

from ..model import Finding

SEVERITIES = ("info", "warning", "error")
AREAS = {
    "inventory": "drives and bays against the declared inventory",
    "names": "the units' names on the host",
    "layout": "the pool's members against the layout that the declaration gives",
    "pool": "the pool itself",
    "host": "settings and services of the host",
    "fleet": "a host against the hosts that are declared alike",
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
    _code("drive_missing", "inventory", "error", "No drive with the declared serial is on the host.",
          "Seat the drive or replace it; if another one is meant to be there, run survey."),
    _code("drive_moved", "inventory", "error",
          "The drive sits in another bay than declared; its units keep their declared names.",
          "Put it back, or run survey and then disk_inventory."),
    _code("drive_undeclared", "inventory", "warning",
          "A split drive, or any drive in a bay of the chassis, that nobody declared.",
          "Run survey to declare it, or take it out."),
    _code("half_visible", "inventory", "error",
          "The drive shows fewer units than it should; the missing index is named.",
          "Rescan the adapter, reseat the drive; if the unit stays away, replace the drive."),
    _code("more_units", "inventory", "warning", "The drive shows more units than declared.",
          "Correct the declared number, or look whether the right drive is in the bay."),
    _code("serial_collision", "inventory", "error", "Several drives report one serial number.",
          "Take one out and ask its maker; neither can be declared."),
    _code("serial_missing", "inventory", "warning info", "The drive reports no serial number.",
          "It cannot be declared; use another drive."),
    _code("duplicate_wwn", "inventory", "error", "Two units report one WWN.",
          "Take one of the drives out and ask its maker."),
    _code("wwn_missing", "inventory", "warning info", "The unit has no WWN and so no name of its own.",
          "It can be named by its place on the bus only."),
    _code("wwn_differs", "inventory", "error", "The unit's WWN is not the declared one.",
          "If the drive is the right one, run survey to write down its WWNs."),
    _code("model_differs", "inventory", "warning", "The model is not the declared one.",
          "Correct the declaration, or look whether the right drive is in the bay."),
    _code("unit_size", "inventory", "error warning",
          "The unit is smaller (error) or larger (warning) than declared, or than most of its model.",
          "A smaller one cannot take another's place: use a drive of the declared size."),
    _code("block_size_differs", "inventory", "warning",
          "Sectors of another size than declared, or than most of the model.",
          "Reformatting destroys all data: follow the maker's instructions and your site's rules."),
    _code("sector_format", "inventory", "error", "No size, or sectors that OpenZFS cannot use, such as 520 bytes.",
          "Follow the maker's instructions; reformatting destroys all data."),
    _code("protection_information", "inventory", "warning", "The unit is formatted with T10 protection information.",
          "OpenZFS does not use it; reformatting destroys all data."),
    _code("firmware_differs", "inventory", "warning", "Another firmware than declared, or than most of the model.",
          "Ask the drive's maker which one is right."),
    _code("too_few_paths", "inventory", "warning", "Fewer paths to the unit than declared.",
          "Look at cables and adapters."),
    _code("unmanaged_paths", "inventory", "error", "Several paths to the unit, and no multipath device above them.",
          "Have the multipath daemon manage it."),
    _code("bay_unknown", "inventory", "warning", "Nothing on the host tells the bay of this drive.",
          "See which source should: enclosure services, the adapter, or split_actuator_bay_map."),
    _code("bay_unclear", "inventory", "error", "Sources contradict each other, or two drives claim one bay.",
          "Correct the map of bays, or leave the wrong source out of split_actuator_bay_sources."),
    _code("bays_unconfirmed", "inventory", "info", "Nothing on the host tells any bay, so moves go unnoticed.",
          "Declare split_actuator_bay_map for this class of server."),
    _code("support_missing", "inventory", "error", "A device of a supporting vdev is not there.",
          "Seat or replace the device; after a replacement declare the new WWN."),
    _code("ranges_unconfirmed", "inventory", "info", "The kernel does not confirm the declared ranges of the drive.",
          "Nothing, where the declared ranges are those of its data sheet."),
    _code("table_foreign", "inventory", "warning", "The partitions of a range drive are not those of its ranges.",
          "See docs/range-drives.md; its ranges are no units."),
    _code("unreadable_identity", "inventory", "error", "The drive's identification pages cannot be decoded.",
          "Do not use the drive; firmware of drive or adapter is at fault."),
    _code("udev_silent", "inventory", "error", "udev knows nothing about the disks.",
          "See that systemd-udevd runs, then run udevadm trigger --subsystem-match=block --settle."),
    # Names
    _code("name_missing", "names", "warning", "The unit does not have its name.",
          "Run the role disk_inventory; where it has run, see what else claims the name."),
    _code("name_misleads", "names", "error", "A unit's name leads to another device.",
          "Do not address units by name before this is put right: run the role disk_inventory, then look who made the"
          " link."),
    _code("name_stray", "names", "info", "A name of this form belongs to no declared unit.",
          "Run the role disk_inventory, which takes it away, or survey to declare the drive."),
    _code("rules_missing", "names", "warning", "The udev rules that name the units are not on the host.",
          "Run the role disk_inventory."),
    _code("rules_differ", "names", "warning", "The udev rules are not those of the declared drives.",
          "Run the role disk_inventory."),
    _code("names_contested", "names", "warning", "OpenZFS's own alias file names devices in the same directory.",
          "Take /etc/zfs/vdev_id.conf away: two makers of one name lead to whichever came last."),
    # Layout
    _code("siblings_together", "layout", "error warning",
          "A vdev holds several units of one drive; an error where the loss of that drive loses the vdev.",
          "Replace one of the two by a unit of another drive; see docs/layout.md."),
    _code("member_misplaced", "layout", "warning", "A unit is a member of another vdev than laid out.",
          "The pool may stand less than planned: compare with the playbook plan. Exchanging members is a matter of"
          " replacing them one by one."),
    _code("member_absent", "layout", "warning", "A unit that is laid out is no member of the pool.",
          "Replace the drive that stands in its place, or run grow for further drives."),
    _code("member_foreign", "layout", "warning", "The pool has a member that the layout does not have.",
          "Declare its drive, or replace the member by the unit that is laid out."),
    _code("vdev_differs", "layout", "error", "A vdev is of another kind or parity than laid out.",
          "A vdev's kind cannot be changed: correct the policy, or plan a new pool."),
    _code("spare_exposed", "layout", "warning",
          "An idle spare unit is in the pool, where OpenZFS's event daemon may take it alone.",
          "Run the playbook spares, which takes it out of the pool again."),
    _code("spare_doubled", "layout", "error",
          "Two units of a spare drive are in one vdev; if it is lost, so are both.",
          "Run the playbook spares: with another spare drive free it moves one of them."),
    _code("spare_divided", "layout", "warning", "The units of a spare drive stand in for different drives.",
          "Replace these drives (playbook replace_drive); the spare is given back once both are."),
    _code("spare_undeclared", "layout", "info", "The pool has a spare that the layout does not have.",
          "Declare it in the policy, or remove it."),
    _code("support_differs", "layout", "warning", "The pool's supporting vdevs are not the declared ones.",
          "Correct the declaration, or the pool by hand."),
    _code("margin_low", "layout", "warning error",
          "The pool stands fewer lost drives than the policy promises; an error when it stands none.",
          "Visit the bays that other findings name; the next loss may lose data."),
    # Pool
    _code("pool_missing", "pool", "error", "The declared pool is not imported.",
          "Import it: run the playbook rebuild, or zpool import by hand."),
    _code("pool_unreadable", "pool", "error", "OpenZFS does not answer about its pools.",
          "See the message; after a kernel update the module may not have been built."),
    _code("pool_suspended", "pool", "error", "The pool is suspended: nothing is read or written.",
          "Bring its drives back, then run zpool clear."),
    _code("pool_degraded", "pool", "warning error",
          "The pool is degraded, or a vdev of it is in no state to serve; an error when the pool cannot be used at all"
          " or its state is not known.",
          "Visit the bays that other findings name."),
    _code("pool_undeclared", "pool", "warning", "Another pool than the declared one uses declared drives.",
          "Declare it, or correct which drives are declared for this host."),
    _code("member_failed", "pool", "error warning",
          "A member does not serve, or is in a state that nobody knows; a warning when a person took it offline.",
          "Visit the bay. A drive leaves with both its units: see the playbook for replacing drives first."),
    _code("member_errors", "pool", "warning", "A member counts read, write or checksum errors.",
          "See the unit's health. When the cause is known and gone, zpool clear resets the counts."),
    _code("member_path", "pool", "warning", "The pool knows a member by a name that is not stable.",
          "Export and import the pool with the role pool_import, which addresses members by name."),
    _code("data_errors", "pool", "error", "OpenZFS knows of damaged data.",
          "zpool status -v lists the files; restore them from a backup."),
    _code("resilver_running", "pool", "info", "A resilver is under way.",
          "Pull no other drive before it has ended."),
    _code("spare_in_use", "pool", "warning", "A spare stands in for a failed member.",
          "Replace the failed drive; the spare is then free again."),
    _code("scrub_old", "pool", "warning", "No scrub has finished for longer than the class allows.",
          "Run zpool scrub, and see that the timer evenkeel-scrub.timer runs."),
    _code("scrub_errors", "pool", "error", "The last scrub found errors that it could not repair.",
          "zpool status -v lists the files; restore them from a backup, then scrub again."),
    _code("features_disabled", "pool", "warning", "Pool features that the class asks for are not enabled.",
          "zpool set feature@NAME=enabled; hosts with an older OpenZFS can then no longer import the pool."),
    _code("property_differs", "pool", "warning", "A property of the pool or its root is not as declared.",
          "Run build, which sets it, or correct the declaration."),
    # Host
    _code("hostid_differs", "host", "error", "OpenZFS knows this host by another id than declared.",
          "Export the pools, then run the role pool_build or pool_import, which sets the declared id."),
    _code("hostid_unkept", "host", "warning", "After the next boot the host would have another host id than now.",
          "Run the role pool_build or pool_import with split_actuator_hostid declared."),
    _code("boot_import", "host", "warning", "Nothing would import the pool at the next boot.",
          "Run the role pool_import; or zpool set cachefile=/etc/zfs/zpool.cache and enable zfs-import-cache.service."),
    _code("service_missing", "host", "warning", "A service that should run is not installed.",
          "Run the role that sets it up."),
    _code("service_failed", "host", "error", "A service has failed.", "See systemctl status and the journal."),
    _code("service_stopped", "host", "warning", "A service that should run does not.",
          "Start it with systemctl start, or run the role that sets it up."),
    _code("timer_stopped", "host", "warning", "A timer that should run does not, so its work is not done.",
          "Start it with systemctl start, or run the role that sets it up."),
    _code("service_disabled", "host", "warning", "A service or timer runs now and would not after a boot.",
          "Enable it with systemctl enable, or run the role that sets it up."),
    _code("program_outdated", "host", "warning", "A program of this collection on the host is of another version.",
          "Run the role that installs it."),
    _code("zfs_versions_differ", "host", "warning", "The loaded OpenZFS module and its tools differ in version.",
          "Boot, so that the installed module is loaded; see that it was built for the running kernel."),
    _code("inventory_outdated", "host", "warning",
          "The declared inventory that is kept on the host is not the one that is declared now.",
          "Run the role disk_inventory: the host watches and checks what it was told last."),
    # Fleet
    _code("fleet_differs", "fleet", "warning", "A setting is not that of most servers that are declared alike.",
          "Bring the server in line, or declare it to be of another class (split_actuator_server_class)."),
    _code("hostid_shared", "fleet", "error", "Two servers have one host id.",
          "Give each its own: with one id, OpenZFS cannot tell whose a pool is."),
    _code("drive_elsewhere", "fleet", "error", "A drive that is declared for one server was found in another.",
          "Carry it back, or run survey on both servers."),
    _code("pool_shared", "fleet", "error", "One pool is imported on two servers at once.",
          "Stop writing now. Export it on one of them; it may already be damaged: be ready to restore from a backup."),
    # Check
    _code("drift_unchecked", "drift", "error", "The host could not be checked.", "See the message; the host may be down."),
    _code("acceptance_expired", "drift", "warning", "A finding was accepted until a date that is over; it counts.",
          "Put the finding right, or accept it anew with a later date."),
    _code("acceptance_unused", "drift", "info", "A finding is accepted that is not there.",
          "Take the entry out of split_actuator_accepted."),
)  # fmt: skip

CODES: Dict[str, Code] = {one.name: one for one in _ALL}


def note(code: str, found: str, declared: str = "", severity: str = "", **subject: Any) -> Finding:
    """A finding with its code's usual severity (or *severity*) and remedy. *subject*: fields of `Finding`."""
    about = CODES[code]
    return Finding(
        code, severity or about.severities[0], declared=declared, found=found, remedy=about.remedy, **subject
    )


def at_least(severity: str, least: str) -> bool:
    """Whether a severity is as grave as *least*, or graver."""
    return SEVERITIES.index(severity) >= SEVERITIES.index(least)
