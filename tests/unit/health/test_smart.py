# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""smartctl's JSON: recorded shapes, and whatever else a drive or a broken tool may print.

The shapes in tests/data/smartctl have invented values under the keys that smartmontools 7.3 and 7.4 print
(scsiprint.cpp, ataprint.cpp); their exit status is that of smartctl(8), EXIT STATUS.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health import smart
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.smart import (
    ErrorCount,
    SelfTest,
    SmartError,
    SmartReading,
)

DATA = Path(__file__).parents[2] / "data" / "smartctl"
WWN = "naa.55e5e5e0aa000070"
ATA_WWN = "naa.55e5e5e0aa000100"


def read(name: str, wwn: str = "", serial: str = "") -> SmartReading:
    return smart.read((DATA / name).read_text(), wwn, serial)


def changed(name: str, **values: object) -> str:
    return json.dumps({**json.loads((DATA / name).read_text()), **values})


def test_a_healthy_scsi_unit() -> None:
    assert read("scsi_healthy.json", WWN, "ACS0007") == SmartReading(
        verdict="ok",
        protocol="scsi",
        device_id=WWN,
        serial="ACS0007",
        temperature=34,
        temperature_limit=60,
        power_on_hours=10234,
        grown_defects=0,
        pending_defects=0,
        errors=(ErrorCount("read", 41, 0), ErrorCount("write", 0, 0), ErrorCount("verify", 3, 0)),
        self_test=SelfTest("passed", "short", None, 34),
        passed=(SelfTest("passed", "long", None, 434), SelfTest("passed", "short", None, 34)),
        long_test_seconds=62400,
    )


def test_both_smartmontools_versions_tell_the_trip_temperature() -> None:
    assert read("scsi_healthy_7_3.json") == read("scsi_healthy.json")


def test_a_failing_scsi_unit() -> None:
    reading = read("scsi_failing.json")
    assert (reading.verdict, reading.grown_defects, reading.pending_defects) == ("failing", 312, 2)
    assert reading.reason == "data_channel_impending_failure_data_error_rate_too_high"
    assert reading.errors[0] == ErrorCount("read", 41, 17)
    assert reading.bad_places == 312 + 2 + 17


def test_a_running_scsi_self_test() -> None:
    reading = read("scsi_testing.json")
    assert (reading.verdict, reading.self_test) == ("ok", SelfTest("running", "long"))
    assert reading.passed == read("scsi_healthy.json").passed


def test_a_failed_self_test_is_a_failing_unit_whatever_the_status_says() -> None:
    reading = read("scsi_test_failed.json")
    assert json.loads((DATA / "scsi_test_failed.json").read_text())["smart_status"] == {"passed": True}
    assert (reading.verdict, reading.self_test.result) == ("failing", "failed")


def test_an_ata_unit_healthy_failing_and_testing() -> None:
    healthy, failing, testing = (
        read("ata_{0}.json".format(name), ATA_WWN) for name in ("healthy", "failing", "testing")
    )
    assert (healthy.verdict, healthy.protocol, healthy.device_id, healthy.link_errors) == ("ok", "ata", ATA_WWN, 4)
    assert healthy.errors == (ErrorCount("any", None, 0),)
    assert healthy.passed == (SelfTest("passed", "long", None, 1480), SelfTest("passed", "short", None, 80))
    assert healthy.long_test_seconds == 1560 * 60
    assert (failing.verdict, failing.grown_defects, failing.pending_defects) == ("failing", 41232, 88)
    assert testing.self_test == SelfTest("running", "", 0.6)


@pytest.mark.parametrize("name", ["scsi_unsupported.json", "ata_unsupported.json"])
def test_a_unit_without_smart_is_not_called_healthy(name: str) -> None:
    assert read(name).verdict == "unsupported"


def test_a_sleeping_unit_is_left_asleep() -> None:
    assert read("scsi_asleep.json", WWN) == SmartReading("asleep")
    command = smart.argv("/dev/sdc")
    assert command[command.index("-n") + 1] == "standby,3"


