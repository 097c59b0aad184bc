# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""What smartctl's JSON says about one logical unit. Pure.

Keys and exit bits: smartmontools 7.3 and 7.4, scsiprint.cpp, ataprint.cpp and smartctl(8),
C(EXIT STATUS). Self-test codes: SPC-4, Self-Test Results log page.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any, Dict, Iterator, List, Mapping, Optional, Tuple

from ..errors import DecodeError
from ..identity.text import clean_text

# The verdicts on a unit. Only "ok" reads as healthy.
OK, ATTENTION, FAILING, UNSUPPORTED, ASLEEP = "ok", "attention", "failing", "unsupported", "asleep"

# -n standby,3: a disk that sleeps is left asleep, and smartctl says so with exit status 3.
_ASLEEP_STATUS = 3
OPTIONS = (
    "--json=c", "-n", "standby,{0}".format(_ASLEEP_STATUS), "-i", "-H", "-c", "-A", "-l", "error", "-l", "selftest",
)  # fmt: skip

_NOT_OPENED, _FAILING, _PREFAIL, _PREFAIL_PAST = 0x03, 0x08, 0x10, 0x20
_HOURS_WRAP = 65536  # both families log a self-test's hour in 16 bits
_SCSI_KINDS = {1: "short", 2: "long", 5: "short", 6: "long"}
_SCSI_RESULTS = {
    0: "passed",
    1: "aborted",
    2: "aborted",
    3: "failed",
    4: "failed",
    5: "failed",
    6: "failed",
    7: "failed",
}
_ATA_KINDS = {1: "short", 2: "long", 0x81: "short", 0x82: "long"}
_ATA_RESULTS = {0: "passed", 1: "aborted", 2: "aborted", **dict.fromkeys(range(3, 9), "failed"), 15: "running"}
_REALLOCATED, _REPORTED, _PENDING, _LINK = 5, 187, 197, 199


class SmartError(DecodeError):
    """A reading that cannot be used for the unit. *code*: C(open), C(output) or C(mismatch)."""

    def __init__(self, code: str, message: str) -> None:
        super().__init__(message)
        self.code = code


@dataclass(frozen=True)
class ErrorCount:
    """Errors since manufacture by *operation*: C(read), C(write), C(verify), or C(any) where that is not reported."""

    operation: str
    corrected: Optional[int] = None
    uncorrected: Optional[int] = None


@dataclass(frozen=True)
class SelfTest:
    """The latest self-test, or the latest of one kind.

    *result*: C(none), C(running), C(passed), C(aborted), C(failed) or C(unknown). *kind*: C(short), C(long)
    or empty. *remaining* is the share that remains (0 to 1). *ago* is how many power-on hours ago it ended.
    """

    result: str = "none"
    kind: str = ""
    remaining: Optional[float] = None
    ago: Optional[int] = None


@dataclass(frozen=True)
class SmartReading:
    """One good answer. *device_id* is the unit's own name (C(naa....)) as smartctl read it; empty when it did not.

    *passed* are the latest passed self-tests of each kind. Temperatures are degrees Celsius.
    *long_test_seconds* is how long a long self-test takes according to the drive.
    """

    verdict: str
    reason: str = ""
    protocol: str = ""
    device_id: str = ""
    serial: str = ""
    temperature: Optional[int] = None
    temperature_limit: Optional[int] = None
    power_on_hours: Optional[int] = None
    grown_defects: Optional[int] = None
    pending_defects: Optional[int] = None
    link_errors: Optional[int] = None
    errors: Tuple[ErrorCount, ...] = ()
    self_test: SelfTest = SelfTest()
    passed: Tuple[SelfTest, ...] = ()
    long_test_seconds: Optional[int] = None

    @property
    def bad_places(self) -> int:
        """The sum of uncorrected errors and defects, which a failing unit has more of than its sibling."""
        return (
            (self.grown_defects or 0)
            + (self.pending_defects or 0)
            + sum(count.uncorrected or 0 for count in self.errors)
        )


