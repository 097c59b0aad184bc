# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Who may read and write what the roles put on a host: the table in docs/safety.md against the roles themselves.

tests/lab/test_health_role.py compares it with a host.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import yaml

REPO = Path(__file__).parents[2]
ROW = re.compile(r"^\| `(/[^`]+)` \| (\S+:\S+) \| (0[0-7]{3}) \| (.*?) \| (.*) \|$", re.MULTILINE)


def documented_rights(by: str = "") -> dict[str, tuple[str, str]]:
    """Path to owner and mode, as the table says; with *by* only of what that role makes."""
    rows = ROW.findall((REPO / "docs" / "safety.md").read_text(encoding="utf-8"))
    return {path: (owner, mode) for path, owner, mode, who, _what in rows if not by or f"`{by}`" in who}


def tasks(data: Any) -> Iterator[dict[str, Any]]:
    """Every task of a file, those in blocks included."""
    for task in data or []:
        yield task
        for inner in ("block", "rescue", "always"):
            yield from tasks(task.get(inner))


def written() -> Iterator[tuple[str, str, str, str]]:
    """Role, path, owner and mode of every file and folder that a role's tasks make. Paths may be templates."""
    for path in sorted((REPO / "roles").glob("*/tasks/*.yml")):
        for task in tasks(yaml.safe_load(path.read_text(encoding="utf-8"))):
            for name, options in task.items():
                if not (name.startswith("ansible.builtin.") and isinstance(options, dict) and "mode" in options):
                    continue
                target = str(options.get("dest") or options.get("path"))
                owner = "{0}:{1}".format(options.get("owner"), options.get("group"))
                for item in task.get("loop", [""]) if "item" in target else [""]:
                    yield path.parts[-3], re.sub(r"\{\{ item \}\}", str(item), target), owner, str(options["mode"])


def test_roles_set_exactly_the_rights_that_are_documented() -> None:
    table = documented_rights()
    assert len(table) > 20
    for role, path, owner, mode in written():
        if path.startswith("{{"):
            assert (owner, mode) == ("root:root", "0644"), f"{role}: {path} goes where a person says"
            continue
        assert table.get(path) == (owner, mode), f"{role}: {path} is not in the table of docs/safety.md like this"
        assert path in documented_rights(role), f"{role}: the table names another role for {path}"


def test_nothing_may_be_written_by_others_than_root() -> None:
    for path, (owner, mode) in documented_rights().items():
        assert owner.startswith("root:"), path
        assert int(mode, 8) & 0o022 == 0, path


def test_every_task_that_makes_a_file_says_its_rights() -> None:
    for path in sorted((REPO / "roles").glob("*/tasks/*.yml")):
        for task in tasks(yaml.safe_load(path.read_text(encoding="utf-8"))):
            for name in ("ansible.builtin.template", "ansible.builtin.copy", "ansible.builtin.blockinfile"):
                if name in task:
                    assert {"owner", "group", "mode"} <= set(task[name]), (path, task["name"])
