# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Lab machines for tests: booted once, brought back to a clean state in seconds for each test."""

from __future__ import annotations

import hashlib
import os
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from tests.lab.lab import Lab
from tests.lab.parts import Chassis, load
from tests.lab.paths import state_dir

CHASSIS = Path(__file__).with_name("chassis")
# Set to a word, labs stay (switched off) after the tests, and the next run with that word starts from them.
KEEP = "EVENKEEL_LAB_KEEP"
# Names the release that every machine gets, in place of what its chassis says.
RELEASE = "EVENKEEL_LAB_RELEASE"
CLEAN = "clean"


class Labs:
    """The session's labs. One runs at a time; another costs one boot, and later only a restore."""

    def __init__(self, tell: Callable[[str], None]) -> None:
        self._labs: dict[Chassis, Lab] = {}
        self._tell = tell
        self._keep = os.environ.get(KEEP, "")
        self._sweep()

    def get(self, chassis: Chassis | str, at: str = CLEAN) -> Lab:
        """A running machine as C(chassis) describes it, or the file of that name does, freshly booted.

        When it has a checkpoint named *at*, it is as it was there.
        """
        wanted = load(CHASSIS / f"{chassis}.yml") if isinstance(chassis, str) else chassis
        wanted = replace(wanted, release=os.environ.get(RELEASE) or wanted.release)
        for other in self._labs.values():
            if other is not self._labs.get(wanted):
                other.power_cut()
        if wanted not in self._labs:
            digest = hashlib.sha256(repr(wanted).encode()).hexdigest()[:6]
            name = f"test-{self._keep or os.getpid()}-{wanted.name}-{digest}"
            self._labs[wanted] = Lab(wanted, name=name, tell=self._tell, tied=True)
        lab = self._labs[wanted]
        if lab.has_checkpoint(at):
            lab.restore(at)
        elif lab.has_checkpoint(CLEAN):
            lab.restore(CLEAN)
        else:
            lab.up()
            lab.checkpoint(CLEAN)
        return lab

    @staticmethod
    def _sweep() -> None:
        """Removes what sessions that were killed could not."""
        for folder in state_dir("").glob("test-[0-9]*"):
            pid = folder.name.split("-")[1]
            if pid.isdigit() and not Path("/proc", pid).exists():
                Lab(folder=folder).down()

    def end(self) -> None:
        """Takes all down."""
        for lab in self._labs.values():
            if self._keep:
                lab.power_cut()
            else:
                lab.down()


def _tell(text: str) -> None:
    # The real standard error, so that a long boot is not silent.
    print(f"[lab] {text}", file=sys.__stderr__, flush=True)


@pytest.fixture(scope="session")
def labs() -> Iterator[Labs]:
    """All labs of the session; `labs.get(chassis)` gives a clean running machine."""
    pool = Labs(_tell)
    try:
        yield pool
    finally:
        pool.end()


@pytest.fixture
def lab_of(labs: Labs) -> Callable[[Chassis | str], Lab]:
    """Gives a clean running machine for a chassis (see parts.make_chassis) or a file's name."""
    return labs.get


@pytest.fixture
def lab(labs: Labs) -> Lab:
    """Server ebb01, clean and running."""
    return labs.get("ebb01")
