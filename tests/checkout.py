# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Makes the collection importable by its full name from this checkout."""

import sys
from pathlib import Path

REPO = Path(__file__).resolve().parent.parent
LINK = REPO / ".work" / "ansible_collections" / "evenkeel" / "split_actuator"

if not LINK.exists():
    LINK.parent.mkdir(parents=True, exist_ok=True)
    LINK.symlink_to(REPO, target_is_directory=True)
sys.path.insert(0, str(REPO / ".work"))
