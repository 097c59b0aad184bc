# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The service units of the role: their rights as systemd itself judges them, and that systemd reads them."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import jinja2
import pytest
import yaml
from ansible.plugins.filter.core import FilterModule

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health import config, snapshot

REPO = Path(__file__).parents[3]
ROLE = REPO / "roles" / "health_exporter"
SYSTEMD = pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed")
SERVICES = (
    "evenkeel-health.service",
    "evenkeel-health-web.service",
    "evenkeel-scrub.service",
    "evenkeel-selftest@.service",
)


def render(name: str, **changes: Any) -> str:
    variables = {
        **yaml.safe_load((ROLE / "defaults" / "main.yml").read_text()),
        "health_exporter_scrub_days": 30,  # the default is an expression
        **changes,
        "ansible_managed": "managed",
    }
    # As Ansible renders templates.
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(ROLE / "templates"),
        trim_blocks=True,
        undefined=jinja2.StrictUndefined,
        autoescape=False,  # noqa: S701 -- no HTML
    )
    environment.filters["bool"] = FilterModule().filters()["bool"]
    environment.filters["to_nice_json"] = lambda value, indent: json.dumps(value, indent=indent)
    return environment.get_template(f"{name}.j2").render(variables) + "\n"


def documented() -> dict[str, float]:
    rows = re.findall(
        r"^\| `(evenkeel-[a-z@-]+\.service)` \| .* \| ([0-9.]+) \|$", (REPO / "docs" / "metrics.md").read_text(), re.M
    )
    return {name: float(score) for name, score in rows}


@SYSTEMD
def test_the_exposure_of_each_service_is_as_documented(tmp_path: Path) -> None:
    scores = {}
    for name in SERVICES:
        (tmp_path / name).write_text(render(name))
        told = subprocess.run(
            ["systemd-analyze", "security", "--no-pager", "--offline=yes", str(tmp_path / name)],
            capture_output=True,
            text=True,
            check=False,
            env={"PATH": "/usr/bin:/bin", "LANG": "C.UTF-8"},
        )
        match = re.search(r"Overall exposure level for \S+: ([0-9.]+)", told.stdout)
        assert match, told.stdout + told.stderr
        scores[name] = float(match.group(1))
    limits = documented()
    assert set(scores) == set(limits)
    # Versions of systemd weigh a little differently; none may find more than is documented.
    assert all(scores[name] <= limits[name] for name in SERVICES), scores
    assert max(limits.values()) < 2


def directives(text: str) -> list[tuple[str, str]]:
    lines = [line for line in text.splitlines() if line and not line.startswith(("#", "["))]
    return [(key, value) for key, _equals, value in (line.partition("=") for line in lines)]


def test_no_service_keeps_a_right_that_is_not_listed() -> None:
    kept = {name: dict(directives(render(name)))["CapabilityBoundingSet"] for name in SERVICES}
    assert kept == {
        "evenkeel-health.service": "",
        "evenkeel-health-web.service": "",
        "evenkeel-scrub.service": "CAP_SYS_ADMIN",
        "evenkeel-selftest@.service": "CAP_SYS_RAWIO",
    }
    for name in SERVICES:
        found = directives(render(name))
        assert ("NoNewPrivileges", "yes") in found
        assert ("ProtectSystem", "strict") in found
        devices = [value for key, value in found if key == "DeviceAllow"]
        assert devices or ("PrivateDevices", "yes") in found
    assert dict(directives(render(SERVICES[0], health_exporter_ata=True)))["CapabilityBoundingSet"] == "CAP_SYS_RAWIO"
    assert dict(directives(render(SERVICES[1])))["DynamicUser"] == "yes"


def test_only_loopback_is_reachable_by_default() -> None:
    found = directives(render("evenkeel-health-web.service"))
    assert ("IPAddressDeny", "any") in found
    assert ("IPAddressAllow", "localhost") in found
    assert ("SocketBindAllow", "tcp:9837") in found
    elsewhere = directives(render("evenkeel-health-web.service", health_exporter_address="192.0.2.7"))
    assert ("IPAddressDeny", "any") not in elsewhere


def test_the_server_is_told_the_boot_that_it_cannot_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """ProcSubset=pid hides /proc/sys, so the boot's identifier comes from the service manager (%b: without dashes)."""
    found = directives(render("evenkeel-health-web.service"))
    assert ("ProcSubset", "pid") in found
    assert ("Environment", snapshot.BOOT_VARIABLE + "=%b") in found
    file = tmp_path / "boot_id"
    file.write_text("e79298b7-118e-4b9e-92c5-23cb49827ef0\n")
    monkeypatch.setenv(snapshot.BOOT_VARIABLE, "e79298b7118e4b9e92c523cb49827ef0")
    assert snapshot.boot_id(str(file)) == snapshot.boot_id(str(tmp_path / "none")) == "e79298b7118e4b9e92c523cb49827ef0"
    monkeypatch.delenv(snapshot.BOOT_VARIABLE)
    assert snapshot.boot_id(str(tmp_path / "none")) == ""


def test_the_configuration_is_one_that_the_program_reads(tmp_path: Path) -> None:
    path = tmp_path / "health.json"
    path.write_text(render("health.json"))
    assert config.read(str(path)) == config.Config()
    path.write_text(
        render(
            "health.json",
            health_exporter_tls_certificate="/etc/ssl/one.pem",
            health_exporter_tls_key="/etc/ssl/one.key",
            health_exporter_scrub_days=14,
        )
    )
    made = config.read(str(path))
    assert made.certificate == "/run/credentials/evenkeel-health-web.service/certificate"
    assert (made.upkeep.scrub_days, made.upkeep.long_days) == (14, 60)
    web = directives(
        render("evenkeel-health-web.service", health_exporter_tls_certificate="/c", health_exporter_tls_key="/k")
    )
    assert [value for key, value in web if key == "LoadCredential"] == ["certificate:/c", "key:/k"]


@SYSTEMD
@pytest.mark.parametrize("name", ["scrub", "short", "long"])
def test_systemd_reads_the_calendars(name: str) -> None:
    defaults = yaml.safe_load((ROLE / "defaults" / "main.yml").read_text())
    calendar = defaults[f"health_exporter_{name}_calendar"]
    done = subprocess.run(["systemd-analyze", "calendar", calendar], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    timer = "evenkeel-scrub.timer" if name == "scrub" else f"evenkeel-selftest-{name}.timer"
    found = dict(directives(render(timer)))
    assert (found["OnCalendar"], found["Persistent"]) == (calendar, "true")
    assert found["Unit"] == ("evenkeel-scrub.service" if name == "scrub" else f"evenkeel-selftest@{name}.service")


def test_the_documented_options_are_those_of_the_role() -> None:
    specification = yaml.safe_load((ROLE / "meta" / "argument_specs.yml").read_text())
    options = specification["argument_specs"]["main"]["options"]
    defaults = yaml.safe_load((ROLE / "defaults" / "main.yml").read_text())
    assert set(options) == set(defaults)
    computed = {"health_exporter_alert_rules_host", "health_exporter_scrub_days"}
    assert {name: entry.get("default") for name, entry in options.items() if name not in computed} == {
        name: value for name, value in defaults.items() if name not in computed
    }
