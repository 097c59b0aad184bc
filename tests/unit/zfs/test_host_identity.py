# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Bringing the host id to the declared one: written once, only looked at in check mode, refused under pools."""

from __future__ import annotations

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import Refusal
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs import host_identity
from tests.unit.scripted import ScriptedRunner

LIST = ("zpool", "list", "-H", "-p", "-o", "name,guid")
OTHER, WANTED = 0x11111111, "0a5a05af"


@pytest.fixture
def host(monkeypatch, tmp_path):
    """A host with OpenZFS loaded, whose id is kept in files of the test."""
    places = {"file": str(tmp_path / "hostid"), "parameter": str(tmp_path / "spl_hostid")}
    for name in ("current", "write"):
        whole = getattr(host_identity.hostid, name)
        monkeypatch.setattr(host_identity.hostid, name, lambda *given, whole=whole: whole(*given, **places))
    in_file = host_identity.hostid.in_file
    monkeypatch.setattr(host_identity.hostid, "in_file", lambda path=places["file"]: in_file(path))
    monkeypatch.setattr(host_identity, "_MODULE", str(tmp_path))
    return host_identity.hostid


def ensure(pools="", check_mode=False, asked=True):
    runner = ScriptedRunner([(LIST, pools)] if asked else [])
    done = host_identity.ensure(runner, WANTED, check_mode)
    runner.finished()
    return done


def test_it_is_predicted_then_written_then_found(host):
    host.write(OTHER)
    assert ensure(check_mode=True) == host_identity.Identity(True, "11111111", WANTED)
    assert host.current() == OTHER
    assert ensure() == host_identity.Identity(True, "11111111", WANTED)
    assert host.current() == int(WANTED, 16)
    assert ensure(asked=False) == host_identity.Identity(False, WANTED, WANTED)


def test_a_host_without_an_id_gets_one(host):
    assert host.current() == 0
    assert ensure() == host_identity.Identity(True, "", WANTED)


def test_while_a_pool_is_imported_it_stays(host):
    host.write(OTHER)
    with pytest.raises(Refusal, match='split_actuator_hostid: "11111111"') as told:
        ensure(pools="archive\t1\n")
    assert told.value.reasons == ("archive: imported while the host id is 11111111",)
    assert host.current() == OTHER
