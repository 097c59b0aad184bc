# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""What can go wrong in the lab."""

from __future__ import annotations


class LabError(Exception):
    """Something in the lab failed; the text says what and what to do."""


class ChassisError(LabError):
    """A chassis description has a bad value; *key* is its dotted name."""

    def __init__(self, key: str, message: str) -> None:
        super().__init__(f"{key}: {message}")
        self.key = key


class GuestError(LabError):
    """A command in the guest failed or did not end in time."""


class QmpError(LabError):
    """The emulator refused a command or did not answer."""
