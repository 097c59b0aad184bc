# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Importing and exporting: the exact commands and their order, and that a refusal runs none of them."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import InputError, Refusal
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.run import SETTLE
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs import (
    exporting,
    importing,
    listing,
    mounting,
    status_text,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.access import Access, Holding
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.actions import Wish
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.importing import Terms
from tests.unit.scripted import ScriptedRunner
from tests.unit.zfs import world
from tests.unit.zfs.pools import GUID, HOST, drive, labels, layout

DRIVES = tuple(drive(bay) for bay in range(4))
VERSION = (("zpool", "version"), "zfs-2.1.11-1\nzfs-kmod-2.1.11-1\n")
NO_POOLS = (("zpool", "list", "-H", "-p", "-o", "name,guid"), "")
START = [VERSION, (SETTLE, ""), NO_POOLS]

# cmd/zpool/zpool_main.c of OpenZFS 2.1.11, show_import.
LISTED = """   pool: archive
     id: {guid}
  state: {state}
{more} action: {action}
 config:

\tarchive         ONLINE
"""
WHOLE = "The pool can be imported using its name or numeric identifier."


# ruff: noqa: ARG002
@dataclass
class FakeAccess(Access):
    """A host of drives in memory, with labels on them."""

    run: Any = None
    wanted: Any = None
    found_drives: tuple = DRIVES
    on_units: dict = field(default_factory=labels)
    own: int = HOST
    known: tuple = ("a", "b")
    moving: bool = False

    def drives(self):
        return self.found_drives

    def nodes_of(self, paths):
        return {}

    def labels(self):
        units = {(one.serial, unit.index): unit for one in self.found_drives for unit in one.units}
        return {
            key: Holding(units[key], units[key].node + "1", 1, label)
            for key, label in self.on_units.items()
            if key in units
        }

    def leads(self, link, node):
        return True

    def hostid(self):
        return self.own

    def features(self):
        return self.known

    def activity(self, held):
        return tuple(held) if self.moving else ()

    @contextmanager
    def patience(self):
        yield


def wish(**more):
    return Wish("archive", layout(), by_name=True, **more)


def by_id(keys):
    links = {(one.serial, unit.index): unit.links[0] for one in DRIVES for unit in one.units}
    return [links[key] + "-part1" for key in sorted(keys)]


def trial(keys=None, state="ONLINE", more="", action=WHOLE):
    return (
        listing.argv(by_id(keys or labels())),
        LISTED.format(guid=GUID, state=state, more=more, action=action),
    )


def run(access, script, terms=None, check_mode=True, **more):
    access.run = ScriptedRunner(script)
    told = importing.ensure_imported(access, wish(**more), terms or Terms(), check_mode)
    access.run.finished()
    return told


def refused(access, terms=None, script=(), match=""):
    """The reasons of a refusal; nothing but what is in the script was run."""
    with pytest.raises(Refusal, match=match) as told:
        run(access, [*START, *script], terms)
    access.run.finished()
    return told.value.reasons


def names(*bays):
    return [
        word for index in (0, 1) for bay in bays for word in ("-d", f"/dev/disk/by-vdev/bay{bay:02d}.{index}-part1")
    ]


def test_the_commands_are_exact_and_carry_no_force():
    told = run(FakeAccess(None, None), [*START, trial()])
    assert [command.argv for command in told.outcome.commands] == [
        ("zpool", "import", "-N", "-o", "cachefile=none", *names(0, 1, 2, 3), GUID),
        ("zfs", "mount", "-a"),
        ("zpool", "set", "cachefile=/etc/zfs/zpool.cache", "archive"),
    ]
    assert (told.guid, told.missing) == (GUID, ())
    assert "raidz2: bay00.0 bay01.0 bay02.0 bay03.0" in told.outcome.after
    assert "active, not imported" in told.outcome.before


def test_missing_drives_within_what_is_accepted_are_left_out_and_reported():
    access = FakeAccess(None, None, found_drives=DRIVES[:3])
    here = [key for key in labels() if key[0] != "ACT3"]
    degraded = (
        "The pool can be imported despite missing or damaged devices.  The\n\tfault tolerance may be compromised."
    )
    told = run(access, [*START, trial(here, "DEGRADED", action=degraded)], Terms(accept_missing=1))
    assert told.outcome.commands[0].argv[5:] == (*names(0, 1, 2), GUID)
    assert told.missing == ("bay03 (serial ACT3) units 0, 1: not on the host",)
    assert len(told.device_paths) == 8


def test_missing_drives_beyond_what_is_accepted_are_refused():
    access = FakeAccess(None, None, found_drives=DRIVES[:2])
    reasons = refused(access, Terms(accept_missing=1), match="2 drives of pool archive missing, 1 accepted")
    assert [line[:5] for line in reasons] == ["bay02", "bay03"]
    access = FakeAccess(None, None, found_drives=DRIVES[:1])
    reasons = refused(access, Terms(accept_missing=3), match="are missing than its parity covers")
    assert "missing members: 3, tolerated: 2" in reasons[0]


def test_another_hosts_pool_is_refused_with_its_name_id_and_time_and_both_ways_out():
    access = FakeAccess(None, None, own=1)
    with pytest.raises(Refusal) as told:
        run(access, START)
    assert told.value.reasons == (
        "by host west1 (host id 0a5a05af) at 2026-09-21 14:13:20 UTC; this host's id is 00000001",
    )
    assert 'split_actuator_hostid: "0a5a05af"' in told.value.remedy
    assert f'take_over: "{GUID}"' in told.value.remedy


def test_taking_over_needs_the_very_guid_and_is_the_only_forced_import():
    last = (
        " status: The pool was last accessed by another system.\n",
        "The pool can be imported using its name or numeric identifier and\n\tthe '-f' flag.",
    )
    told = run(FakeAccess(None, None, own=1), [*START, trial(more=last[0], action=last[1])], Terms(take_over=GUID))
    assert told.outcome.commands[0].argv[:6] == ("zpool", "import", "-N", "-o", "cachefile=none", "-f")
    reasons = refused(FakeAccess(None, None, own=1), Terms(take_over="77"), match="names another pool")
    assert GUID in reasons[0]
    with pytest.raises(InputError, match="take_over"):
        run(FakeAccess(None, None, own=1), [], Terms(take_over="archive"))


def test_take_over_forces_nothing_where_no_force_is_needed():
    for access in (FakeAccess(None, None), FakeAccess(None, None, on_units=labels(state="exported", hostid=5), own=1)):
        told = run(access, [*START, trial()], Terms(take_over=GUID))
        assert "-f" not in told.outcome.commands[0].argv


def test_a_pool_in_use_elsewhere_is_refused_even_with_take_over():
    access = FakeAccess(None, None, own=1, moving=True)
    refused(access, Terms(take_over=GUID), match="in use by another host right now")
    guarded = FakeAccess(None, None, on_units=labels(multihost=True), moving=True)
    refused(guarded, match="in use by another host right now")


def test_what_openzfs_would_not_import_is_refused_in_its_words():
    action = "The pool must be exported from west1 (hostid=a5a05af)\n\tbefore it can be safely imported."
    status = " status: The pool is currently imported by another system.\n"
    reasons = refused(FakeAccess(None, None), script=[trial(more=status, action=action)], match="OpenZFS refuses")
    assert reasons == (
        "The pool is currently imported by another system.",
        "The pool must be exported from west1 (hostid=a5a05af) before it can be safely imported.",
    )
    forced = "The pool can be imported using its name or numeric identifier and\n\tthe '-f' flag."
    refused(FakeAccess(None, None), script=[trial(action=forced)], match="OpenZFS refuses")
    unseen = (trial()[0], "")
    refused(FakeAccess(None, None), script=[unseen], match="OpenZFS refuses")


def test_features_that_are_not_installed_are_named():
    access = FakeAccess(None, None, on_units=labels(features=("a", "org.example:later")))
    assert refused(access, match="features") == ("org.example:later",)


def test_a_member_on_an_undeclared_drive_is_refused():
    found = labels([(f"ACT{bay}", 0) for bay in range(4)], [("ACT0", 1), ("ACT1", 1), ("ACT2", 1), ("ACT4", 1)])
    access = FakeAccess(None, None, found_drives=(*DRIVES, drive(4)), on_units=found)
    reasons = refused(access, match="does not match the layout")
    assert any("bay04 (serial ACT4) unit 1" in line and "is not declared" in line for line in reasons)


def test_a_drive_of_another_pool_is_refused():
    found = {**labels(), **labels([("ACT4", 0)], name="tide", guid="555")}
    access = FakeAccess(None, None, found_drives=(*DRIVES, drive(4)), on_units=found)
    reasons = refused(access, match="another pool are in the chassis")
    assert reasons[0].startswith("bay04 (serial ACT4) unit 0: holds another pool, tide (GUID 555)")


IMPORTED = [VERSION, (SETTLE, ""), (NO_POOLS[0], f"tide\t{GUID}\n")]


def status(name):
    """C(zpool status) of OpenZFS 2.1 for a pool of no vdevs."""
    head = f"  pool: {name}\n state: ONLINE\nconfig:\n\n"
    return f"{head}\tNAME  STATE  READ WRITE CKSUM\n\t{name} ONLINE 0 0 0\nerrors: No known data errors\n"


def test_a_pool_imported_under_another_name_is_said():
    script = [
        *IMPORTED,
        (status_text.ARGV, status("tide")),
        (status_text.GUID_ARGV, status("tide").replace("\ttide", f"\t{GUID}")),
    ]
    with pytest.raises(Refusal, match="under another name") as told:
        run(FakeAccess(None, None), script)
    assert told.value.reasons == (f"GUID {GUID} is imported as tide, declared as archive",)


DATASETS = ("zfs", "list", "-H", "-t", "filesystem", "-o", "name,canmount,mountpoint,mounted,keystatus")


def test_mounting_never_mounts_another_pools_datasets():
    rows = [
        ("tide", "on", "/tide", "yes", "-"),
        ("tide/off", "noauto", "/tide/off", "no", "-"),
        ("tide/none", "on", "none", "no", "-"),
        ("tide/old", "on", "legacy", "no", "-"),
        ("tide/sealed", "on", "/tide/sealed", "no", "unavailable"),
        ("archive/flow", "on", "/archive/flow", "no", "-"),
    ]

    def refuse(*more):
        text = "".join("\t".join(row) + "\n" for row in [*rows, *more])
        mounting.refuse_others(ScriptedRunner([(DATASETS, text)]), "archive")

    refuse()
    with pytest.raises(Refusal, match="datasets of other pools") as told:
        refuse(("tide/ebb", "on", "/tide/ebb", "no", "available"))
    assert told.value.reasons == ("tide/ebb is not mounted",)


def test_beside_another_pool_the_datasets_are_looked_at_before_anything_is_done():
    other = [
        (NO_POOLS[0], "tide\t77\n"),
        (status_text.ARGV, status("tide")),
        (status_text.GUID_ARGV, status("tide").replace("\ttide", "\t77")),
    ]
    run(FakeAccess(None, None), [VERSION, (SETTLE, ""), *other, (DATASETS, ""), trial()])
    with pytest.raises(Refusal, match="datasets of other pools"):
        run(FakeAccess(None, None), [VERSION, (SETTLE, ""), *other, (DATASETS, "tide\ton\t/tide\tno\t-\n")])


def test_a_listing_is_read_pool_by_pool():
    text = (
        LISTED.format(guid=1, state="ONLINE", more="", action=WHOLE)
        + "\n"
        + LISTED.format(guid=2, state="UNAVAIL", more=" status: One\n\ttwo\n   see: here\n", action="No\n\tway.")
    )
    first, second = listing.read(text)
    assert (first.guid, first.status, first.can_be_imported) == ("1", "", True)
    assert (second.state, second.status, second.action, second.can_be_imported) == (
        "UNAVAIL",
        "One two",
        "No way.",
        False,
    )
    assert listing.read("no pools available to import\n") == ()


def test_units_that_lost_their_names_are_refused_outside_check_mode():
    class Nameless(FakeAccess):
        def leads(self, link, node):
            return "by-vdev" not in link

    access = Nameless(None, None)
    access.run = ScriptedRunner([*START, trial()])
    with pytest.raises(Refusal, match="do not have their names yet") as told:
        importing.ensure_imported(access, wish(), Terms(), check_mode=False)
    assert len(told.value.reasons) == 8
    assert run(Nameless(None, None), [*START, trial()]).outcome.changed
    plain = replace(wish(), by_name=False)
    access.run = ScriptedRunner([*START, trial()])
    report = importing.ensure_imported(access, plain, Terms(), True)
    assert report.outcome.commands[0].argv[6] == DRIVES[0].units[0].links[0] + "-part1"


def test_exporting_what_is_not_imported_does_nothing():
    access = FakeAccess(ScriptedRunner([VERSION, NO_POOLS]), None)
    outcome = exporting.ensure_exported(access, "archive", "", False)
    assert (outcome.changed, outcome.commands) == (False, ())


def test_a_drive_that_was_replaced_and_left_in_the_chassis_is_no_member():
    """On the kernel, too, a detached member keeps the label that it had."""
    former = {("ACT9", 0): replace(labels()[("ACT0", 0)], guid="4711", txg=90)}
    access = FakeAccess(None, None, found_drives=(*DRIVES, drive(9)), on_units={**labels(), **former})
    listed = by_id(labels()) + [drive(9).units[0].links[0] + "-part1"]
    script = (listing.argv(listed), trial()[1])
    told = run(access, [*START, script])
    assert told.outcome.commands[0].argv[:2] == ("zpool", "import")
    assert not any("bay09" in word for word in told.outcome.commands[0].argv)


def test_links_between_two_states_after_the_import_are_waited_for_only_where_it_matters():
    """Right after an import udev reads the partitions again; meanwhile a member may have another path."""
    imported = (("zpool", "import", "-N", "-o", "cachefile=none", *names(0, 1, 2, 3), GUID), "")
    finish = [
        (("zfs", "mount", "-a"), ""),
        (("zpool", "set", "cachefile=/etc/zfs/zpool.cache", "archive"), ""),
        (("zfs", "get", "-H", "-r", "-t", "filesystem,volume", "-o", "name,value", "keystatus", "archive"), ""),
    ]
    whole = world.status(layout())
    first = next(iter(labels()))
    moved = world.status(layout(), {first: world.disk(first, path="/dev/sdz9")})
    before = [*world.start(world.NO_POOL), trial(), imported]
    at_once = run(FakeAccess(None, None), [*before, whole, *finish], check_mode=False)
    waited = run(FakeAccess(None, None), [*before, moved, (SETTLE, ""), whole, *finish], check_mode=False)
    assert at_once.outcome.changed
    assert waited == at_once
    wrong = [*before, moved, (SETTLE, ""), moved, (("zpool", "export", "archive"), "")]
    with pytest.raises(Refusal, match="did not match the layout, and was exported again"):
        run(FakeAccess(None, None), wrong, check_mode=False)
