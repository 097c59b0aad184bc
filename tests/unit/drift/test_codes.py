# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Every code is produced by making it true, and cleared again; the table is the whole of it, and so is the page."""

from __future__ import annotations

import re

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.codes import AREAS, CODES, SEVERITIES
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Finding
from tests.checkout import REPO

from .cases import CASES, with_spares
from .findings_page import page
from .test_fleet import FLEET_CASES
from .world import World

LIBRARY = REPO / "plugins" / "module_utils" / "_core"


def test_a_server_as_declared_has_no_finding() -> None:
    assert World().record().findings == ()


@pytest.mark.parametrize("code", sorted(CASES))
def test_made_true_it_is_found_and_put_right_it_is_gone(code: str) -> None:
    world = World()
    CASES[code](world)
    record = world.record()
    found = [one for one in record.findings if one.code == code]
    assert found, [(one.code, one.found) for one in record.findings]
    for one in found:
        assert one.severity in CODES[code].severities
        assert one.found
        assert one.remedy
        assert one.since == record.checked_at
        assert one.serial or one.bay or one.about
    again = World()
    again.seen["files"]["state"] = ""
    cleared = again.record(record)
    assert not [one for one in cleared.findings if one.code == code]


def test_an_idle_spare_out_of_the_pool_is_as_it_should_be() -> None:
    world = World()
    with_spares(world)
    world.pool.pop("spares")
    # The inventory that the host was told last does not know of the spare.
    assert {one.code for one in world.record().findings} == {"inventory_outdated"}


def test_every_code_is_covered() -> None:
    assert set(CASES) | set(FLEET_CASES) == set(CODES)


def test_the_table_is_sound() -> None:
    for name, code in CODES.items():
        assert re.fullmatch(r"[a-z]+(_[a-z]+)*", name)
        assert code.area in AREAS
        assert set(code.severities) <= set(SEVERITIES)
        assert code.means.endswith(".")
        assert code.remedy.endswith(".")


def test_the_library_uses_no_code_that_is_not_in_the_table() -> None:
    used = set()
    for path in [*(LIBRARY / "drift").glob("*.py"), LIBRARY / "host" / "notes.py"]:
        text = path.read_text(encoding="utf-8")
        used |= set(re.findall(r'(?:note|finding|_note|Finding)\(\s*(?:drive,\s*)?"([a-z_]+)"', text))
    assert used
    assert used <= set(CODES)
    assert Finding("x", "info").subject == "bay unknown (serial none)"


def test_the_page_is_made_of_the_table() -> None:
    """Write it anew with: python -m tests.unit.drift.findings_page."""
    assert (REPO / "docs" / "findings.md").read_text(encoding="utf-8") == page()
