# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Secrets never reach a log: every option of every module and role is looked at.

Ansible writes a module's options to the host's log and shows them with -v, but for those with no_log. Nothing here
takes a secret today: a TLS key is a path on the host, and its content is handed over by the service manager.
"""

from __future__ import annotations

import importlib
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
import yaml
from ansible.module_utils import basic

REPO = Path(__file__).parents[2]
COLLECTION = "ansible_collections.evenkeel.split_actuator"
MODULES = sorted(path.stem for path in (REPO / "plugins" / "modules").glob("*.py") if path.stem != "__init__")
ROLES = sorted(path.parent.parent for path in (REPO / "roles").glob("*/meta/argument_specs.yml"))
SECRET = re.compile(r"pass(word|phrase|wd)|secret|token|credential|api_?key|private|(^|_)key$|htpasswd|auth", re.I)
# Options whose names sound like a secret and that hold none, with what they hold.
HARMLESS = {
    "health_exporter_tls_key": "a path on the host",
}


class Captured(Exception):
    """Carries what a module handed to AnsibleModule."""

    def __init__(self, spec: Mapping[str, Any]) -> None:
        super().__init__()
        self.spec = spec


def options(spec: Mapping[str, Any], where: str = "") -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Every option with its dotted name, those within others included."""
    for name, entry in spec.items():
        yield where + name, entry
        yield from options(entry.get("options") or {}, f"{where}{name}.")


def argument_spec(name: str, monkeypatch: pytest.MonkeyPatch) -> Mapping[str, Any]:
    """The argument spec that a module really uses."""

    def capture(_self: basic.AnsibleModule, argument_spec: Mapping[str, Any], **_rest: Any) -> None:
        raise Captured(argument_spec)

    if (REPO / "plugins" / "action" / f"{name}.py").exists():
        # Its module file is its documentation.
        spec: Mapping[str, Any] = importlib.import_module(f"{COLLECTION}.plugins.action.{name}").ARGUMENTS
        return spec
    monkeypatch.setattr(basic.AnsibleModule, "__init__", capture)
    module = importlib.import_module(f"{COLLECTION}.plugins.modules.{name}")
    if not hasattr(module, "main"):  # its work is done on the controller
        found: Mapping[str, Any] = importlib.import_module(f"{COLLECTION}.plugins.action.{name}").ARGUMENTS
        return found
    with pytest.raises(Captured) as caught:
        module.main()
    return caught.value.spec


def suspicious(found: Iterator[tuple[str, Mapping[str, Any]]]) -> list[str]:
    return [
        name
        for name, entry in found
        if SECRET.search(name.rpartition(".")[2]) and not entry.get("no_log") and name not in HARMLESS
    ]


def test_the_check_itself_finds_an_unguarded_secret() -> None:
    spec = {"one": {"options": {"admin_password": {"type": "str"}}}, "key": {"no_log": True}, "tls_key": {}}
    assert suspicious(options(spec)) == ["one.admin_password", "tls_key"]


@pytest.mark.parametrize("name", MODULES)
def test_no_module_takes_a_secret_without_hiding_it(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    spec = argument_spec(name, monkeypatch)
    assert spec or name.endswith("_info")
    assert suspicious(options(spec)) == []


@pytest.mark.parametrize("role", ROLES, ids=lambda role: role.name)
def test_no_role_takes_a_secret_without_hiding_it(role: Path) -> None:
    told = yaml.safe_load((role / "meta" / "argument_specs.yml").read_text(encoding="utf-8"))
    for entry in told["argument_specs"].values():
        assert suspicious(options(entry.get("options") or {})) == []
