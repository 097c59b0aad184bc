# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Roles say what they take: every default is a documented option, and defaults that are written twice agree."""

import pytest
import yaml

from tests.checkout import REPO

ROLES = sorted(path.name for path in (REPO / "roles").iterdir() if (path / "meta" / "argument_specs.yml").exists())


def load(role, *parts):
    path = REPO.joinpath("roles", role, *parts)
    return yaml.safe_load(path.read_text(encoding="utf-8")) if path.exists() else {}


def test_every_role_has_a_specification():
    assert sorted(path.parts[-3] for path in (REPO / "roles").glob("*/tasks/main.yml")) == ROLES


@pytest.mark.parametrize("role", ROLES)
def test_every_default_is_an_option_and_defaults_agree(role):
    entries = load(role, "meta", "argument_specs.yml")["argument_specs"].values()
    defaults = load(role, "defaults", "main.yml")
    assert set(defaults) <= {name for entry in entries for name in entry["options"]}
    for entry in entries:
        options = entry["options"]
        assert all(name.startswith(role + "_") for name in options)
        written = {name: option["default"] for name, option in options.items() if "default" in option}
        assert written == {name: defaults.get(name) for name in written}
