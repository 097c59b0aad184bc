# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Lets tests import the collection by its full name from this checkout, and names a profile of Hypothesis."""

import sys
from pathlib import Path

from hypothesis import HealthCheck, settings

REPO = Path(__file__).resolve().parent.parent
LINK = REPO / ".work" / "ansible_collections" / "evenkeel" / "split_actuator"

if not LINK.exists():
    LINK.parent.mkdir(parents=True, exist_ok=True)
    LINK.symlink_to(REPO, target_is_directory=True)
sys.path.insert(0, str(REPO / ".work"))

# `make unit` uses the profile "ci" that Hypothesis brings: the same examples every time.
settings.register_profile("fuzz", max_examples=5_000, deadline=None, suppress_health_check=list(HealthCheck))
