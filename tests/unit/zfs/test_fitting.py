# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Vdevs of units of different sizes: which unit gets a partition, the exact commands, and what is refused before."""

from __future__ import annotations

import json
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import CoreError, Refusal
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.discover import Wanted
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.disks import Partition
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.run import SETTLE
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.capacity import (
    partition_size,
    pool_capacity,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import (
    Content,
    Layout,
    Member,
    UnitPath,
    Vdev,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.names import fitted_uuid
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import to_plain
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.replacement import candidate
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs import actions, build, fitting, growing
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.access import Access, Holding
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.actions import Wish
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.labels import Label, LabelVdev
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.resolve import PoolMember
from ansible_collections.evenkeel.split_actuator.plugins.modules import layout_plan
from tests.unit.scripted import ScriptedRunner
from tests.unit.zfs.pools import drive
from tests.unit.zfs.world import NO_POOL, World, path, spread, start, status

TB, MIB = 10**12, 1 << 20
ALIKE = 16 * MIB  # ZPOOL_FUZZ in OpenZFS's cmd/zpool/zpool_vdev.c, also seen to the byte in tests/lab/test_mixed_sizes
SIZES = {0: 5 * TB, 1: 5 * TB, 2: 7 * TB}
# 5 TB rounded up to whole MiB.
SIZE = 4768372 * MIB
DEFAULTS = ["-o", "ashift=12", "-o", "autoexpand=off", "-o", "autoreplace=off", "-O", "acltype=posixacl"]
DEFAULTS += ["-O", "atime=off", "-O", "compression=lz4", "-O", "dnodesize=auto", "-O", "xattr=sa"]


def drives(sizes=None, **more):
    return [
        replace(one, units=tuple(
            replace(unit, size=size, links=(path((one.serial, unit.index)), *unit.links), **more)
            for unit in one.units
        ))
        for bay, size in (sizes or SIZES).items()
        for one in (drive(bay, units=1),)
    ]  # fmt: skip


def raidz(sizes=None, **more):
    members = tuple(Member(f"ACT{bay}", 0, f"bay{bay:02d}", size, **more) for bay, size in (sizes or SIZES).items())
    return Vdev("raidz", 1, members)


LAYOUT = Layout((raidz(),))
LARGE = drives()[2].units[0]
WRITE = (
    "sgdisk", "--clear", "--set-alignment=1", f"--new=1:2048:{2048 + SIZE // 512 - 1}",
    "--typecode=1:6A898CC3-1DD2-11B2-99A6-080020736631", "--change-name=1:bay02.0",
    f"--partition-guid=1:{fitted_uuid(LARGE.wwn)}", LARGE.node,
)  # fmt: skip
RAIDZ = ("raidz1", path(("ACT0", 0)), path(("ACT1", 0)), path(("ACT2", 0)) + "-part1")
CREATE = ("zpool", "create", *DEFAULTS, "archive", *RAIDZ)
APART = ("zpool", "create", "-n", *DEFAULTS, "archive", *(path((f"ACT{bay}", 0)) for bay in range(3)))


def partition(size=SIZE, uuid="", start=MIB):
    return Partition(1, "sde1", LARGE.node + "1", "8:1", start, size, uuid=uuid or fitted_uuid(LARGE.wwn))


class Writing(World):
    """A host on which sgdisk makes what its arguments say."""

    def drives(self):
        if self.run and any(one[0] == "sgdisk" for one in getattr(self.run, "seen", ())):
            self.tables = {LARGE.node: (partition(),)}
        return super().drives()


class Runner(ScriptedRunner):
    def __init__(self, script):
        super().__init__(script)
        self.seen = []

    def __call__(self, argv):
        self.seen.append(tuple(argv))
        return super().__call__(argv)


def create(access, script, layout=LAYOUT, check=False, **more):
    access.run = Runner(script)
    outcome = actions.ensure_present(access, Wish("archive", layout, by_name=True, **more), check)
    access.run.finished()
    return outcome


def refused(access, script=(), layout=LAYOUT, **more):
    access.run = Runner([*start(NO_POOL), *script])
    with pytest.raises(Refusal) as told:
        actions.ensure_present(access, Wish("archive", layout, by_name=True, **more), False)
    access.run.finished()
    assert "nothing was changed" in str(told.value)
    return list(told.value.reasons)


def test_the_larger_unit_gets_a_partition_and_the_pool_takes_that():
    access = Writing(found_drives=drives())
    script = [*start(NO_POOL), (APART, ""), (SETTLE, ""), (WRITE, ""), (SETTLE, ""), (SETTLE, ""), (CREATE, ""),
              (SETTLE, ""), status(LAYOUT)]  # fmt: skip
    outcome = create(access, script)
    assert [one.argv for one in outcome.commands] == [WRITE, CREATE]
    assert access.noted[-1] == "end"


def test_check_mode_shows_the_same_commands_and_writes_nothing():
    outcome = create(World(found_drives=drives()), [*start(NO_POOL), (APART, "")], check=True)
    assert [one.argv for one in outcome.commands] == [WRITE, CREATE]


def test_a_creation_cut_off_after_the_partition_goes_on_with_the_pool():
    table = [Content("partition_table", "gpt", LARGE.node)]
    access = World(
        found_drives=drives(), tables={LARGE.node: (partition(),)}, on_disks={("ACT2", 0): table},
        begun_wwns=frozenset([LARGE.wwn]),
    )  # fmt: skip
    trial = ("zpool", "create", "-n", *CREATE[2:])
    outcome = create(access, [*start(NO_POOL), (trial, ""), (SETTLE, ""), (CREATE, ""), (SETTLE, ""), status(LAYOUT)])
    assert [one.argv for one in outcome.commands] == [CREATE]


def test_the_partition_of_another_size_is_made_again():
    table = [Content("partition_table", "gpt", LARGE.node)]
    access = World(
        found_drives=drives(), tables={LARGE.node: (partition(SIZE - MIB),)}, on_disks={("ACT2", 0): table},
        begun_wwns=frozenset([LARGE.wwn]),
    )  # fmt: skip
    outcome = create(access, [*start(NO_POOL), (APART, "")], check=True)
    assert [one.argv for one in outcome.commands] == [WRITE, CREATE]


def test_a_table_that_is_not_ours_refuses_although_a_creation_began():
    table = [Content("partition_table", "gpt", LARGE.node)]
    access = World(found_drives=drives(), on_disks={("ACT2", 0): table})
    assert refused(access) == [f"bay02 (serial ACT2) unit 0: partition table gpt on {LARGE.node}"]
    # Ours, but nobody noted that a creation of this pool began.
    access.tables = {LARGE.node: (partition(),)}
    assert len(refused(access)) == 1


def test_labels_where_the_partition_would_be_refuse_unless_they_are_to_be_erased():
    within = {(LARGE.node, MIB, SIZE): (2, 3)}
    reasons = refused(World(found_drives=drives(), within=within))
    assert reasons == [
        f"bay02 (serial ACT2) unit 0: pool label label 2, 3 where its partition would be on {LARGE.node}"
    ]
    outcome = create(World(found_drives=drives(), within=within), start(NO_POOL), check=True, erase_serials=("ACT2",))
    words = [one.argv for one in outcome.commands]
    offsets = [argv[3] for argv in words if argv[0] == "blkdiscard" and argv[-1] == LARGE.node]
    assert offsets[:2] == [str(MIB), str(MIB + SIZE - MIB)]
    assert words[-2:] == [WRITE, CREATE]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"unit_kind": "range"}, "the partition of a range cannot be made smaller"),
        ({"wwn": ""}, "without a WWN its partition could not be identified later"),
        ({"paths": (UnitPath("0:0:0:0", "/dev/sde"), UnitPath("1:0:0:0", "/dev/sdx"))}, "has 2 paths"),
        ({"logical_block": 520}, "logical block size, 520 bytes, cannot be partitioned"),
    ],
)
def test_a_unit_that_cannot_have_a_partition_of_its_own_is_refused_before_anything(change, words):
    found = drives()
    found[2] = replace(found[2], units=(replace(found[2].units[0], **change),))
    (reason,) = refused(World(found_drives=found))
    assert reason.startswith("bay02 (serial ACT2) unit 0: ")
    assert words in reason


