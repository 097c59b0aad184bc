# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""pool on a real kernel: what it refuses, with every byte unchanged, and the life of a small pool.

Bytes are compared from outside the guest; the pool is read with C(zpool status), not through our code.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any

import pytest

from tests.lab.lab import Lab
from tests.lab.modules import call, four_runs

pytestmark = pytest.mark.lab

SIZE = 10**12
SERIALS = [f"REF{bay:02d}" for bay in range(6)]
DECLARED = {f"bay{bay:02d}": {"serial": serial} for bay, serial in enumerate([*SERIALS, "REF06", "REF07"])}

# One situation a drive, made by hand with the tools of the trade: bay, commands, what the refusal must say.
SITUATIONS = {
    "filesystem": (
        1,
        "mkfs.ext4 -q -E nodiscard {1} 64M",
        "bay01 (serial REF01) unit 1: filesystem ext4",
    ),
    "partition table": (2, "echo 'label: gpt' | sfdisk -q {0}", "bay02 (serial REF02) unit 0: partition table gpt"),
    "another pool": (3, "zpool create -O mountpoint=none other {0}", "bay03 (serial REF03) unit 0: "),
    "mounted": (
        4,
        "mkfs.ext4 -q -E nodiscard {0} 64M && mount -o ro {0} /mnt",
        "bay04 (serial REF04) unit 0: mount /mnt",
    ),
    "volume": (5, "pvcreate -qq {1}", "bay05 (serial REF05) unit 1: lvm"),
}


def layout(*serials: str) -> dict[str, Any]:
    """Two mirrors on the two units of these drives."""
    bays = {entry["serial"]: bay for bay, entry in DECLARED.items()}
    return {
        "vdevs": [
            {
                "kind": "mirror",
                "parity": len(serials) - 1,
                "members": [
                    {"serial": serial, "index": index, "bay": bays.get(serial, ""), "size": SIZE} for serial in serials
                ],
            }
            for index in (0, 1)
        ]
    }


def pool_module(lab: Lab, *serials: str, **options: Any) -> dict[str, Any]:
    return call(lab, "pool", pool="archive", layout=layout(*serials), declared=DECLARED, **options)


def node(lab: Lab, bay: int, unit: int) -> str:
    return "/dev/" + str(lab.guest_unit(bay, unit)["block"])


@pytest.fixture(scope="module")
def spoiled(labs: Any) -> Lab:
    """The chassis with every situation made, and left so for the tests of this module that only refuse."""
    lab = labs.get("refusals")
    for bay, commands, _reason in SITUATIONS.values():
        nodes = [node(lab, bay, unit) for unit in (0, 1)]
        lab.run(commands.format(*nodes), timeout=300)
    lab.run("udevadm settle")
    return lab  # type: ignore[no-any-return]


@pytest.fixture
def unchanged(spoiled: Lab) -> Iterator[Lab]:
    """Every byte of every drive is the same after the test as before it."""
    spoiled.run("zpool sync other; sync")
    before = spoiled.content_hashes()
    pools = spoiled.run("zpool list -H -o name,guid").out
    yield spoiled
    assert spoiled.content_hashes() == before
    assert spoiled.run("zpool list -H -o name,guid").out == pools


@pytest.mark.parametrize("check", [False, True], ids=["run", "check mode"])
def test_what_is_found_on_units_refuses_all_of_it_by_bay_and_serial(unchanged: Lab, check: bool) -> None:
    result = pool_module(
        unchanged, "REF00", *(f"REF{bay:02d}" for bay, _made, _reason in SITUATIONS.values()), check=check
    )
    assert result["failed"]
    for _bay, _made, reason in SITUATIONS.values():
        assert any(line.startswith(reason) for line in result["reasons"]), result["reasons"]
    assert not any("REF00" in line for line in result["reasons"])


@pytest.mark.parametrize("name", SITUATIONS)
def test_each_thing_alone_is_enough_and_use_is_refused_even_when_told(unchanged: Lab, name: str) -> None:
    bay, _made, reason = SITUATIONS[name]
    in_use = name in ("another pool", "mounted")
    result = pool_module(
        unchanged, "REF00", f"REF{bay:02d}", **({"erase_serials": [f"REF{bay:02d}"]} if in_use else {})
    )
    assert result["failed"]
    assert any(line.startswith(reason) for line in result["reasons"]), result["reasons"]


def test_drives_that_are_not_as_declared_are_refused(unchanged: Lab) -> None:
    for serials, reason in {
        ("REF00", "REF09"): "bay unknown (serial REF09): declared, but no drive with this serial is on the host",
        ("REF00", "REF06"): "bay06 (serial REF06): unit 1 is missing; the drive shows unit 0",
        ("REF00", "REF07"): "bay07 (serial REF07): 2 drives report this serial",
    }.items():
        result = pool_module(unchanged, *serials)
        assert result["failed"]
        assert any(line.startswith(reason) for line in result["reasons"]), result["reasons"]


AWAY = "mv /usr/sbin/zpool /usr/sbin/zpool.away"
BACK = "mv -f /usr/sbin/zpool.away /usr/sbin/zpool"
OLD = "#!/bin/sh\necho zfs-0.8.6-1\necho zfs-kmod-0.8.6-1\n"