def test_a_device_that_was_not_opened_says_nothing() -> None:
    with pytest.raises(SmartError, match="No such device") as caught:
        read("not_opened.json")
    assert caught.value.code == "open"


def test_an_answer_of_another_unit_is_refused() -> None:
    sibling = WWN[:-1] + "1"
    with pytest.raises(SmartError, match=sibling) as caught:
        read("scsi_healthy.json", sibling, "ACS0007")
    assert caught.value.code == "mismatch"
    # Names of other kinds cannot be compared; then the serial number must agree.
    assert read("scsi_healthy.json", "eui.0011223344556677", "ACS0007").verdict == "ok"
    with pytest.raises(SmartError, match="ACS0008"):
        read("scsi_healthy.json", "", "ACS0008")


@pytest.mark.parametrize(
    ("status", "verdict"),
    # smartctl(8), EXIT STATUS: 3 failing, 4 prefail at threshold, 5 past, 2 a command failed, 6 and 7 logs hold errors.
    [(0, "ok"), (4, "ok"), (8, "failing"), (16, "failing"), (32, "attention"), (64, "ok"), (128, "ok")],
)
def test_the_exit_status_is_read_bit_by_bit(status: int, verdict: str) -> None:
    told = json.loads((DATA / "scsi_healthy.json").read_text())["smartctl"]
    text = changed("scsi_healthy.json", smartctl={**told, "exit_status": status})
    assert smart.read(text).verdict == verdict


def test_pending_defects_and_uncorrected_errors_want_attention() -> None:
    assert smart.read(changed("scsi_healthy.json", scsi_pending_defects={"count": 1})).verdict == "attention"
    log = {"read": {"total_errors_corrected": 9, "total_uncorrected_errors": 1}}
    assert smart.read(changed("scsi_healthy.json", scsi_error_counter_log=log)).verdict == "attention"


def test_the_hour_of_a_self_test_wraps_at_16_bits() -> None:
    # SPC-4: the accumulated power-on hours of a self-test have 16 bits; 70000 is 4464 there.
    assert smart.read(changed("scsi_healthy.json", power_on_time={"hours": 65536 + 10210})).self_test.ago == 10


def test_text_of_the_drive_is_cleaned() -> None:
    text = changed("scsi_healthy.json", serial_number='A"\n{}', logical_unit_id="")
    assert smart.read(text).serial.startswith("A_")
    assert set(smart.read(text).serial) <= set("ABCDEFabcdef0123456789_-")


@pytest.mark.parametrize(
    "text", ["", "Segmentation fault", "[]", "{}", '{"smartctl": 1}', '{"smartctl": {"exit_status": "x"}}']
)
def test_other_output_is_a_failed_reading(text: str) -> None:
    with pytest.raises(SmartError) as caught:
        smart.read(text)
    assert caught.value.code == "output"


def test_a_cut_answer_is_a_failed_reading() -> None:
    whole = (DATA / "scsi_healthy.json").read_text().rstrip()
    for length in range(0, len(whole), 97):
        with pytest.raises(SmartError):
            smart.read(whole[:length])


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)
SHAPES = sorted(DATA.glob("*.json"))


@given(st.data())
def test_any_value_in_any_place_gives_a_reading_or_the_librarys_own_error(data: st.DataObject) -> None:
    told = json.loads(data.draw(st.sampled_from(SHAPES)).read_text())
    place: dict | list = told
    while True:
        keys = list(place) if isinstance(place, dict) else list(range(len(place)))
        key = data.draw(st.sampled_from(keys))
        inner = place[key]
        if not isinstance(inner, (dict, list)) or not inner or data.draw(st.booleans()):
            place[key] = data.draw(JSON)
            break
        place = inner
    try:
        reading = smart.read(json.dumps(told))
    except SmartError:
        return
    assert reading.verdict in ("ok", "attention", "failing", "unsupported", "asleep")
    if reading.verdict == "ok":
        assert told["smart_status"]["passed"] is True