def test_the_plan_refuses_a_range_that_its_vdev_cannot_use_whole():
    small, large = raidz({0: 5 * TB, 1: 5 * TB}), raidz({2: 7 * TB}, unit_kind="range")
    with pytest.raises(Refusal) as told:
        build.refuse_larger_ranges(Layout((replace(small, members=(*small.members, *large.members)),)))
    (reason,) = told.value.reasons
    assert reason.startswith("bay02 (serial ACT2) unit 0: it is larger than its vdev can use, and the partition of")
    build.refuse_larger_ranges(LAYOUT)
    build.refuse_larger_ranges(Layout((raidz({2: 7 * TB, 3: 7 * TB}, unit_kind="range"),)))


def test_the_module_that_plans_says_it_too(monkeypatch):
    members = [replace(one, unit_kind="range") for one in raidz().members]
    plain = to_plain(Layout((Vdev("raidz", 1, tuple(members)),)))
    module: Any = SimpleNamespace(params={})
    monkeypatch.setattr(layout_plan, "report", lambda _options: {"layout": plain})
    with pytest.raises(Refusal, match="cannot be built"):
        layout_plan.work(module, module)
    monkeypatch.setattr(layout_plan, "report", lambda _options: {"layout": to_plain(LAYOUT)})
    assert layout_plan.work(module, module)["changed"] is False


