# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Records the device trees of tests/data/discovery anew: python3 -m tests.lab.record_trees [NAME...]

C(shapes) is the chassis of that name with one of everything left on its drives; C(ebb01) is the
clean demo server. Both come from the running guest's kernel and udev.
"""

from __future__ import annotations

import sys
from pathlib import Path

from tests.lab.conftest import CHASSIS
from tests.lab.lab import Lab
from tests.lab.parts import load
from tests.lab.scenes import leave_things

DATA = Path(__file__).resolve().parents[1] / "data" / "discovery"
SCENES = {"shapes": leave_things, "ebb01": lambda _lab: None}


def record(name: str) -> None:
    with Lab(load(CHASSIS / f"{name}.yml"), name=f"record-{name}") as lab:
        SCENES[name](lab)
        script = (DATA / "capture.py").read_text(encoding="utf-8")
        (DATA / f"{name}.json").write_text(lab.run(["python3", "-"], stdin=script).out + "\n", encoding="utf-8")


if __name__ == "__main__":
    for wanted in sys.argv[1:] or sorted(SCENES):
        record(wanted)
