# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The two readers of zpool's output, on what real pools in the lab printed (tests/data/zpool/capture.sh)."""

import dataclasses
import json
import random
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import CoreError, DecodeError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.run import Result
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs import pools, status_json, status_text
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.report import (
    margins,
    picture,
    visits,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.resolve import Index, resolve
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.tree import STAND_INS, Scan
from tests.unit.scripted import ScriptedRunner

DATA = Path(__file__).parents[2] / "data" / "zpool"
CAPTURED = sorted(path.stem for path in DATA.glob("*.json"))


def text_of(name):
    guids = dict(line.split("\t") for line in (DATA / f"{name}.list").read_text().splitlines())
    return status_text.read((DATA / f"{name}.text").read_text(), (DATA / f"{name}.guids").read_text(), guids)


def shape(node):
    """What both forms report of a node; for stand-ins JSON is not reliable (see the test of two spare-5)."""
    own = () if node.kind in STAND_INS else (node.state, node.guid)
    return (
        node.kind, *own, node.serving, node.path, node.parity, node.read_errors, node.write_errors,
        node.checksum_errors, [shape(child) for child in node.children],
    )  # fmt: skip


def test_there_are_captures_to_read():
    assert len(CAPTURED) >= 2


@pytest.mark.parametrize("name", CAPTURED)
def test_both_forms_tell_the_same_pool(name):
    from_json = status_json.read((DATA / f"{name}.json").read_text())
    from_text = text_of(name)
    assert [(pool.name, pool.guid, pool.state, pool.errors) for pool in from_json] == [
        (pool.name, pool.guid, pool.state, pool.errors) for pool in from_text
    ]
    for one, other in zip(from_json, from_text, strict=True):
        assert [(group, [shape(node) for node in nodes]) for group, nodes in one.groups] == [
            (group, [shape(node) for node in nodes]) for group, nodes in other.groups
        ]


@pytest.mark.parametrize("name", ["built-2.3.9", "pulled-2.3.9"])
def test_the_tree_is_the_one_that_was_built(name):
    (pool,) = status_json.read((DATA / f"{name}.json").read_text())
    assert [(node.kind, node.parity, len(node.children)) for node in pool.group("data")] == [("raidz", 2, 12)] * 2
    lost = [leaf.name for node in pool.group("data") for leaf in node.leaves() if not leaf.serving]
    names = ["/dev/disk/by-vdev/bay07.0-part1", "/dev/disk/by-vdev/bay07.1-part1"]
    assert lost == (names if name.startswith("pulled") else [])
    assert len({leaf.guid for node in pool.group("data") for leaf in node.leaves()}) == 24


def test_the_text_of_openzfs_2_1_tells_the_members_that_a_pulled_drive_took():
    (pool,) = text_of("mirrors-2.1.11")
    assert (pool.name, pool.state) == ("archive", "DEGRADED")
    assert [(node.kind, node.redundancy, [leaf.state for leaf in node.children]) for node in pool.group("data")] == [
        ("mirror", 1, ["ONLINE", "REMOVED"])
    ] * 2
    assert all(leaf.path.startswith("/dev/disk/by-id/wwn-0x") for node in pool.group("data") for leaf in node.leaves())
    seen = resolve(pool, Index([], [], {}))
    assert [(one.serial, len(one.units)) for one in visits(seen)] == [("", 1), ("", 1)]
    assert "serial unknown" in picture(seen, margins(seen).pool)


def test_two_runs_that_disagree_are_an_error():
    name = CAPTURED[0]
    text, guids = ((DATA / f"{name}.{kind}").read_text() for kind in ("text", "guids"))
    fewer = "\n".join(line for line in guids.splitlines() if "raidz" not in line and not line.startswith("\t    "))
    with pytest.raises(DecodeError, match="different trees"):
        status_text.read(text, fewer, {})
    with pytest.raises(DecodeError, match="different pools"):
        status_text.read(text, guids.replace("pool: archive", "pool: other"), {})


@given(st.text())
def test_no_text_raises_anything_but_the_librarys_own_error(text):
    for read in (status_json.read, lambda one: status_text.read(one, one, {})):
        with suppress(DecodeError):
            read(text)


@given(
    st.recursive(st.none() | st.integers() | st.text(), lambda some: st.lists(some) | st.dictionaries(st.text(), some))
)
def test_no_json_raises_anything_but_the_librarys_own_error(data):
    for shaped in (data, {"pools": data}, {"pools": {"p": data}}, {"pools": {"p": {"name": "p", "vdevs": data}}}):
        with suppress(DecodeError):
            status_json.read(json.dumps(shaped))


def test_a_resilvering_leaf_does_not_serve():
    node = status_text._node(status_text._Line(3, "/dev/sda1", ("ONLINE", "0", "0", "0", "(resilvering)")), "5")
    assert node.resilvering
    assert not dataclasses.replace(node, note="", resilvering=False).resilvering


def json_of(name):
    return status_json.read((DATA / f"{name}.json").read_text())


def raw(name):
    return json.loads((DATA / f"{name}.json").read_text())


def every(pool):
    """All nodes of a pool with their groups, top down."""

    def below(node):
        yield node
        for child in node.children:
            yield from below(child)

    return [(group, node) for group, nodes in pool.groups for top in nodes for node in below(top)]


# --- states

# What 2.3.9's zpool holds as names of states and aux codes (the strings of its binary), and what its text makes of them
# (zpool_state_to_name of libzfs, from memory): the text prints these words only.
AUX = (
    "NONE", "OPEN_FAILED", "CORRUPT_DATA", "NO_REPLICAS", "BAD_GUID_SUM", "TOO_SMALL", "BAD_LABEL", "VERSION_NEWER",
    "VERSION_OLDER", "UNSUP_FEAT", "SPARED", "ERR_EXCEEDED", "IO_FAILURE", "BAD_LOG", "EXTERNAL", "SPLIT_POOL",
    "BAD_ASHIFT", "EXTERNAL_PERSIST", "ACTIVE", "CHILDREN_OFFLINE", "ASHIFT_TOO_BIG",
)  # fmt: skip
WORDS = {
    "UNKNOWN": "UNKNOWN", "CLOSED": "OFFLINE", "OFFLINE": "OFFLINE", "REMOVED": "REMOVED", "FAULTED": "FAULTED",
    "DEGRADED": "DEGRADED", "ONLINE": "ONLINE", "HEALTHY": "ONLINE",
}  # fmt: skip
OPENED = {"CORRUPT_DATA": "FAULTED", "BAD_LOG": "FAULTED", "SPLIT_POOL": "SPLIT"}


@pytest.mark.parametrize("aux", ["", *AUX, "SOMETHING_NEW"])
@pytest.mark.parametrize("state", [*WORDS, "CANT_OPEN", "AVAIL", "INUSE", "SOMETHING_NEW", 7, None, "", []])
def test_every_state_that_json_can_print_reads_as_the_text_would_say_it(state, aux):
    data = raw("built-2.3.9")
    vdev = data["pools"]["archive"]["vdevs"]["archive"]["vdevs"]["raidz2-0"]
    leaf = next(iter(vdev["vdevs"].values()))
    leaf.update(state=state, **({"aux": aux} if aux else {}))
    data["pools"]["archive"]["state"] = state
    (pool,) = status_json.read(json.dumps(data))
    found = pool.group("data")[0].children[0]
    kept = state if isinstance(state, str) and state else "UNKNOWN"
    wanted = OPENED.get(aux, "UNAVAIL") if state == "CANT_OPEN" else WORDS.get(kept, kept)
    assert found.state == wanted
    assert found.serving == (wanted in ("ONLINE", "DEGRADED", "AVAIL", "INUSE"))
    assert pool.state == ("UNAVAIL" if state == "CANT_OPEN" else WORDS.get(kept, kept))


@pytest.mark.parametrize("form", ["json", "text"])
def test_what_was_absent_at_import_is_lost_in_either_form(form):
    """Imported with drives out: both units of bay 3, a log's, a cache device and both idle spares."""
    (pool,) = json_of("absent-2.3.9") if form == "json" else text_of("absent-2.3.9")
    lost = [(group, node.path.rsplit("/", 1)[1]) for group, node in every(pool) if node.is_leaf and not node.serving]
    assert lost == [
        ("data", "bay03.0-part1"), ("data", "bay03.1-part1"), ("logs", "bay08.0-part1"), ("cache", "bay07.0-part1"),
        ("spares", "bay06.0-part1"), ("spares", "bay06.1-part1"),
    ]  # fmt: skip
    assert {node.state for _group, node in every(pool) if node.is_leaf and not node.serving} == {"UNAVAIL"}
    assert pool.state == "DEGRADED"
    assert (pool.status, pool.action) == (
        (
            "One or more devices could not be used because the label is missing or invalid. Sufficient replicas exist"
            " for the pool to continue functioning in a degraded state."
        ),
        "Replace the device using 'zpool replace'.",
    )


# --- what JSON leaves out


def lacking(name, **gone):
    """A captured JSON whose nodes of these kinds lack keys."""
    data = raw(name)

    def strip(node):
        for key in gone.get(node.get("vdev_type"), ()):
            node.pop(key, None)
        for child in (node.get("vdevs") or {}).values():
            strip(child)

    for pool in data["pools"].values():
        for group in ("vdevs", "spares", "logs"):
            for node in pool.get(group, {}).values():
                strip(node)
    return data


def runner_for(name, told):
    """A host with 2.3 that prints *told* as JSON, and the captured text."""
    texts = {kind: (DATA / f"{name}.{kind}").read_text() for kind in ("text", "guids", "list")}
    return ScriptedRunner([
        (("zpool", "version"), "zfs-2.3.2-2\nzfs-kmod-2.3.2-2\n"),
        (status_json.ARGV, told),
        (("zpool", "list", "-H", "-p", "-o", "name,guid"), texts["list"]),
        (status_text.ARGV, texts["text"]),
        (status_text.GUID_ARGV, texts["guids"]),
    ])  # fmt: skip


@pytest.mark.parametrize("name", [name for name in CAPTURED if name.startswith("draid")])
def test_rows_of_a_draid_without_kind_and_state_are_read_from_the_text(name):
    """OpenZFS issue 18431 (2.3.2): `zpool status -j` leaves vdev_type and state out for dRAID."""
    told = json.dumps(lacking(name, draid=("vdev_type", "state", "guid"), dspare=("vdev_type", "state", "guid")))
    (alone,) = status_json.read(told)
    assert not alone.complete
    assert [(node.kind, node.parity, node.state, node.serving) for node in alone.group("data")] == [
        ("draid", 1, "UNKNOWN", False)
    ] * 2
    assert not status_json.fit(told)
    runner = runner_for(name, told)
    assert pools.read_pools(runner) == text_of(name)
    runner.finished()


def test_where_neither_form_is_complete_what_is_known_is_kept_and_the_rest_is_unknown():
    told = json.dumps(lacking("draid-2.3.9", draid=("state",)))
    script = [(("zpool", "version"), "zfs-2.3.2-2\nzfs-kmod-2.3.2-2\n"), (status_json.ARGV, told)]
    listing = ("zpool", "list", "-H", "-p", "-o", "name,guid")
    (pool,) = pools.read_pools(ScriptedRunner([*script, (listing, Result(1, "", "no"))]))
    assert [(node.state, node.serving) for node in pool.group("data")] == [("UNKNOWN", False)] * 2
    with pytest.raises(DecodeError):
        pools.read_pools(ScriptedRunner([script[0], (status_json.ARGV, "{}"), (listing, Result(1, "", "no"))]))


def paths_of(data, at=()):
    """Where every key of a JSON tree is."""
    for key, value in data.items():
        yield (*at, key)
        if isinstance(value, dict):
            yield from paths_of(value, (*at, key))


@contextmanager
def changed(data, path, *value):
    """The tree as text with another *value* at a key, or without the key; as it was afterwards."""
    inner = data
    for key in path[:-1]:
        inner = inner[key]
    kept, order = inner[path[-1]], list(inner)
    inner.pop(path[-1])
    if value:
        inner[path[-1]] = value[0]
    try:
        yield json.dumps(data)
    finally:
        inner[path[-1]] = kept
        for key in order:
            inner[key] = inner.pop(key)


# Printed only where they are true or above 0, or known otherwise: to lack them says nothing wrong of a node.
SPEAKS_OF_NOTHING = {
    "alloc_space", "aux", "class", "def_space", "devid", "name", "not_present", "phys_path", "phys_space",
    "rep_dev_size", "rebuild_stats", "resilver_deferred", "scan_processed", "scan_stats", "slow_ios", "total_space",
    "was",
}  # fmt: skip


# What a group of members lacks of these is nobody's errors, and no command names it.
OF_A_DEVICE = {"guid", "read_errors", "write_errors", "checksum_errors"}


def serving(pool):
    """The devices that a member may be read from, as the rest of the library sees them."""
    found = resolve(pool, Index([], [], {}))
    return {(vdev.name, member.guid) for vdev in found.vdevs for member in vdev.members if member.serving}


def same_or_not_well(before, after, path):
    """Whether a tree read without one key is what it was with it, or the node that lacks it is not said to serve."""
    if not serving(after) <= serving(before):
        return False
    if before == after or "scan_stats" in path:
        return True
    named = {node.name for _group, node in every(before)}
    inside = [part for part in path if part in named]
    if not inside:
        return True
    if path[-1] in OF_A_DEVICE and any(node.name == inside[-1] and node.children for _group, node in every(before)):
        return True
    touched = [node for _group, node in every(after) if node.name == inside[-1]]
    if path[-1] == inside[-1]:
        return True  # the node itself is no longer in the output
    return any(not node.serving for node in touched)


@pytest.mark.parametrize("name", CAPTURED)
def test_without_any_one_key_a_node_is_unread_or_not_well(name):
    data = raw(name)
    (before,) = status_json.read(json.dumps(data))
    tried = 0
    for path in list(paths_of(data)):
        tried += 1
        try:
            with changed(data, path) as text:
                found = status_json.read(text)
        except DecodeError:
            continue
        if path[-1] in SPEAKS_OF_NOTHING or path[-2:-1] == ("rebuild_stats",) or not found:
            continue
        assert same_or_not_well(before, found[0], path), "/".join(path)
    assert tried > 200


@pytest.mark.parametrize("name", CAPTURED)
def test_without_any_keys_nothing_but_the_librarys_own_error_comes(name):
    whole = (DATA / f"{name}.json").read_text()
    paths = list(paths_of(json.loads(whole)))
    chance = random.Random(29)
    for dummy in range(60):
        less = json.loads(whole)
        for path in chance.sample(paths, chance.randint(2, 12)):
            inner = less
            for key in path[:-1]:
                inner = inner.get(key, {})
            inner.pop(path[-1], None)
        with suppress(DecodeError):
            for tree in status_json.read(json.dumps(less)):
                resolve(tree, Index([], [], {}))


@pytest.mark.parametrize("value", [None, [], "x", -1, 1e999, {"a": 1}, True, "\u00b2", "9" * 5000])
@pytest.mark.parametrize("name", ["absent-2.3.9", "draid-spared-2.3.9"])
def test_any_value_at_any_key_gives_a_tree_or_the_librarys_own_error(name, value):
    data = raw(name)
    for path in list(paths_of(data)):
        with changed(data, path, value) as text, suppress(CoreError):
            for tree in status_json.read(text):
                resolve(tree, Index([], [], {}))
    assert data == raw(name)


# --- dRAID


def test_two_stand_ins_of_one_name_differ_by_their_members():
    """JSON looks nodes up by name and gives the second spare-5 the first one's guid (and state)."""
    told = raw("draid-spared-2.3.9")["pools"]["archive"]["vdevs"]["archive"]["vdevs"]
    both = [vdev["vdevs"]["spare-5"]["guid"] for vdev in told.values()]
    assert len(set(both)) == 1
    text = (DATA / "draid-spared-2.3.9.guids").read_text().split()
    assert text.count(str(both[0])) == 1
    (pool,) = json_of("draid-spared-2.3.9")
    stand_ins = [node for _group, node in every(pool) if node.kind == "spare"]
    assert [(node.name, node.guid, node.serving) for node in stand_ins] == [("spare-5", "", True)] * 2


def test_while_a_distributed_spare_resilvers_the_others_hold_all_their_data():
    """OpenZFS counts what a resilver writes for it at all members; here as it stood when the resilver was done."""
    data = raw("draid-spared-2.3.9")
    data["pools"]["archive"]["scan_stats"]["state"] = "SCANNING"
    told = data["pools"]["archive"]["vdevs"]["archive"]["vdevs"]["draid1:3d:6c:1s-1"]["vdevs"]
    assert sum("scan_processed" in node for node in told.values()) > 2
    (pool,) = status_json.read(json.dumps(data))
    assert resilvering(pool) == ["draid1-0-0", "draid1-1-0"]


def resilvering(pool):
    return [node.name for _group, node in every(pool) if node.is_leaf and node.resilvering]


@pytest.mark.parametrize("form", ["json", "text"])
def test_a_rebuild_of_vdevs_is_a_resilver_under_way(form):
    """JSON's own scan is an older resilver, which has ended."""
    told = {"json": json_of, "text": text_of}[form]
    (both,), (none,) = (told(f"draid-{word}-2.3.9") for word in ("rebuilding", "rebuilt"))
    assert (both.scan.resilvering, resilvering(both)) == (True, ["draid1-0-0", "draid1-1-0"])
    assert (none.scan.function, none.scan.running, resilvering(none)) == ("scrub", False, [])


def test_a_scrub_under_way_is_not_hidden_by_rebuilds_that_have_ended():
    """2.1 printed the scrub first, then a line for each vdev that was rebuilt."""
    (pool,) = text_of("draid-scrubbing-2.1.11")
    assert (pool.scan.function, pool.scan.running, resilvering(pool)) == ("scrub", True, [])
    assert "32.39% done" in pool.scan.text
    (after,) = text_of("draid-rebuilt-2.1.11")
    assert (after.scan.function, after.scan.state) == ("scrub", "finished")


def test_a_rebuild_that_has_ended_does_not_hide_the_one_that_runs():
    data = raw("draid-rebuilding-2.3.9")
    data["pools"]["archive"]["scan_stats"]["rebuild_stats"]["draid1:3d:6c:1s-0"]["state"] = "COMPLETE"
    for (pool,) in (text_of("draid-half-rebuilt-2.3.9"), status_json.read(json.dumps(data))):
        scan = pool.scan or Scan()
        assert (scan.resilvering, resilvering(pool)) == (True, ["draid1-1-0"])


def canceled(scrub_after: bool):
    """The real outputs of a pool whose event daemon put two distributed spares in: JSON's tree and the text's.

    The first rebuild ended and started a scrub, the scrub canceled the second one. With *scrub_after* the times of
    that scrub are put behind it, as of one that a person has run since.
    """
    data = raw("partial/draid-canceled-2.3.9")
    text = (DATA / "partial" / "draid-canceled-2.3.9.text").read_text()
    scan = data["pools"]["archive"]["scan_stats"]
    if scrub_after:
        scan["start_time"], scan["end_time"] = scan["start_time"] + 3600, scan["end_time"] + 3600
        text = text.replace("3 errors on Fri Nov 27 20:20:21", "3 errors on Fri Nov 27 21:20:21")
    # No output with GUIDs was recorded beside these: the same rows with those that JSON tells.
    numbers = [str(node["guid"]) for node in rows(data["pools"]["archive"]["vdevs"])]
    lines = text.splitlines()
    head = next(at for at, line in enumerate(lines) if line.startswith("\tNAME"))
    for at, (line, number) in enumerate(zip(lines[head + 1 :], numbers, strict=False), head + 1):
        lines[at] = line.replace(line.split()[0], number, 1)
    (told,) = status_text.read(text, "\n".join(lines), {"archive": "1"})
    (other,) = status_json.read(json.dumps(data))
    return other, told


def rows(vdevs):
    for node in vdevs.values():
        yield node
        yield from rows(node.get("vdevs") or {})


def test_a_distributed_spare_whose_rebuild_was_canceled_does_not_serve_yet():
    """2.3.9 prints ONLINE and no more for it; 184 KB of the first were written, none of the second."""
    for pool in canceled(scrub_after=False):
        assert resilvering(pool) == ["draid1-1-0"]
        assert pool.errors == 1
    for pool in canceled(scrub_after=True):
        assert resilvering(pool) == []


def test_a_sequential_resilver_without_a_stand_in_is_read_from_the_text():
    """Of a mirror that a device is attached to in sequence, JSON does not say which member resilvers."""
    data = raw("draid-rebuilding-2.3.9")
    for vdev in data["pools"]["archive"]["vdevs"]["archive"]["vdevs"].values():
        place = vdev["vdevs"].pop("spare-4")
        vdev["vdevs"].update(place["vdevs"])
    assert not status_json.fit(json.dumps(data))


# --- the text alone

SPARE_GONE = """  pool: archive
 state: ONLINE
config:

\tNAME                                 STATE     READ WRITE CKSUM
\tarchive                              ONLINE       0     0     0
\t  mirror-0                           ONLINE       0     0     0
\t    /dev/disk/by-vdev/bay00.0-part1  ONLINE       0     0     0
\t    /dev/disk/by-vdev/bay01.0-part1  ONLINE       0     0     0
\tspares
\t  1234567890123456789                UNAVAIL   was /dev/disk/by-vdev/bay08.0-part1
\t  /dev/disk/by-vdev/bay08.1-part1    INUSE     currently in use
\t  /dev/disk/by-vdev/bay09.0-part1    AVAIL

errors: No known data errors
"""


def read_text(text):
    (pool,) = status_text.read(text, text, {})
    return pool


def test_a_spare_that_is_gone_keeps_its_words_and_so_its_bay():
    """The row as issue 29 gives it."""
    gone, used, idle = read_text(SPARE_GONE).group("spares")
    assert (gone.state, gone.was, gone.path) == ("UNAVAIL", *["/dev/disk/by-vdev/bay08.0-part1"] * 2)
    assert (used.state, used.note, used.path) == ("INUSE", "currently in use", "/dev/disk/by-vdev/bay08.1-part1")
    assert (idle.state, idle.note) == ("AVAIL", "")
    found = resolve(read_text(SPARE_GONE), Index([], [], {}))
    assert [member.path.rsplit("/", 1)[1] for member in found.spares] == [
        f"bay0{n}-part1" for n in ("8.0", "8.1", "9.0")
    ]


# Pools may have spaces in their names (zpool-create(8)).
@pytest.mark.parametrize(
    "name", ["NAME", "NAME-2", "NAME STATE", "my pool", "logs", "spares", "cache", "special", "dedup", "errors", "pool"]
)
def test_a_pool_may_be_called_like_a_heading_or_a_field(name):
    text = SPARE_GONE.replace("archive ", f"{name} ".ljust(8)).replace("pool: archive", f"pool: {name}")
    pool = read_text(text)
    assert pool.name == name
    assert [(group, len(nodes)) for group, nodes in pool.groups] == [("data", 1), ("spares", 3)]
    assert pool.group("data")[0].kind == "mirror"


@pytest.mark.parametrize("name", ["logs", "spares", "cache", "NAME", "scan:", "pool:", "mirror", "raidz2", "draid1-0"])
def test_a_device_may_be_called_like_a_heading_or_a_field(name):
    """By-vdev names without -P; a file's path may end in anything."""
    text = SPARE_GONE.replace("/dev/disk/by-vdev/bay01.0-part1", f"/srv/{name}".ljust(31))
    assert [node.path for node in read_text(text).group("data")[0].children][1] == f"/srv/{name}"
    assert [(node.kind, node.serving) for node in read_text(text).group("data")[0].children] == [("disk", True)] * 2


def test_a_device_that_is_named_like_a_note_is_not_resilvering():
    text = SPARE_GONE.replace(
        "/dev/disk/by-vdev/bay00.0-part1  ONLINE       0     0     0",
        "123                              UNAVAIL      0     0     0  was /srv/resilver.img",
    )
    gone = read_text(text).group("data")[0].children[0]
    assert (gone.resilvering, gone.path) == (False, "/srv/resilver.img")


def test_digits_that_are_no_numbers_are_no_counters():
    text = SPARE_GONE.replace("bay00.0-part1  ONLINE       0     0     0", "bay00.0-part1  ONLINE  \u00b2 0 0")
    assert read_text(text).group("data")[0].children[0].read_errors == 0
    with suppress(DecodeError):
        read_text(SPARE_GONE.replace("No known data errors", "9" * 5000 + " data errors"))


def test_a_tree_deeper_than_any_pool_is_refused():
    rows = "".join("\t" + "  " * depth + f"d{depth}  ONLINE  0 0 0\n" for depth in range(3000))
    with pytest.raises(DecodeError, match="levels"):
        read_text("  pool: p\nconfig:\n\n\tNAME STATE READ WRITE CKSUM\n" + rows)


# Lines as print_rebuild_status and print_scan_scrub_resilver_status of OpenZFS 2.1 write them; see the captures too.
RUNNING = """resilver (draid1:3d:6c:1s-0) in progress since Mon Jul 24 19:40:55 2023
\t334T scanned at 2.13G/s, 306T issued 1.95G/s, 359T total
\t13.9T resilvered, 92.97% done, 03:22:35 to go"""
SLOWER = RUNNING.replace("1s-0", "1s-1").replace("92.97", "12.50")
DONE = "resilvered (draid1:3d:6c:1s-1) 2G in 00:00:05 with 0 errors on Mon Jul 24 19:00:00 2023"
SCRUBBED = "scrub repaired 0B in 2 days 10:05:20 with 0 errors on Tue Jul 11 10:29:22 2023"
SCRUBBING = "scrub in progress since Mon Jul 24 19:40:55 2023\n\t5.00% done, 00:01:00 to go"


@pytest.mark.parametrize(
    ("lines", "function", "running", "word"),
    [
        ((SCRUBBED, RUNNING), "resilver", True, "92.97% done"),
        ((RUNNING, DONE), "resilver", True, "92.97% done"),
        ((DONE, RUNNING), "resilver", True, "92.97% done"),
        ((RUNNING, SLOWER), "resilver", True, "12.50% done"),
        ((SLOWER, RUNNING), "resilver", True, "12.50% done"),
        ((SCRUBBING, DONE), "scrub", True, "5.00% done"),
        ((SCRUBBING, RUNNING), "resilver", True, "92.97% done"),
        ((SCRUBBED, DONE), "scrub", False, "2 days"),
        ((DONE,), "resilver", False, "00:00:05"),
        ((), "none", False, ""),
    ],
)
def test_of_several_scans_the_one_at_work_counts(lines, function, running, word):
    told = "".join(f"  scan: {line}\n" for line in lines)
    scan = read_text(SPARE_GONE.replace("config:", f"{told}config:", 1)).scan
    assert (scan.function, scan.running) == (function, running)
    assert word in scan.text
