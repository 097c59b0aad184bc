# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The parsers, each as a function of bytes that raises only the library's own errors, and examples of valid input.

Text and JSON parsers get any text. Readers of declared data get what a YAML file can hold: a tree of
values over the very keys that they know, built from the bytes.
"""

from __future__ import annotations

import base64
import hashlib
import json
import lzma
import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core import (
    declared,
    onhost,
    plain,
    record,
    server_class,
    yaml_edit,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import CoreError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health import (
    blockstat,
    config,
    smart,
    snapshot,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host import bays, hostid
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.identity import ranges, text, vpd
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout import given
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.policy import Policy
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.report import report
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.partition import extents, table
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs import (
    labels,
    listing,
    status_json,
    status_text,
    support,
    xdr,
)
from tests.checkout import REPO

DATA = REPO / "tests" / "data"
LABEL_MAGIC = 0x0210DA7AB10C7A11  # zio_eck_t of OpenZFS's zio_checksum.h


@dataclass(frozen=True)
class Target:
    """A parser under attack: what it does with bytes, and examples of what it should read."""

    run: Callable[[bytes], object]
    seeds: list[bytes] = field(default_factory=list)


def attack(target: Target, data: bytes) -> None:
    """Runs it. Only errors that the library raises on purpose are caught."""
    try:
        target.run(data)
    except CoreError as error:
        str(error)  # the words must come out as well


def words(data: bytes) -> str:
    """Any text at all: what a tool could print, undecodable bytes included."""
    return data.decode("utf-8", "surrogateescape")


class Tree:
    """A tree of plain values out of bytes, over given keys: what YAML or JSON could hold at a place."""

    SCALARS: tuple[Any, ...] = (
        None, True, False, 0, 1, 2, -1, 3.5, float("nan"), float("inf"), 1e308, 2**63, 2**64, 10**30, 2**200,
        10**400, "", "0", "bay00", "bay[00:11]", "naa.5000ace2bb000010", "raidz", "mirror", "special",
        "pci-0000:00:08.0-sas-phy{phy}-lun-*", "bay{phy+6}", "$(reboot)", "a\nb", '"', "\u202e", "\ud800",
    )  # fmt: skip

    def __init__(self, data: bytes, keys: tuple[str, ...]) -> None:
        self._data = data
        self._at = 0
        self._keys = keys

    def value(self, depth: int = 0) -> Any:
        """The next value."""
        kind = self._byte() % 8
        if depth > 5 or kind < 3:
            return self.SCALARS[self._byte() % len(self.SCALARS)]
        if kind == 3:
            return int.from_bytes(self._take(self._byte() % 9), "big", signed=True)
        if kind == 4:
            return words(self._take(self._byte() % 12))
        if kind == 5:
            return [self.value(depth + 1) for dummy in range(self._byte() % 4)]
        return {self._key(): self.value(depth + 1) for dummy in range(self._byte() % 6)}

    def below(self, count: int) -> int:
        """The next byte, as a number below *count*."""
        return self._byte() % count

    def _key(self) -> Any:
        choice = self._byte()
        if choice < 230:
            return self._keys[choice % len(self._keys)]
        return self.SCALARS[choice % len(self.SCALARS)]

    def _byte(self) -> int:
        return (self._take(1) or b"\0")[0]

    def _take(self, count: int) -> bytes:
        taken = self._data[self._at : self._at + count]
        self._at += count
        return taken


def tree_target(read: Callable[[Any], object], *keys: str) -> Target:
    """A reader of declared data, over the keys that it knows."""
    return Target(lambda data: read(Tree(data, keys).value()), [bytes([6, 3, n, 6, 2, 0, 8, 1, 9]) for n in range(8)])


def json_target(read: Callable[[str], object], *seeds: bytes) -> Target:
    """A reader of JSON text."""
    return Target(lambda data: read(words(data)), list(seeds))


def _files(pattern: str) -> list[bytes]:
    return [path.read_bytes() for path in sorted(DATA.glob(pattern))]


def _label_lists() -> list[bytes]:
    """The name-value lists out of the recorded labels."""
    found = []
    for path in sorted((DATA / "labels").glob("*.label")):
        raw = _label(path)
        found.append(raw[labels.LIST_AT : labels.LIST_AT + 4096])
    return found


def _label(path: Path) -> bytes:
    lines = path.read_text().split()
    return lzma.decompress(base64.b64decode("".join(line for line in lines if not line.startswith("#"))))


def _read_label(data: bytes) -> object:
    """A label with a valid checksum, as an attacker would make it, so that the code behind the check is reached."""
    size = labels.LIST_SIZE
    body = data[: size - 40].ljust(size - 40, b"\0") + struct.pack("<Q", LABEL_MAGIC)
    salted = body + struct.pack("<4Q", labels.LIST_AT, 0, 0, 0)
    digest = struct.unpack(">4Q", hashlib.sha256(salted).digest())
    whole = bytes(labels.LIST_AT) + body + struct.pack("<4Q", *digest)
    return labels.read_label(whole.ljust(labels.SIZE, b"\0"), 0)


def _status_text(data: bytes) -> object:
    first, _mark, second = words(data).partition("\x1e")
    return status_text.read(first, second or first, {"archive": "1"})


def _yaml_variable(data: bytes) -> object:
    return yaml_edit.read_variable(words(data), "split_actuator_drives")


def _plan(data: bytes) -> object:
    """Valid options of layout_plan in which a few values are replaced by any value that YAML can hold."""
    options: Any = json.loads(PLAN_OPTIONS)
    source = Tree(data, PLAN_KEYS)
    for _change in range(1 + source.below(4)):
        place = options
        while True:
            names = sorted(place) if isinstance(place, dict) else range(len(place))
            if not names:
                break
            name = names[source.below(len(names))]
            inner = place[name]
            # Mostly down to a leaf; now and then a whole branch goes.
            if not isinstance(inner, (dict, list)) or source.below(8) == 0:
                place[name] = source.value()
                break
            place = inner
    if source.below(16):  # comparing takes most of the time
        options["compare"] = False
    return report(options)


def _plan_options() -> str:
    """Drives in both forms, one of them with three units, and a pool that uses some of them."""
    short = [{"bay": f"bay{n:02d}", "serial": f"ACS{n}", "unit_count": 2, "unit_bytes": 9 * 10**12} for n in range(4)]
    whole = plain.to_plain(given.read_drives([{"serial": "ACS4", "bay": "bay04", "unit_bytes": [9 * 10**12] * 2}]))
    base = {"drives": short, "policy": {"kind": "raidz", "parity": 1, "width": 4, "survive": {"drives": 1}}}
    placed = report({**base, "compare": False})["layout"]
    placed["spares"] = [{"serial": "ACS4", "bay": "bay04", "members": []}]
    placed["spares"][0]["members"] = [
        {"serial": "ACS4", "index": n, "bay": "bay04", "size": 9 * 10**12, "unit_kind": "lun"} for n in range(2)
    ]
    rates = {"drive_afr": 0.01, "unit_afr": 0.002, "delay_hours": 12.0, "rate": 1e8, "link": 2e8, "fill": 0.5}
    options = {**base, "placed": placed, "rates": rates, "ashift": 12, "whole_disk": True, "compare": True}
    options["drives"] = [*short, *whole, {"bay": "bay05", "serial": "ACS5", "unit_bytes": [9 * 10**12] * 3}]
    return json.dumps(options)


STATUS_SEEDS = [
    path.read_bytes() + b"\x1e" + path.with_suffix(".guids").read_bytes()
    for path in sorted((DATA / "zpool").glob("*.text"))
]
DRIVE_KEYS = (
    "bay00",
    "bay01",
    "serial",
    "model",
    "unit_count",
    "unit_bytes",
    "wwns",
    "ranges",
    "equal",
    "use",
    "firmware",
)
CLASS_KEYS = ("ACTW-D9", "unit_count", "unit_bytes", "logical_block", "firmware", "physical_block")
POLICY_KEYS = (
    "kind", "parity", "width", "spares", "survive", "drives", "enclosures", "prefer", "siblings", "draid", "data",
)  # fmt: skip
PLAN_KEYS = (
    *POLICY_KEYS,
    "mixed_sizes",
    "bay",
    "serial",
    "unit_bytes",
    "index",
    "size",
    "members",
    "vdevs",
    "enclosure",
    "slot",
)
PLAN_OPTIONS = _plan_options()
CLASS_PARTS = ("bays", "paths", "models")
BAY_KEYS = ("pattern", "bay", "enclosure")
NAMES = ("0x5000ace200000000", "west")
SUPPORT_KEYS = ("role", "kind", "devices")

TARGETS: dict[str, Target] = {
    "vpd 80h": Target(vpd.decode_serial, [bytes.fromhex("0080000841435430303031")]),
    "vpd 83h": Target(vpd.decode_identification, [bytes.fromhex("0083000c010300085000ace2bb000010")]),
    "vpd B1h": Target(vpd.decode_characteristics, [bytes.fromhex("00b1003c1c20") + bytes(58)]),
    "vpd 89h": Target(vpd.decode_ata_information, [bytes.fromhex("00890238") + bytes(568)]),
    "vpd B9h": Target(ranges.decode_ranges_page, [bytes.fromhex("00b9007c") + bytes(124)]),
    "ata log 47h": Target(ranges.decode_ranges_log, [bytes([2]) + bytes(511)]),
    "text of a drive": Target(text.clean, [b"ACTWO   ACTW-D9"]),
    "pool label": Target(_read_label, _label_lists()),
    "name-value list": Target(xdr.decode, _label_lists()),
    "status, JSON": json_target(status_json.read, *_files("zpool/*.json")),
    "status, text": Target(_status_text, STATUS_SEEDS),
    "import listing": json_target(listing.read, *_files("zpool/*import*")),
    "smartctl JSON": json_target(smart.read, *_files("smartctl/*.json")),
    "block stat": json_target(blockstat.read_stat, b" 1 0 8 0 1 0 8 0 0 1 1 0 0 0 0 0 0\n"),
    "snapshot": json_target(snapshot.from_text),
    "health configuration": json_target(
        lambda one: plain.from_plain(config.Config, json_or_none(one), "health"), b"{}"
    ),
    "on-host inventory": json_target(onhost.from_text, b'{"schema": 1, "drives": []}'),
    "host record": json_target(record.from_text, b'{"schema": 1, "host": "ebb01"}'),
    "partition table": json_target(table.parse_table, b'{"partitiontable": {"label": "gpt", "partitions": []}}'),
    "host id": json_target(hostid.parse, b"0a5a05af"),
    "drives.yml": Target(_yaml_variable, [b"split_actuator_drives:\n  bay00:\n    serial: ACT100\n"]),
    "declared drives": tree_target(declared.read_drives, *DRIVE_KEYS),
    "declared ranges": tree_target(extents.read_spec, "equal"),
    "declared class": tree_target(
        lambda one: server_class.read_class(*_parts(one, CLASS_PARTS)), *CLASS_PARTS, *CLASS_KEYS
    ),
    "policy": tree_target(Policy.from_plain, *POLICY_KEYS),
    "plan options": Target(_plan, [bytes([n % 4, n, n // 3, n, 0, n, n % 24, 7, n]) for n in range(64)]),
    # Ansible's own argument check lets only lists of dictionaries, and dictionaries, through to these two.
    "bay map": tree_target(lambda one: bays.read_bay_map(_dictionaries(one)), *BAY_KEYS),
    "enclosure names": tree_target(
        lambda one: [bays.read_enclosure_names(each) for each in _dictionaries([one])], *NAMES
    ),
    "supporting vdevs": tree_target(support.read_support, *SUPPORT_KEYS),
}


def json_or_none(one: str) -> Any:
    """JSON, or None for text that is not JSON: the target is the reader behind it."""
    try:
        return json.loads(one)
    except ValueError:
        return None


def _dictionaries(one: Any) -> list[dict[str, Any]]:
    return [each for each in one if isinstance(each, dict)] if isinstance(one, list) else []


def _parts(one: Any, names: tuple[str, ...]) -> list[Any]:
    return [one.get(name) for name in names] if isinstance(one, dict) else [one, one, one]
