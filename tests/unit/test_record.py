# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The record of a checked host: to plain data and back, and what is not taken for one."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core import record
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import DecodeError, InputError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import (
    Finding,
    Layout,
    Member,
    Vdev,
)

FINDING = Finding("drive_moved", "error", "ACT103", "bay08", declared="bay03", found="bay08", remedy="Put it back.")
FULL = record.HostRecord(
    host="ebb01",
    checked_at="2026-11-25T20:49:40Z",
    findings=(FINDING,),
    accepted=(record.Accepted(Finding("pool_degraded", "warning", about="pool archive"), "waits", "2026-12-31"),),
    drives=({"serial": "ACT100", "units": [{"index": 0}]},),
    declared={"bay00": {"serial": "ACT100"}},
    bays=("bay00", "bay01"),
    layout=Layout((Vdev("raidz", 2, (Member("ACT100", 0, "bay00", 9, "lun"),)),)),
    guarantees={"drives": 2, "enclosures": 0, "sentences": ["Any 2 drives may fail at once."]},
    pool={"name": "archive"},
    margin=2,
    settings={"hostid": "00c0ffee"},
    history=(record.Event("2026-11-25T20:49:40Z", "drive_moved", FINDING.subject, "found"),),
)  # fmt: skip


def test_a_record_comes_back_as_it_went() -> None:
    assert record.from_text(record.to_text(FULL)) == FULL
    assert record.from_data(record.to_data(FULL)) == FULL


def test_its_shape_is_the_one_that_others_read() -> None:
    assert sorted(json.loads(record.to_text(FULL))) == [
        "accepted", "bays", "checked_at", "declared", "drives", "findings", "guarantees", "history", "host", "layout",
        "margin", "pool", "schema", "scrubs", "settings", "trial",
    ]  # fmt: skip
    assert record.to_data(FULL)["schema"] == 1


@pytest.mark.parametrize("data", [{"host": "ebb01", "checked_at": "x"}, {"schema": 2}, [], None, {"schema": "1"}])
def test_another_version_is_told_apart(data: object) -> None:
    with pytest.raises(InputError, match="its format has version"):
        record.from_data(data)


@pytest.mark.parametrize("text", ["", "{", "[" * 100000])
def test_what_is_no_json_is_told(text: str) -> None:
    with pytest.raises(DecodeError):
        record.from_text(text)


# Python's own ISO 8601 reader is the second opinion.
@given(st.integers(0, 4_000_000_000))
def test_moments_are_iso_8601_in_utc(seconds: int) -> None:
    from datetime import datetime

    assert datetime.fromisoformat(record.moment(seconds).replace("Z", "+00:00")).timestamp() == seconds


def test_a_finding_about_no_drive_names_what_it_is_about() -> None:
    assert Finding("pool_degraded", "warning", about="pool archive").subject == "pool archive"
    assert FINDING.subject == "bay08 (serial ACT103)"
    assert (
        Finding("x", "info", "S", "bay01", 1, about="vdev raidz2-0").subject == "bay01 (serial S) unit 1, vdev raidz2-0"
    )
