# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Spares are whole drives: what OpenZFS's event daemon would do, and what is done instead."""

from __future__ import annotations

import time
from typing import Any

import pytest

from tests.lab.cohorts import until

pytestmark = pytest.mark.lab_long


def _path(lab: Any, bay: int, index: int) -> str:
    return f"/dev/disk/by-id/wwn-0x{lab.guest_unit(bay, index)['wwid'].split('.')[1]}"


def test_the_event_daemon_takes_spares_one_unit_at_a_time(labs: Any) -> None:
    lab = labs.get("cohorts")
    words = []
    for index in (0, 1):
        words += ["raidz2", *(_path(lab, bay, index) for bay in range(6))]
    words += ["spare", *(_path(lab, bay, index) for bay in (6, 7) for index in (0, 1))]
    lab.run("modprobe zfs; systemctl start zfs-zed; zpool create archive " + " ".join(words), timeout=200)
    names = {_path(lab, bay, index).rsplit("/", 1)[1]: f"bay{bay:02d}.{index}" for bay in range(9) for index in (0, 1)}

    def status() -> str:
        text = lab.run("zpool status archive").out
        for link, name in names.items():
            text = text.replace(link, name)
        return text

    def show(what: str, count: int) -> None:
        try:
            until(lambda: status().count("INUSE") >= count, 40, what)
        except AssertionError as error:
            print(error)
        time.sleep(3)
        print(f"--- {what}\n{status()}")

    lab.pull(0)
    show("after the pull of bay00", 2)
    lab.pull_unit(1, 1)
    show("after the loss of bay01.1", 3)
    lab.pull_unit(2, 1)
    show("after the loss of bay02.1", 4)
    print(lab.run("journalctl -u zfs-zed -o cat | tail -40").out)
