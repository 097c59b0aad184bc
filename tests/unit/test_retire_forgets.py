# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Which drives the playbook retire forgets: those whose serials are written out, and no others."""

from __future__ import annotations

from types import GeneratorType
from typing import Any

import pytest
import yaml
from ansible.plugins.filter.core import FilterModule
from jinja2.nativetypes import NativeEnvironment

from tests.checkout import REPO

DRIVES = {"bay00": {"serial": "ACT1"}, "bay01": {"serial": "ACT100"}, "bay02": {"serial": "ACT2"}}


def kept(**given: Any) -> list[str]:
    """The bays that stay declared, by the playbook's own expressions."""
    (play,) = yaml.safe_load((REPO / "playbooks" / "retire.yml").read_text())
    (task,) = [one for one in play["tasks"] if one["name"] == "Forget the erased drives"]
    environment = NativeEnvironment()
    environment.filters.update(FilterModule().filters())
    values: dict[str, Any] = {"split_actuator_drives": DRIVES, **given}
    for name, text in task["vars"].items():
        value: Any = environment.from_string(text).render(values)
        values[name] = list(value) if isinstance(value, GeneratorType) else value  # as Ansible does
    return list(values["disk_inventory_drives"])


@pytest.mark.parametrize(
    ("given", "left"),
    [
        (["ACT100"], ["bay00", "bay02"]),
        ("ACT100", ["bay00", "bay02"]),
        ("ACT100, ACT2", ["bay00"]),
        ("", ["bay00", "bay01", "bay02"]),
    ],
)
def test_only_serials_written_out_whole_are_forgotten(given: object, left: list[str]) -> None:
    assert kept(split_actuator_erase_serials=given) == left


def test_without_serials_nothing_is_forgotten() -> None:
    assert kept() == ["bay00", "bay01", "bay02"]
