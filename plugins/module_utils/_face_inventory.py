# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""What modules that use the declared inventory share: from their parameters into the library, and back."""

from __future__ import annotations

import os
import tempfile
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Dict, Mapping, Sequence, Tuple

from ._core import declared, survey, yaml_edit
from ._core.declared import VARIABLE
from ._core.errors import HostError, InputError
from ._core.host.bays import enclosure_slots
from ._core.host.discover import discover
from ._core.host.locate import Light, find_lights
from ._core.host.options import wanted_from
from ._core.model import Drive
from ._core.plain import from_plain
from ._core.zfs.access import expecting

if TYPE_CHECKING:
    from ansible.module_utils.basic import AnsibleModule


def lights_from(params: Mapping[str, Any]) -> Tuple[Light, ...]:
    """The locate lights of the bays in a module's options."""
    wanted = expecting(wanted_from(params), declared.read_drives(params["declared"]))
    slots = enclosure_slots(wanted.enclosures)
    return find_lights(params["locate"], slots, discover(wanted).drives, params["method"])


@dataclass(frozen=True)
class Survey:
    """A variables file before and after a survey, and one line for each change."""

    before: str
    after: str
    notes: Tuple[str, ...]

    @property
    def drives(self) -> Dict[str, Any]:
        """The declared drives after the survey."""
        return dict(yaml_edit.read_variable(self.after, VARIABLE) or {})


def surveyed(path: str, host: str, drives: Any, elsewhere: bool, gone: Sequence[str] = ()) -> Survey:
    """The variables file at *path* before and after a survey.

    *elsewhere* says that the variable has a value for the host; InputError when it does not come from this file.
    *gone* are serials whose entries are removed, unless the drives were found in those bays.
    """
    found = [from_plain(Drive, drive, "drives[{0}]".format(number)) for number, drive in enumerate(drives)]
    drafted = declared.draft(found)
    before = _text(path)
    there = yaml_edit.read_variable(before, VARIABLE) if before else None
    if elsewhere and there is None:
        raise InputError(
            "{0} has a value for this host that is not in {1}".format(VARIABLE, path),
            subject=host,
            remedy="Set split_actuator_drives_file to the file that declares it.",
        )
    if not before.strip():
        notes = tuple("{0}: holds serial {1}".format(bay, entry["serial"]) for bay, entry in drafted.items())
        return Survey(before, yaml_edit.draft(VARIABLE, host, drafted), notes)
    if there is not None and not isinstance(there, dict):
        raise InputError("{0!r} is not a dictionary of bays".format(there), subject="{0}: {1}".format(host, VARIABLE))
    todo = survey.changes(there or {}, drafted, host)
    todo += survey.forgotten(there or {}, todo, gone)
    return Survey(before, yaml_edit.edit(before, VARIABLE, todo), tuple(change.why for change in todo))


def _text(path: str) -> str:
    try:
        with open(path, encoding="utf-8", newline="") as file:
            return file.read()
    except FileNotFoundError:
        return ""
    except (OSError, UnicodeDecodeError) as error:
        raise HostError("{0} cannot be read: {1}".format(path, error), subject="file") from error


def put(module: AnsibleModule, path: str, text: str) -> None:
    """Replace a user's file, keeping its owner and mode; missing folders are created."""
    try:
        os.makedirs(os.path.dirname(path) or ".", exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=module.tmpdir)
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            file.write(text)
    except OSError as error:
        raise HostError("{0} cannot be written: {1}".format(path, error.strerror), subject="file") from error
    module.atomic_move(temporary, path)
