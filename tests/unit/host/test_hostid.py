# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The host id: the form is what zgenhostid(8) writes, the order of sources what spl(4) says."""

import shutil
import subprocess
import sys

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import InputError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host import hostid


@pytest.fixture
def places(tmp_path):
    parameter = tmp_path / "spl_hostid"
    parameter.write_text("0\n")
    return str(tmp_path / "hostid"), str(parameter)


def test_what_is_written_is_read_back_also_by_the_system(places):
    file, parameter = places
    assert hostid.current(file, parameter) == 0
    hostid.write(0x0A5A05AF, file, parameter)
    with open(file, "rb") as handle:
        content = handle.read()
    assert content == (0x0A5A05AF).to_bytes(4, sys.byteorder)
    assert hostid.spell(hostid.current(file, parameter)) == "0a5a05af"
    assert hostid.in_module(parameter) == 0


@pytest.mark.skipif(not shutil.which("od"), reason="od(1) of coreutils is not here")
def test_od_reads_the_same_digits(places):
    file, parameter = places
    hostid.write(0x00BAB10C, file, parameter)
    told = subprocess.run(["od", "-An", "-tx4", file], capture_output=True, text=True, check=True).stdout
    assert told.strip() == "00bab10c"


def test_a_module_told_otherwise_comes_first_and_is_corrected(places):
    file, parameter = places
    with open(parameter, "w") as handle:
        handle.write("7\n")
    hostid.write(9, file, parameter)
    assert hostid.in_module(parameter) == hostid.in_file(file) == 9


@pytest.mark.parametrize("text", ["", "0", "00000000", "ffffffff", "0A5A05AF", "0x0a5a05", "0a5a05af0", "wxyz1234"])
def test_what_is_no_host_id_is_refused_with_the_value(text):
    with pytest.raises(InputError, match="not a host id"):
        hostid.parse(text)


def test_a_file_of_another_size_is_none(tmp_path):
    (tmp_path / "hostid").write_bytes(b"abc")
    assert hostid.in_file(str(tmp_path / "hostid")) == 0
