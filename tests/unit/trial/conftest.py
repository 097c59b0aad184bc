# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Nothing here proves that a file outlives a loss of power, and waiting for a disk takes most of the time."""

from __future__ import annotations

import os

import pytest


@pytest.fixture(autouse=True)
def _no_waiting_for_disks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "fsync", lambda _handle: None)
