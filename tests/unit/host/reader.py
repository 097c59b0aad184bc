# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs under umockdev-run: discovers in the mocked tree and prints the result as JSON.

Takes a folder with C(links.json) (link to target, under /dev), C(wanted.json) (module options) and, if
present, C(mountinfo) and C(swaps).
"""

from __future__ import annotations

import json
import os
import sys
import time
from pathlib import Path

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host import discover, sight, uses
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.options import wanted_from
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import to_plain
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_drives import DRIVE_ARGUMENTS

STARTS = ("subprocess.Popen", "os.fork", "os.forkpty", "os.posix_spawn", "os.exec", "os.system")


def remake_links(links: dict[str, str]) -> None:
    """umockdev makes links absolute and inside its own folder; udev makes them relative."""
    top = Path(os.environ["UMOCKDEV_DIR"]) / "dev"
    for name, target in links.items():
        link = top / name
        link.parent.mkdir(parents=True, exist_ok=True)
        link.symlink_to(target)


def text_of(path: Path) -> str:
    return path.read_text(encoding="utf-8") if path.exists() else ""


def main(folder: Path) -> None:
    remake_links(json.loads((folder / "links.json").read_text(encoding="utf-8")))
    params = {name: spec["default"] for name, spec in DRIVE_ARGUMENTS.items()}
    params.update(json.loads((folder / "wanted.json").read_text(encoding="utf-8")))
    used = uses.Uses(uses.parse_mounts(text_of(folder / "mountinfo")), uses.parse_swaps(text_of(folder / "swaps")))
    started: list[str] = []

    def note(event: str, details: tuple[object, ...]) -> None:
        if event in STARTS:
            started.append(f"{event} {details[1] if event == 'subprocess.Popen' else ''}")

    sys.addaudithook(note)
    start = time.perf_counter()
    found = discover.assemble(sight.see(uses=used), wanted_from(params))
    seconds = time.perf_counter() - start
    told = {"drives": to_plain(found.drives), "findings": to_plain(found.findings)}
    json.dump({**told, "seconds": seconds, "started": started}, sys.stdout)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
