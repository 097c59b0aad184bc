# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The outcome of a drift run in formats for people and machines."""

from __future__ import annotations

from typing import Any, Callable, Dict, List

from ansible.errors import AnsibleFilterError
from ansible.utils._junit_xml import TestCase, TestFailure, TestSuite, TestSuites

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.codes import at_least
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.outcome import subject, table


def drift_table(data: Any) -> List[str]:
    """The outcome as lines of a table."""
    try:
        return table(data)
    except (KeyError, TypeError, AttributeError) as error:
        raise AnsibleFilterError("drift_table needs the outcome of drift_outcome: {0!r}".format(error)) from error


def drift_junit(data: Any) -> str:
    """The outcome as JUnit XML: a suite for each host, a case for each finding; failing ones are failures."""
    try:
        suites = [_suite(host, data["fail_on"]) for host in data["hosts"]]
    except (KeyError, TypeError, AttributeError) as error:
        raise AnsibleFilterError("drift_junit needs the outcome of drift_outcome: {0!r}".format(error)) from error
    return str(TestSuites(name="split_actuator drift", suites=suites).to_pretty_xml())


def _suite(host: Dict[str, Any], fail_on: str) -> TestSuite:
    cases = [_case(host["host"], one, fail_on) for one in host["findings"]]
    cases += [
        TestCase(
            name="{0} {1}".format(one["finding"]["code"], subject(one["finding"])),
            classname=host["host"],
            skipped="accepted until {0}: {1}".format(one["until"], one["reason"]),
        )
        for one in host["accepted"]
    ]
    # A suite without cases reads as one that did not run.
    cases = cases or [TestCase(name="as declared", classname=host["host"])]
    return TestSuite(name=host["host"], cases=cases)


def _case(host: str, one: Dict[str, Any], fail_on: str) -> TestCase:
    text = "declared: {0}\nfound: {1}\nsince: {2}\n{3}".format(
        one["declared"] or "-", one["found"] or "-", one["since"] or "-", one["remedy"]
    )
    failures = []
    if at_least(one["severity"], fail_on):
        failures = [TestFailure(output=text, message=one["found"] or one["code"], type=one["severity"])]
    name = "{0} {1}".format(one["code"], subject(one))
    return TestCase(name=name, classname=host, failures=failures, system_out=None if failures else text)


class FilterModule:
    """The filters for drift."""

    def filters(self) -> Dict[str, Callable[..., Any]]:
        """Filter name to function."""
        return {"drift_table": drift_table, "drift_junit": drift_junit}