def argv(node: str, program: str = "smartctl") -> Tuple[str, ...]:
    """The command that reads the unit at *node* without waking it."""
    return (program,) + OPTIONS + (node,)


def read(text: str, wwn: str = "", serial: str = "") -> SmartReading:
    """The reading in smartctl's output, which must be about the unit *wwn* of the drive *serial*.

    Device nodes are reused when drives are removed and added: an answer from another unit raises SmartError, as does
    one from a device that was not opened, or one that does not have the documented format.
    """
    try:
        data = json.loads(text)
        status = int(data["smartctl"]["exit_status"])
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise SmartError("output", "smartctl's output is not JSON of a known format: {0!r}".format(error)) from error
    messages = _messages(data)
    if status == _ASLEEP_STATUS and " mode, exit(" in messages:
        return SmartReading(ASLEEP)
    if status & _NOT_OPENED:
        raise SmartError("open", "smartctl could not open the device: {0}".format(messages or "no message"))
    try:
        return _checked(_reading(data, status), wwn, serial)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise SmartError("output", "smartctl's output has an unknown format: {0!r}".format(error)) from error


def _messages(data: Mapping[str, Any]) -> str:
    found = data["smartctl"].get("messages") or []
    return "; ".join(str(one.get("string", "")) for one in found if isinstance(one, dict))[:200]


def _checked(reading: SmartReading, wwn: str, serial: str) -> SmartReading:
    wanted, got = wwn, reading.device_id
    # A unit may carry names of both NAA lengths, so only names of one length can contradict.
    if not (wanted.startswith("naa.") and len(wanted) == len(got)):
        wanted, got = serial, reading.serial
    if wanted and got and wanted != got:
        raise SmartError("mismatch", "the answer came from {0}, not from {1}".format(got, wanted))
    return reading


def _reading(data: Mapping[str, Any], status: int) -> SmartReading:
    protocol = str((data.get("device") or {}).get("protocol", "")).lower()
    family = _ata(data) if protocol == "ata" else _scsi(data)
    hours = _number((data.get("power_on_time") or {}).get("hours"))
    temperature = data.get("temperature") or {}
    reading = SmartReading(
        verdict=UNSUPPORTED,
        protocol=clean_text(protocol),
        serial=clean_text(str(data.get("serial_number", ""))),
        # Drives without a sensor report 0.
        temperature=_number(temperature.get("current")) or None,
        temperature_limit=_number(temperature.get("drive_trip", (data.get("scsi_temperature") or {}).get("drive_trip")))
        or None,
        power_on_hours=hours,
        **family,
    )
    verdict, reason = _verdict(reading, data, status)
    return _replaced(reading, verdict, reason)


def _replaced(reading: SmartReading, verdict: str, reason: str) -> SmartReading:
    return SmartReading(**{**reading.__dict__, "verdict": verdict, "reason": clean_text(reason)})


def _verdict(reading: SmartReading, data: Mapping[str, Any], status: int) -> Tuple[str, str]:
    passed = (data.get("smart_status") or {}).get("passed")
    scsi = (data.get("smart_status") or {}).get("scsi") or {}
    if passed is False or status & _FAILING:
        return FAILING, str(scsi.get("ie_string", "SMART status")).lower()
    if status & _PREFAIL:
        return FAILING, "attribute at threshold"
    if reading.self_test.result == "failed":
        return FAILING, "self-test failed"
    if passed is not True:
        return UNSUPPORTED, "no SMART status"
    if reading.pending_defects:
        return ATTENTION, "pending defects"
    if any(count.uncorrected for count in reading.errors):
        return ATTENTION, "uncorrected errors"
    if status & _PREFAIL_PAST:
        return ATTENTION, "attribute was at threshold"
    return OK, ""


def _number(value: Any) -> Optional[int]:
    """A count; None where the drive gives none. smartctl never prints one as text or below 0."""
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise ValueError("{0!r} is not a count".format(value))
    return value


