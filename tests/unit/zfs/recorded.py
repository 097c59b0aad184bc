# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Pools as real hosts printed them (tests/data/zpool), read in either form and resolved."""

from __future__ import annotations

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.declared import DeclaredDrive
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs import status_json, status_text
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.resolve import Index, Pool, resolve
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.tree import PoolTree
from tests.checkout import REPO

DATA = REPO / "tests" / "data" / "zpool"
# Drives COH00, COH01, ... in bays 0, 1, ...
DECLARED = tuple(DeclaredDrive(f"bay{bay:02d}", f"COH{bay:02d}") for bay in range(18))
# The same situations on both generations: 2.3 in both forms, 2.1 in the only one that it has.
FORMS = ("2.3.9 json", "2.3.9 text", "2.1.11 text")
# Every capture of a dRAID. A rebuild under way could be recorded on 2.3 only: it took seconds; on 2.1 a scrub followed.
DRAID = [(name, form) for name in ("draid", "draid-spared", "draid-rebuilt") for form in FORMS] + [
    *(("draid-rebuilding", form) for form in FORMS[:2]),
    ("draid-scrubbing", "2.1.11 text"),
]


def tree(name: str, form: str) -> PoolTree:
    """The pool of one capture, such as C(absent), in one of FORMS."""
    release, kind = form.split()
    parts = {kind: DATA / f"{name}-{release}.{kind}" for kind in ("json", "text", "guids", "list")}
    if kind == "json":
        (found,) = status_json.read(parts["json"].read_text())
    else:
        guids = dict(line.split("\t") for line in parts["list"].read_text().splitlines())
        (found,) = status_text.read(parts["text"].read_text(), parts["guids"].read_text(), guids)
    return found


def pool(name: str, form: str) -> Pool:
    """The same, resolved to the declared drives."""
    return resolve(tree(name, form), Index((), DECLARED, {}))