@pytest.mark.parametrize(
    ("user", "prepare", "undo", "words"),
    [
        ("keeper", "true", "true", ["needs root", "become"]),
        ("root", AWAY, BACK, ["zpool is not installed", "prerequisites"]),
        ("root", f"{AWAY}; cat > /usr/sbin/zpool; chmod 755 /usr/sbin/zpool", BACK, ["zfs-0.8.6-1 is too old", "2.1"]),
    ],
    ids=["no rights", "no zpool", "old OpenZFS"],
)
def test_what_the_host_lacks_is_said_plainly(
    unchanged: Lab, user: str, prepare: str, undo: str, words: list[str]
) -> None:
    lab = unchanged
    lab.run("id -u keeper >/dev/null 2>&1 || useradd -m -s /bin/sh keeper")
    lab.run(prepare, stdin=OLD)
    try:
        result = pool_module(lab, "REF00", "REF01", user=user)
    finally:
        lab.run(undo)
    assert result["failed"]
    for word in words:
        assert word in result["msg"], result["msg"]


def members(lab: Lab) -> dict[str, list[str]]:
    """Vdev to member devices, from C(zpool status) in text, resolved by the guest's own links."""
    found: dict[str, list[str]] = {}
    for line in lab.run("zpool status -L -P archive").out.splitlines():
        match = re.match(r"\t  (  )?(\S+) +[A-Z]+ +\d", line)
        if match and not match.group(1):
            found[match.group(2)] = []
        elif match:
            found[list(found)[-1]].append(match.group(2))
    return found


def test_a_small_pool_is_made_verified_and_kept(labs: Any) -> None:
    lab = labs.get("refusals")
    options: dict[str, Any] = {"pool": "archive", "layout": layout("REF00", "REF01"), "declared": DECLARED}
    others = [(bay, unit) for bay in (2, 3, 4, 5) for unit in (0, 1)]
    before = lab.content_hashes(others)
    runs = four_runs(lab, "pool", **options)
    assert [line.split()[0] for line in runs.done["diff"][1]["prepared"].splitlines()] == ["commands:", "zpool"]
    truth = [{(str(lab.guest_unit(bay, unit)["block"])) for bay in (0, 1)} for unit in (0, 1)]
    shown = [{re.sub(r"^/dev/|\d+$", "", one) for one in members(lab)[f"mirror-{unit}"]} for unit in (0, 1)]
    assert shown == truth
    assert lab.content_hashes(others) == before
    # A setting is brought to what is wished, and another layout is refused with the pool as it was.
    changed = four_runs(lab, "pool", **options, root_settings={"recordsize": "1M", "atime": False})
    assert [words[:2] for words in changed.done["commands"]] == [["zfs", "set"]]
    assert lab.run("zfs get -Hp -o value recordsize archive").out.strip() == "1048576"
    refused = call(lab, "pool", **{**options, "layout": layout("REF00", "REF02")})
    assert refused["failed"]
    assert "exists, but does not match the layout" in refused["msg"]
    assert lab.content_hashes(others) == before


def test_a_creation_that_was_cut_off_is_finished_by_the_next_run(labs: Any) -> None:
    lab = labs.get("refusals")
    options: dict[str, Any] = {"pool": "archive", "layout": layout("REF00", "REF01"), "declared": DECLARED}
    # A zpool that fails where it hurts: after the disks are partitioned, OpenZFS finds its mount point taken.
    lab.run("mv /usr/sbin/zpool /usr/sbin/zpool.real")
    lab.run(
        "cat > /usr/sbin/zpool; chmod 755 /usr/sbin/zpool",
        stdin='#!/bin/sh\ncase "$1 $2" in "create -n") ;; create*) mkdir -p /archive; touch /archive/taken ;; esac\n'
        'exec /usr/sbin/zpool.real "$@"\n',
    )
    cut = call(lab, "pool", **options)
    assert cut["failed"]
    assert cut["cmd"][:2] == ["zpool", "create"]
    note = json.loads(lab.run("cat /var/lib/evenkeel/split_actuator/creation.json").out)
    assert note["pool"] == "archive"
    assert len(note["wwns"]) == 4
    assert {kind for kind in lab.run(f"lsblk -no PARTLABEL {node(lab, 0, 0)}").out.split() if kind.startswith("zfs-")}
    lab.run("rm -r /archive; mv /usr/sbin/zpool.real /usr/sbin/zpool")
    done = call(lab, "pool", **options)
    assert not done.get("failed"), done["msg"]
    assert done["changed"]
    assert not lab.run("ls /var/lib/evenkeel/split_actuator").out.strip()


def test_only_the_drives_told_are_erased(labs: Any) -> None:
    lab = labs.get("refusals")
    for bay in (0, 1, 2):
        lab.run(f"mkfs.ext4 -q -E nodiscard {node(lab, bay, 1)} 64M", timeout=300)
    lab.run("sync; udevadm settle")
    others = [(bay, unit) for bay in (2, 3, 4, 5) for unit in (0, 1)]
    before = lab.content_hashes(others)
    half = pool_module(lab, "REF00", "REF01", erase_serials=["REF00"])
    assert half["failed"]
    assert all("REF01" in line for line in half["reasons"]), half["reasons"]
    runs = four_runs(
        lab, "pool", pool="archive", layout=layout("REF00", "REF01"), declared=DECLARED,
        erase_serials=["REF00", "REF01"],
    )  # fmt: skip
    assert {words[0] for words in runs.done["commands"]} == {"blkdiscard", "wipefs", "zpool"}
    assert lab.content_hashes(others) == before