def _scsi(data: Mapping[str, Any]) -> Dict[str, Any]:
    identifier = str(data.get("logical_unit_id", ""))
    log = data.get("scsi_error_counter_log") or {}
    latest, passed = _tests(_scsi_tests(data), (data.get("power_on_time") or {}).get("hours"))
    return {
        "device_id": "naa." + identifier[2:].lower() if identifier.startswith("0x") else "",
        "grown_defects": _number(data.get("scsi_grown_defect_list")),
        "pending_defects": _number((data.get("scsi_pending_defects") or {}).get("count")),
        "errors": tuple(
            ErrorCount(
                operation,
                _number(log[operation].get("total_errors_corrected")),
                _number(log[operation].get("total_uncorrected_errors")),
            )
            for operation in ("read", "write", "verify")
            if operation in log
        ),
        "self_test": latest,
        "passed": passed,
        "long_test_seconds": _number(data.get("scsi_extended_self_test_seconds")),
    }


def _scsi_tests(data: Mapping[str, Any]) -> Iterator[Tuple[str, str, Optional[float], Optional[int]]]:
    for number in range(20):
        entry = data.get("scsi_self_test_{0}".format(number))
        if entry is None:
            return
        running = bool(entry.get("self_test_in_progress")) or entry["result"]["value"] == 15
        yield (
            "running" if running else _SCSI_RESULTS.get(entry["result"]["value"], "unknown"),
            _SCSI_KINDS.get(entry["code"]["value"], ""),
            None,
            None if running else _number((entry.get("power_on_time") or {}).get("hours")),
        )


def _ata(data: Mapping[str, Any]) -> Dict[str, Any]:
    wwn = data.get("wwn") or {}
    table = (data.get("ata_smart_attributes") or {}).get("table") or []
    raw = {entry["id"]: entry["raw"]["value"] for entry in table}
    latest, passed = _tests(_ata_tests(data), (data.get("power_on_time") or {}).get("hours"))
    test = (data.get("ata_smart_data") or {}).get("self_test") or {}
    minutes = _number((test.get("polling_minutes") or {}).get("extended"))
    return {
        "device_id": "naa.{0:x}{1:06x}{2:09x}".format(wwn["naa"], wwn["oui"], wwn["id"]) if wwn else "",
        "grown_defects": _number(raw.get(_REALLOCATED)),
        "pending_defects": _number(raw.get(_PENDING)),
        "link_errors": _number(raw.get(_LINK)),
        "errors": (ErrorCount("any", None, _number(raw[_REPORTED])),) if _REPORTED in raw else (),
        "self_test": latest,
        "passed": passed,
        "long_test_seconds": None if minutes is None else minutes * 60,
    }


def _ata_tests(data: Mapping[str, Any]) -> Iterator[Tuple[str, str, Optional[float], Optional[int]]]:
    now = ((data.get("ata_smart_data") or {}).get("self_test") or {}).get("status") or {}
    if now.get("value", 0) >> 4 == 15:
        yield "running", "", _number(now.get("remaining_percent")), None
    logs = data.get("ata_smart_self_test_log") or {}
    log = logs.get("extended") or logs.get("standard") or {}
    for entry in log.get("table") or []:
        result = _ATA_RESULTS.get(entry["status"]["value"] >> 4, "unknown")
        if result != "running":
            yield result, _ATA_KINDS.get(entry["type"]["value"], ""), None, _number(entry.get("lifetime_hours"))


def _tests(
    entries: Iterator[Tuple[str, str, Optional[float], Optional[int]]], hours: Optional[int]
) -> Tuple[SelfTest, Tuple[SelfTest, ...]]:
    """The latest test, and the latest passed one of each kind; *entries* come newest first."""
    found: List[SelfTest] = []
    for result, kind, percent, at in entries:
        ago = None if at is None or hours is None else (hours - at) % _HOURS_WRAP
        found.append(SelfTest(result, kind, None if percent is None else percent / 100.0, ago))
    passed: Dict[str, SelfTest] = {}
    for test in found:
        if test.result == "passed" and test.kind:
            passed.setdefault(test.kind, test)
    return (found[0] if found else SelfTest()), tuple(passed[kind] for kind in sorted(passed))