def test_a_link_that_leads_elsewhere_ends_it_before_the_pool_is_made():
    access = Writing(found_drives=drives(), links_lead=False)
    access.run = Runner([*start(NO_POOL), (APART, ""), (SETTLE, ""), (WRITE, ""), (SETTLE, "")])
    with pytest.raises(CoreError, match=r"bay02\.0-part1 does not lead to it"):
        actions.ensure_present(access, Wish("archive", LAYOUT, by_name=True), False)
    access.run.finished()


def test_a_unit_counts_as_half_made_by_openzfs_s_two_partitions_or_our_one():
    def tables(*parts: Any) -> Access:
        found: Any = SimpleNamespace(disk={LARGE.node: SimpleNamespace(partitions=parts)}.get)
        return Access(ScriptedRunner([]), Wanted(), found)

    own, ninth = partition(), replace(partition(uuid="aa"), number=9)
    assert tables(own).half_made([LARGE]) == (LARGE.node,)
    assert tables(partition(uuid="bb"), ninth).half_made([LARGE]) == (LARGE.node,)
    for parts in ((), (ninth,), (partition(uuid="bb"),), (own, own), (own, ninth, ninth)):
        assert tables(*parts).half_made([LARGE]) == ()
    assert tables(partition(uuid=fitted_uuid(""))).half_made([replace(LARGE, wwn="")]) == ()


@pytest.mark.parametrize(("start", "known"), [(MIB, True), (2 * MIB, False)])
def test_a_partition_that_udev_forgot_is_known_by_the_table_on_the_disk(start, known):
    """Cut off between the table and the kernel's view of it: udev has no ID_PART_ENTRY_UUID then (seen in the lab)."""
    lost = replace(partition(), uuid="")
    row = {"node": LARGE.node + "1", "start": start // 512, "size": 7 * TB // 512, "name": "bay02.0",
           "uuid": fitted_uuid(LARGE.wwn).upper()}  # fmt: skip
    told = {"partitiontable": {"label": "gpt", "device": LARGE.node, "sectorsize": 512, "partitions": [row]}}
    script = [(("sfdisk", "--json", LARGE.node), json.dumps(told))]
    found: Any = SimpleNamespace(disk={LARGE.node: SimpleNamespace(partitions=(lost,))}.get)
    access = Access(ScriptedRunner(script), Wanted(), found)
    part = fitting.own_partition(access, LARGE)
    assert (part is not None) == known
    # The kernel's size stays what it is: the partition has not grown yet.
    assert part is None or part.size == SIZE


# --- which units: whatever OpenZFS would compare is alike, and nothing else is touched


