# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Every number of docs/reliability.md that the library computes is what the library computes."""

import re

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.loss import Rates

from .doc_tables import DOC, PLACE, TABLES

TEXT = DOC.read_text(encoding="utf-8")
FOUND = dict(PLACE.findall(TEXT))


def test_the_document_holds_all_tables():
    assert set(FOUND) == set(TABLES)


@pytest.mark.parametrize("name", sorted(TABLES))
def test_a_table_is_what_the_library_computes(name):
    # After a change that is meant: python -m tests.unit.layout.doc_tables
    assert FOUND[name] == TABLES[name]()


def test_stated_defaults_are_the_defaults():
    rates = Rates()
    stated = dict(re.findall(r"^\| `([a-z_.]+)` \| ([^ |]+)", TEXT, re.MULTILINE))
    assert stated == {
        "drive_afr": "{0:g}".format(rates.drive_afr),
        "unit_afr": "{0:g}".format(rates.unit_afr),
        "read_errors": "{0:g}".format(rates.read_errors),
        "delay_hours": "{0:g}".format(rates.delay_hours),
        "parallel": str(rates.parallel).lower(),
        "in_one_pass": str(rates.in_one_pass).lower(),
        "rate": "{0:g}".format(rates.pace.rate),
        "link": "{0:g}".format(rates.pace.link),
        "fill": "{0:g}".format(rates.pace.fill),
    }
