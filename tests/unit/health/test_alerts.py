# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The alert rules: promtool runs them (tests/data/promtool), here also that they ask for metrics that exist."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
import yaml

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.codes import CODES
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.pools import OVERDUE
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.families import FAMILIES, PREFIX

REPO = Path(__file__).parents[3]
RULES = REPO / "roles" / "health_exporter" / "files" / "alerts.yml"
TESTS = REPO / "tests" / "data" / "promtool" / "alerts_test.yml"
PROMTOOL = pytest.mark.skipif(shutil.which("promtool") is None, reason="promtool is not installed")


@PROMTOOL
@pytest.mark.parametrize("command", [("check", "rules", str(RULES)), ("test", "rules", str(TESTS))])
def test_promtool_agrees(command: tuple[str, ...]) -> None:
    done = subprocess.run(["promtool", *command], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def rules() -> list[dict]:
    return [rule for group in yaml.safe_load(RULES.read_text())["groups"] for rule in group["rules"]]


def test_every_rule_is_tested() -> None:
    told = TESTS.read_text()
    assert [rule["alert"] for rule in rules() if rule["alert"] not in told] == []


def test_rules_use_metrics_and_labels_that_exist() -> None:
    endings = {"counter": "_total", "info": "_info"}
    known = {PREFIX + family.name + endings.get(family.kind, ""): family for family in FAMILIES}
    for rule in rules():
        used = set(re.findall(r"split_actuator_\w+(?![\w\"=])", re.sub(r"\{[^}]*\}", "", rule["expr"])))
        assert used, rule["alert"]
        assert used <= set(known), rule["alert"]
        for name, selector in re.findall(r"(split_actuator_\w+)\{([^}]*)\}", rule["expr"]):
            labels = set(re.findall(r"(\w+)\s*=~?\"", selector)) | set(re.findall(r"(\w+)!=", selector))
            assert labels <= {*known[name].labels, name}, rule["alert"]
            for state in re.findall(name + r"=~?\"([^\"]*)\"", selector):
                assert set(state.split("|")) <= set(known[name].states), rule["alert"]


def test_one_number_of_days_gives_due_date_finding_and_alert() -> None:
    """The days are `split_actuator_scrub_days` in both roles, and overdue is the same multiple of them everywhere."""
    defaults = {
        name: (REPO / "roles" / name / "defaults" / "main.yml").read_text()
        for name in ("drift_schedule", "health_exporter")
    }
    assert all(
        f'{name}_scrub_days: "{{{{ split_actuator_scrub_days | default(30) }}}}"' in text
        for name, text in defaults.items()
    )
    assert f"> on (instance, pool) {OVERDUE:g} * split_actuator_pool_scrub_interval_seconds" in RULES.read_text()
    assert f"within {OVERDUE:g} times" in CODES["scrub_old"].means
