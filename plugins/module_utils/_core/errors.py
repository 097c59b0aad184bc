# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Every error the library raises on purpose.

The library never prints and never exits: it raises one of these, and the Ansible
modules and the services on the host report it. Each has what happened (*message*),
what it is about (*subject*: bay, serial, unit, host, key) and what to do (*remedy*).
"""

from __future__ import annotations

from typing import Sequence


class CoreError(Exception):
    """Base of all foreseeable errors."""

    def __init__(self, message: str, subject: str = "", remedy: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.subject = subject
        self.remedy = remedy

    def __str__(self) -> str:
        text = "{0}: {1}".format(self.subject, self.message) if self.subject else self.message
        return "{0}. {1}".format(text.rstrip("."), self.remedy) if self.remedy else text


class InputError(CoreError):
    """A value given by a person is not allowed; *subject* is the field's dotted name."""


class DecodeError(CoreError):
    """Bytes or text from a device or a tool do not have the documented form."""


class HostError(CoreError):
    """The host lacks something needed: a tool, a kernel module, a privilege, a device."""


class MissingLibraryError(HostError):
    """A Python library is not installed on the host; *library* is its name."""

    def __init__(self, library: str, remedy: str) -> None:
        super().__init__("the Python library {0} is not installed".format(library), subject="host", remedy=remedy)
        self.library = library


class CommandError(CoreError):
    """A command that was run failed."""

    def __init__(self, argv: Sequence[str], rc: int, stderr: str, remedy: str = "") -> None:
        super().__init__(
            "{0} failed with code {1}: {2}".format(" ".join(argv), rc, stderr.strip() or "no message"),
            remedy=remedy,
        )
        self.argv = tuple(argv)
        self.rc = rc
        self.stderr = stderr


class PromiseError(CoreError):
    """No layout keeps what the policy promises; *remedy* is the smallest change that suffices."""


class Refusal(CoreError):
    """An action was refused because it could harm data; *reasons* has one line for each cause."""

    def __init__(self, message: str, reasons: Sequence[str], remedy: str = "") -> None:
        super().__init__(message, remedy=remedy)
        self.reasons = tuple(reasons)

    def __str__(self) -> str:
        lines = [self.message] + ["- " + reason for reason in self.reasons]
        if self.remedy:
            lines.append(self.remedy)
        return "\n".join(lines)
