# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Builds the arguments of zpool and zfs commands. Pure.

No command has C(-f), except the import of a pool that another host used last and whose GUID a person wrote out.
"""

from __future__ import annotations

import re
from typing import Dict, List, Mapping, Sequence, Tuple

from ..errors import InputError
from ..model import Member, SupportVdev, Vdev

# zpoolconcepts(7) and zpool-create(8): a pool's name begins with a letter, holds only these
# characters, and may not be or begin with a word that the vdev syntax reserves.
_POOL_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_.:-]{0,127}")
_RESERVED = ("mirror", "raidz", "draid", "spare", "log")
_SETTING = re.compile(r"[a-z0-9_.:@-]+")


def pool_name(name: str) -> str:
    """The name unchanged when OpenZFS would accept it; raises InputError otherwise."""
    if not _POOL_NAME.fullmatch(name) or name.startswith(_RESERVED):
        raise InputError(
            "{0!r} is not a valid pool name".format(name),
            subject="pool",
            remedy="Start with a letter, use letters, digits, _ . : -, and do not start with {0}.".format(
                ", ".join(_RESERVED)
            ),
        )
    return name


def settings(flag: str, values: Mapping[str, str]) -> List[str]:
    """The C(-o name=value) arguments for a mapping, in the order of the names."""
    out: List[str] = []
    for name in sorted(values):
        if not _SETTING.fullmatch(name):
            raise InputError("{0!r} is not a valid property name".format(name), subject="settings")
        out += [flag, "{0}={1}".format(name, values[name])]
    return out


def vdev_words(vdevs: Sequence[Vdev], path_of: Mapping[Tuple[str, int], str]) -> List[str]:
    """The vdev part of C(zpool create) or C(zpool add). *path_of* maps (serial, index) to a device."""
    out: List[str] = []
    for vdev in vdevs:
        out += [vdev.keyword] if vdev.keyword else []
        out += [path_of[key_of(member)] for member in vdev.members]
    return out


def key_of(member: Member) -> Tuple[str, int]:
    """What a unit is looked up by: its drive's serial and its index."""
    return (member.serial, member.index)


def create(
    name: str,
    vdevs: Sequence[Vdev],
    path_of: Mapping[Tuple[str, int], str],
    pool_settings: Mapping[str, str],
    root_settings: Mapping[str, str],
    dry_run: bool = False,
    support: Sequence[SupportVdev] = (),
) -> Tuple[str, ...]:
    """C(zpool create) for a layout."""
    argv = ["zpool", "create"] + (["-n"] if dry_run else [])
    argv += settings("-o", pool_settings) + settings("-O", root_settings) + [pool_name(name)]
    argv += vdev_words(vdevs, path_of)
    for one in support:
        argv += [one.role, *vdev_words([one.vdev], path_of)]
    return tuple(argv)


def add(
    name: str, vdevs: Sequence[Vdev], path_of: Mapping[Tuple[str, int], str], ashift: str = "", dry_run: bool = False
) -> Tuple[str, ...]:
    """C(zpool add) of further data vdevs; *ashift* is the pool's, empty to leave it to OpenZFS."""
    words = ["zpool", "add"] + (["-n"] if dry_run else [])
    words += settings("-o", {"ashift": ashift} if ashift else {})
    return (*words, pool_name(name), *vdev_words(vdevs, path_of))


def expand(name: str, members: Sequence[str]) -> Tuple[str, ...]:
    """C(zpool online -e): expand these members of a vdev to all of their devices."""
    return ("zpool", "online", "-e", pool_name(name), *members)


def import_pool(guid: str, paths: Sequence[str], other_host: bool = False) -> Tuple[str, ...]:
    """C(zpool import) of one pool by GUID from these devices, without mounting it or adding it to a cache file.

    *other_host* adds C(-f), which here means one thing: the pool was last used by another host and not
    exported (C(ZFS_IMPORT_ANY_HOST) in OpenZFS's cmd/zpool/zpool_main.c). The check of a guarded pool
    (multihost) for activity elsewhere stays in force.
    """
    words = ["zpool", "import", "-N", "-o", "cachefile=none"] + (["-f"] if other_host else [])
    for path in paths:
        words += ["-d", path]
    return (*words, guid)


def set_pool(name: str, changes: Mapping[str, str]) -> List[Tuple[str, ...]]:
    """One C(zpool set) for each changed pool property."""
    return [("zpool", "set", "{0}={1}".format(key, changes[key]), name) for key in sorted(changes)]


def set_root(name: str, changes: Mapping[str, str]) -> List[Tuple[str, ...]]:
    """One C(zfs set) with every changed property of the root dataset."""
    if not changes:
        return []
    return [tuple(["zfs", "set"] + ["{0}={1}".format(key, changes[key]) for key in sorted(changes)] + [name])]


def get_settings(name: str, pool_keys: Sequence[str], root_keys: Sequence[str]) -> Dict[str, Tuple[str, ...]]:
    """The commands that read the named properties back, keyed C(pool) and C(root)."""
    out: Dict[str, Tuple[str, ...]] = {}
    if pool_keys:
        out["pool"] = ("zpool", "get", "-H", "-p", "-o", "property,value", ",".join(sorted(pool_keys)), name)
    if root_keys:
        out["root"] = ("zfs", "get", "-H", "-p", "-o", "property,value", ",".join(sorted(root_keys)), name)
    return out
