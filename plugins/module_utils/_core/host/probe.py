# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Reads the devices themselves before an action, since udev's database may be stale.

One run of C(wipefs) (libblkid) lists the signatures on all nodes. Each node is opened read-only and exclusively, which
the kernel refuses for a device in use. The four label areas of a pool member are read directly, so that a partly
erased label counts too. Nothing is written.
"""

from __future__ import annotations

import errno
import json
import os
from typing import Dict, Iterable, List, Mapping, Sequence, Tuple

from ..errors import DecodeError, HostError
from ..identity.text import clean_text
from ..model import Content, Unit
from .contents import IN_USE, signature_contents
from .discover import Found
from .disks import Signature
from .run import Runner, checked

Key = Tuple[str, int]

# vdev_label.c: labels of 256 KiB, two at the start, two at the end of the size rounded down to 256 KiB;
# the configuration, an XDR name-value list, begins 16 KiB into each.
_LABEL, _CONFIG = 256 << 10, 16 << 10
# nvpair.c: XDR encoding 1, either byte order, then version 0 and the flag for unique names, big-endian.
_LIST_HEADS = tuple(bytes((1, order, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1)) for order in (0, 1))


def examine(found: Found, keys: Iterable[Key], runner: Runner) -> Dict[Key, Tuple[Content, ...]]:
    """What is on the units named by (serial, index) now; empty tuples for units that are free.

    Signatures are read from the devices; mounts, swap and holders are as `discover` read them just
    before. Raises HostError where a device cannot be opened (root is needed) or C(wipefs) is missing.
    """
    wanted = set(keys)
    units = {
        (drive.serial, unit.index): unit
        for drive in found.drives
        for unit in drive.units
        if (drive.serial, unit.index) in wanted
    }
    nodes = {key: nodes_of(found, unit) for key, unit in units.items()}
    signatures = read_signatures(sorted({node for some in nodes.values() for node in some}), runner)
    return {key: _contents(found, unit, nodes[key], signatures) for key, unit in units.items()}


def nodes_of(found: Found, unit: Unit) -> Tuple[str, ...]:
    """The device nodes that a unit's data could be on: its own node first, then its partitions.

    Before a range-split drive is partitioned, that is the whole disk for each of its units.
    """
    own = tuple(path.node for path in unit.paths)
    if unit.node and unit.node not in own:
        return (unit.node, *(one.node for one in found.blocks.maps if _on(found, one.slaves, unit.node)))
    disk = found.disk(own[0])
    parts = tuple(part.node for part in disk.partitions) if disk else ()
    return own[:1] + parts


def _on(found: Found, slaves: Sequence[str], node: str) -> bool:
    return any(one.node == node and one.name in slaves for one in found.blocks.maps)


def _contents(
    found: Found, unit: Unit, nodes: Sequence[str], signatures: Mapping[str, Sequence[Content]]
) -> Tuple[Content, ...]:
    in_use = [content for content in unit.contents if content.type in IN_USE]
    fresh = [content for node in nodes for content in signatures.get(node, ())]
    for node in nodes:
        try:
            labels, is_open = look(node)
        except _BadPlace as bad:
            # Reported like any other content of the unit; a trial finds such drives.
            labels, is_open = (), bad.is_open
            fresh.append(Content("unreadable", str(bad), node))
        if labels and not any(one.type == "pool_label" and one.node == node for one in fresh):
            fresh.append(Content("pool_label", "label {0}".format(", ".join(str(one) for one in labels)), node))
        if is_open and not in_use:
            in_use.append(Content("open", "opened exclusively by the kernel or a program", node))
    disk = found.disk(nodes[0])
    if disk and disk.partitions and not any(one.type == "partition_table" for one in fresh):
        fresh.append(Content("partition_table", "partitions that only the kernel still lists", disk.node))
    return tuple(fresh + in_use)


def look(node: str) -> Tuple[Tuple[int, ...], bool]:
    """Which of the four pool labels are present on a device, and whether somebody has it open exclusively."""
    is_open = False
    try:
        handle = os.open(node, os.O_RDONLY | os.O_EXCL | os.O_CLOEXEC | os.O_NONBLOCK)
    except OSError as error:
        if error.errno != errno.EBUSY:
            raise _cannot_open(node, error) from error
        is_open = True
        try:
            handle = os.open(node, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
        except OSError as second:
            raise _cannot_open(node, second) from second
    try:
        labels = _labels(handle, 0, os.lseek(handle, 0, os.SEEK_END))
    except OSError as error:
        if error.errno == errno.EIO:
            raise _BadPlace(is_open) from error
        raise _cannot_open(node, error) from error
    finally:
        os.close(handle)
    return labels, is_open


class _BadPlace(Exception):
    """Sectors that cannot be read; *is_open* as `look` returns it."""

    def __init__(self, is_open: bool) -> None:
        super().__init__("where a pool's labels would be")
        self.is_open = is_open


ALL_LABELS = (0, 1, 2, 3)


def labels_within(node: str, extents: Sequence[Tuple[int, int]]) -> Tuple[Tuple[int, ...], ...]:
    """Which of the four pool labels each extent (start, size) of a device has, as if it was a partition."""
    try:
        handle = os.open(node, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    except OSError as error:
        raise _cannot_open(node, error) from error
    try:
        return tuple(_labels(handle, start, size) for start, size in extents)
    except OSError as error:
        raise _cannot_open(node, error) from error
    finally:
        os.close(handle)


def _labels(handle: int, begin: int, length: int) -> Tuple[int, ...]:
    """Which of the four pool labels are present on a part of an open device."""
    size = length // _LABEL * _LABEL
    starts = (0, _LABEL, size - 2 * _LABEL, size - _LABEL) if size >= 4 * _LABEL else ()
    return tuple(
        number for number, start in enumerate(starts) if os.pread(handle, 12, begin + start + _CONFIG) in _LIST_HEADS
    )


def _cannot_open(node: str, error: OSError) -> HostError:
    return HostError(
        "the device cannot be read: {0}".format(error.strerror),
        subject=node,
        remedy="Run this as root." if error.errno in (errno.EACCES, errno.EPERM) else "See the kernel log (dmesg).",
    )


def read_signatures(nodes: Sequence[str], runner: Runner) -> Dict[str, List[Content]]:
    """The signatures that libblkid finds on each node; one command for all."""
    if not nodes:
        return {}
    output = checked(
        runner, ["wipefs", "--no-act", "--json", "--output", "DEVICE,TYPE,USAGE,LABEL", *nodes], "Nothing was changed."
    )
    return parse_signatures(output, nodes)


def parse_signatures(output: str, nodes: Sequence[str]) -> Dict[str, List[Content]]:
    """The output of C(wipefs --json) about *nodes* as contents by device node. Raises DecodeError."""
    # wipefs prints only the last part of each device's path.
    named = {os.path.basename(node): node for node in nodes}
    try:
        entries = json.loads(output)["signatures"] if output.strip() else []
        rows = [(named[one["device"]], str(one["type"]), str(one["usage"]), str(one["label"] or "")) for one in entries]
    except (ValueError, TypeError, KeyError) as error:
        raise DecodeError("its output cannot be read ({0!r})".format(error), subject="wipefs") from error
    if len(named) < len(nodes):
        raise DecodeError("two devices have the same name: {0}".format(", ".join(sorted(nodes))), subject="wipefs")
    found: Dict[str, List[Content]] = {}
    for device, kind, usage, label in rows:
        # A protective MBR belongs to its GPT; its own entry is for GPTs that are otherwise gone.
        if kind == "PMBR" and any(row[0] == device and row[1] == "gpt" for row in rows):
            continue
        table = usage == "partition-table"
        signature = Signature("" if table else kind, clean_text(label), kind if table else "")
        for content in signature_contents(signature, device):
            if content not in found.setdefault(device, []):
                found[device].append(content)
    return found
