# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Filters that combine the declared drives with those found, on the controller."""

from __future__ import annotations

from typing import Any, Callable, Dict, List, Sequence, Tuple

from ansible.errors import AnsibleFilterError

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core import declared, names, onhost, smartd
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import CoreError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host import bays
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Drive, Finding
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import from_plain, to_plain
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.server_class import (
    read_class,
    refuse_strange_bays,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.zfs.support import read_support


def _guarded(work: Callable[..., Any]) -> Callable[..., Any]:
    def call(*args: Any) -> Any:
        try:
            return work(*args)
        except CoreError as exc:
            raise AnsibleFilterError(str(exc)) from exc

    return call


def _complete(data: Any, found: List[Dict[str, Any]], host: str) -> Tuple[Drive, ...]:
    return declared.complete(declared.read_drives(data, host), _drives(found))


def _drives(found: List[Dict[str, Any]]) -> List[Drive]:
    return [from_plain(Drive, drive, "drives[{0}]".format(number)) for number, drive in enumerate(found)]


def declared_drives(data: Any, found: List[Dict[str, Any]], host: str = "") -> Any:
    """The declared drives, completed by the found ones."""
    return to_plain(declared.merge(declared.read_drives(data, host), _drives(found)))


def unit_rules(data: Any, found: List[Dict[str, Any]], host: str = "") -> str:
    """The udev rules that name the declared drives' units."""
    return names.udev_rules(_complete(data, found, host))


def smartd_lines(
    data: Any,
    found: List[Dict[str, Any]],
    host: str = "",
    directives: str = "-a",
    selftests: Sequence[str] = (),
    support: Any = (),
) -> List[str]:
    """One line of smartd's configuration for each unit."""
    wwns = [device for one in read_support(support) for device in one.devices]
    return smartd.smartd_lines(_complete(data, found, host), directives, selftests, wwns)


def host_inventory(data: Any, host: str, pool: Any, discovery: Any, about: Any) -> str:
    """The on-host inventory file."""
    drives = declared.read_drives(data, host)
    known = read_class(about.get("bays", []), about.get("paths_per_unit", 0), about.get("models", {}), host)
    refuse_strange_bays(drives, known, host)
    bays.read_bay_map(discovery.get("bay_map", []), "{0}: split_actuator_bay_map".format(host))
    bays.read_enclosure_names(discovery.get("enclosures", {}), "{0}: split_actuator_enclosures".format(host))
    read_support(pool.get("support", []), "{0}: split_actuator_pool.support".format(host))
    return onhost.to_text(onhost.Inventory(host, drives, pool, discovery, known))


def declared_draft(found: List[Dict[str, Any]]) -> Any:
    """The declaration that describes found drives."""
    return declared.draft(_drives(found))


def survey_notes(data: Any, found: List[Dict[str, Any]]) -> Any:
    """How the declaration differs from what was found."""
    return to_plain(declared.survey_notes(declared.read_drives(data), _drives(found)))


def finding_lines(findings: List[Dict[str, Any]]) -> List[str]:
    """Findings for people, one line each."""
    lines = []
    for number, plain in enumerate(findings):
        one = from_plain(Finding, plain, "findings[{0}]".format(number))
        about = "{0}: ".format(one.subject) if one.serial or one.bay else ""
        parts = ["declared {0}".format(one.declared) if one.declared else "", "found {0}".format(one.found)]
        facts = ", ".join(part for part in parts if part).rstrip(".")
        lines.append("{0} {1}: {2}{3}. {4}".format(one.severity, one.code, about, facts, one.remedy).strip())
    return lines


class FilterModule:
    """The filters of this collection."""

    def filters(self) -> Dict[str, Callable[..., Any]]:
        """Filter name to function."""
        return {
            "declared_drives": _guarded(declared_drives),
            "declared_draft": _guarded(declared_draft),
            "finding_lines": _guarded(finding_lines),
            "host_inventory": _guarded(host_inventory),
            "smartd_lines": _guarded(smartd_lines),
            "survey_notes": _guarded(survey_notes),
            "unit_rules": _guarded(unit_rules),
        }
