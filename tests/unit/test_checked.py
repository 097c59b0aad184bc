# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The findings that a scheduled check leaves for the health service."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core import checked
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.checked import Checked
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import DecodeError, HostError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Finding

FOUND = Finding("drive_moved", "error", "ACT107", "bay08", None, "bay07", "bay08 (by map)", "Put it back.")


def test_what_is_written_is_read_back_and_only_root_may_write_it(tmp_path: Path) -> None:
    path = tmp_path / "made" / "for" / "findings.json"
    assert checked.read(str(path)) is None
    made = Checked(1000.5, 3600.0, (FOUND,))
    checked.write(made, str(path))
    assert path.stat().st_mode & 0o777 == 0o644
    assert checked.read(str(path)) == made
    path.chmod(0o666)
    with pytest.raises(HostError, match="other than root"):
        checked.read(str(path))
    link = tmp_path / "link"
    link.symlink_to(path)
    with pytest.raises(HostError, match="cannot be read"):
        checked.read(str(link))
    with pytest.raises(HostError, match="cannot be written"):
        checked.write(made, str(path / "below-a-file"))


def test_more_about_a_finding_than_is_known_here_is_let_be() -> None:
    data = json.loads(checked.to_text(Checked(1.0, 2.0, (FOUND,))))
    data["findings"][0]["likes"] = 900
    data["history"] = []
    assert checked.from_text(json.dumps(data)) == Checked(1.0, 2.0, (FOUND,))


@pytest.mark.parametrize(
    "text", ["", "[]", "null", '{"version": 2}', '{"version": 1, "ended": "x", "every": 1, "findings": []}',
             '{"version": 1, "ended": 1, "every": 1, "findings": [5]}', "[" * 100_000]
)  # fmt: skip
def test_damage_is_told(text: str) -> None:
    with pytest.raises(DecodeError):
        checked.from_text(text)


def test_what_was_found_now_stands_before_what_the_check_found() -> None:
    now = Finding("drive_moved", "error", "ACT107", "bay08", found="now")
    other = Finding("scrub_old", "warning")
    assert checked.together((now,), Checked(1.0, 2.0, (FOUND, other))) == (now, other)
    assert checked.together((now,), None) == (now,)
