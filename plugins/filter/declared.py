# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Filters that put the declared drives and the found ones together on the controller."""

from __future__ import annotations

from typing import Any, Callable, Dict, List

from ansible.errors import AnsibleFilterError

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core import declared, names
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import CoreError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Drive
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import from_plain, to_plain


def _guarded(work: Callable[..., Any]) -> Callable[..., Any]:
    def call(*args: Any) -> Any:
        try:
            return work(*args)
        except CoreError as exc:
            raise AnsibleFilterError(str(exc)) from exc

    return call


def _drives(found: List[Dict[str, Any]]) -> List[Drive]:
    return [from_plain(Drive, drive, "drives[{0}]".format(number)) for number, drive in enumerate(found)]


def declared_drives(data: Any, found: List[Dict[str, Any]], host: str = "") -> Any:
    """The declared drives, completed by the found ones."""
    return to_plain(declared.merge(declared.read_drives(data, host), _drives(found)))


def unit_rules(drives: List[Dict[str, Any]]) -> str:
    """The udev rules that name the drives' units."""
    return names.udev_rules(_drives(drives))


def declared_draft(found: List[Dict[str, Any]]) -> Any:
    """The declaration that describes found drives."""
    return declared.draft(_drives(found))


def survey_notes(data: Any, found: List[Dict[str, Any]]) -> Any:
    """How the declaration differs from what was found."""
    return to_plain(declared.survey_notes(declared.read_drives(data), _drives(found)))


class FilterModule:
    """The filters of this collection."""

    def filters(self) -> Dict[str, Callable[..., Any]]:
        """Filter name to function."""
        return {
            "declared_drives": _guarded(declared_drives),
            "declared_draft": _guarded(declared_draft),
            "survey_notes": _guarded(survey_notes),
            "unit_rules": _guarded(unit_rules),
        }
