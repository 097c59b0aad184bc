# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The stages of the jobs that get a fault: what each begins from, what it runs, and what must be true afterwards."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from tests.lab.errors import LabError
from tests.lab.modules import call

from .server import FRESH, LEAVING, MEMBERS, Server

EMPTY, BUILT, AWAY = "empty", "built", "away"


@dataclass(frozen=True)
class Stage:
    """C(start): its first checkpoint; C(run): the playbook's module call; C(files): whether the pool has any."""

    name: str
    start: str
    run: Callable[[Server], dict[str, Any]]
    verify: Callable[[Server], None]
    files: bool = True

    def __str__(self) -> str:
        return self.name


def _present(server: Server) -> dict[str, Any]:
    return server.pool("present")


def _imported(server: Server) -> dict[str, Any]:
    return server.pool("imported")


def _exported(server: Server) -> dict[str, Any]:
    return server.pool("exported")


def _facts(server: Server) -> dict[str, Any]:
    return call(server.lab, "pool_info", pool="archive", declared=server.declared)


def _swapped(server: Server) -> dict[str, Any]:
    """A drive is replaced by one in another bay while it serves, until both units are resilvered."""
    server.serving()
    put = server.replace("put_in")
    if put["failed"]:
        return put
    return {**server.replace("follow", wait_seconds=300), "changed": put["changed"]}


def _grown(server: Server) -> dict[str, Any]:
    server.serving()
    return server.grow()


def _whole(server: Server) -> None:
    if "archive" not in server.lab.run("zpool list -Ho name").out.split():
        server.require(_imported(server))
    server.check_pool(files=True)


def _made(server: Server) -> None:
    server.check_pool(files=False)


def _gone(server: Server) -> None:
    if "archive" in server.lab.run("zpool list -Ho name").out.split():
        raise LabError("the pool is still imported")
    _whole(server)


def _changed(server: Server) -> None:
    _laid_out(server, [FRESH[0] if bay == LEAVING else bay for bay in MEMBERS])


def _larger(server: Server) -> None:
    _laid_out(server, MEMBERS, FRESH)


def _laid_out(server: Server, *cohorts: Iterable[int]) -> None:
    found, expected = server.places(), server.expected(*cohorts)
    if found != expected:
        raise LabError(f"the pool holds {found}, not {expected}")
    server.check_pool(files=True)


STAGES = (
    Stage("build: create the pool", EMPTY, _present, _made, files=False),
    Stage("build: verify the pool", BUILT, _present, _whole),
    Stage("reimport: import the pool", AWAY, _imported, _whole),
    Stage("replace_drive: resilver onto the new drive", BUILT, _swapped, _changed),
    Stage("grow: add two vdevs", BUILT, _grown, _larger),
    Stage("retire: export the pool", BUILT, _exported, _gone),
    Stage("drift: read the pool", BUILT, _facts, _whole),
)