@given(st.lists(st.integers(100, 400), min_size=2, max_size=6), st.integers(0, MIB // 512 - 1))
def test_members_are_alike_as_openzfs_compares_them_and_the_vdev_holds_what_it_held(sizes, odd):
    bytes_of = {bay: size * MIB + odd * 512 for bay, size in enumerate(sizes)}
    found = drives(bytes_of)
    units = {(one.serial, 0): one.units[0] for one in found}
    layout = Layout((raidz(bytes_of),))
    wanted = fitting.fitting(World(found_drives=found), layout, units)
    seen = {key: wanted.larger[key].entry.size if key in wanted.larger else unit.size for key, unit in units.items()}
    # zpool compares each device with the one before it, in whatever order they come.
    assert max(seen.values()) - min(seen.values()) <= ALIKE
    assert {key for key, unit in units.items() if unit.size > min(bytes_of.values()) + ALIKE} == set(wanted.larger)
    members = [
        replace(one, size=seen[(one.serial, 0)], unit_kind="range" if (one.serial, 0) in wanted.larger else "lun")
        for one in layout.vdevs[0].members
    ]
    fitted = pool_capacity([Vdev("raidz", 1, tuple(members))])
    assert fitted.size == pool_capacity(layout.vdevs).size
    for key, one in wanted.larger.items():
        # Clear of the table's copy at the end: 33 sectors (UEFI 5.3), here a whole MiB.
        assert one.entry.start + one.entry.size + MIB <= units[key].size


def test_members_that_openzfs_takes_for_alike_get_no_partition():
    near = {0: 5 * TB, 1: 5 * TB + ALIKE}
    found = drives(near)
    units = {(one.serial, 0): one.units[0] for one in found}
    assert not fitting.fitting(World(found_drives=found), Layout((raidz(near),)), units).larger
    past = {0: 5 * TB, 1: 5 * TB + ALIKE + 512}
    found = drives(past)
    units = {(one.serial, 0): one.units[0] for one in found}
    assert list(fitting.fitting(World(found_drives=found), Layout((raidz(past),)), units).larger) == [("ACT1", 0)]


# --- growing


def test_a_pool_grows_by_a_vdev_of_two_sizes_after_openzfs_was_asked_of_each_unit():
    now = Layout((raidz({3: 5 * TB, 4: 5 * TB, 5: 5 * TB}),))
    found = [*drives(), *drives({3: 5 * TB, 4: 5 * TB, 5: 5 * TB})]
    grown = Layout((*now.vdevs, raidz()))
    ask = ("zpool", "create", "-n", "-O", "mountpoint=none", "archive", *(path((f"ACT{bay}", 0)) for bay in range(3)))
    ashift = (("zpool", "get", "-H", "-p", "-o", "value", "ashift", "archive"), "12\n")
    add = ("zpool", "add", "-o", "ashift=12", "archive", *RAIDZ)
    access = Writing(found_drives=found, on_units=spread(now))
    access.run = Runner([*start(status(now)), ashift, (ask, ""), (SETTLE, ""), (WRITE, ""), (SETTLE, ""),
                         (SETTLE, ""), (add, ""), (SETTLE, ""), status(grown)])  # fmt: skip
    report = growing.ensure_grown(access, Wish("archive", grown, by_name=True), False)
    access.run.finished()
    assert [one.argv for one in report.outcome.commands] == [WRITE, add]


def test_once_the_small_members_are_larger_too_the_partition_moves_its_end_and_the_vdev_grows():
    now = Layout((raidz({0: 7 * TB, 1: 7 * TB, 2: 7 * TB}),))
    was = replace(now.vdevs[0], members=tuple(replace(one, size=5 * TB) for one in now.vdevs[0].members))
    access = World(
        found_drives=drives({0: 7 * TB, 1: 7 * TB, 2: 7 * TB}), on_units=spread(now, lambda _vdev: was),
        tables={LARGE.node: (partition(),)},
    )  # fmt: skip
    access.run = ScriptedRunner(start(status(now)))
    report = growing.ensure_grown(access, Wish("archive", now, by_name=True), True)
    access.run.finished()
    whole = partition_size(7 * TB)
    guid = next(one.guid for key, one in access.on_units.items() if key[0] == "ACT2")
    assert [one.argv for one in report.outcome.commands] == [
        ("sgdisk", "--set-alignment=1", "--delete=1", f"--new=1:2048:{2048 + whole // 512 - 1}", *WRITE[4:5],
         "--change-name=1:bay02.0", *WRITE[6:]),
        ("partx", "--update", "--nr", "1", LARGE.node),
        ("udevadm", "trigger", "--action=change", LARGE.node + "1"),
        ("zpool", "online", "-e", "archive", path(("ACT0", 0)), path(("ACT1", 0)), guid),
        ("zpool", "sync", "archive"),
    ]  # fmt: skip


# --- what a new member needs


@pytest.mark.parametrize(
    ("kind", "spares", "least"),
    [("raidz", 0, 1000 * MIB), ("mirror", 0, 3000 * MIB), ("draid", 1, 1500 * MIB + 32 * MIB)],
)
def test_what_a_new_member_needs_is_what_the_vdev_uses_not_what_its_larger_members_have(kind, spares, least):
    """vdev_get_min_asize, vdev_raidz_min_asize and vdev_draid_min_asize of OpenZFS, from memory of module/zfs."""
    tree = LabelVdev(kind, "1", asize=3000 * MIB, metaslab_shift=20, spares=spares,
                     children=tuple(LabelVdev("disk", str(number)) for number in range(3)))  # fmt: skip
    member = PoolMember("bay02.0", "", "7", "ONLINE", True, serial="ACT2", index=0)
    held = {("ACT2", 0): Holding(LARGE, "", 1, Label("active", "7", vdev=tree))}
    assert candidate.least([member], {("ACT2", 0): LARGE}, held) == least
    assert candidate.least([member], {("ACT2", 0): LARGE}, {}) == candidate.usable(LARGE)
