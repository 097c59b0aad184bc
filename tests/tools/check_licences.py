# Copyright: (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs `reuse lint`: every file states its copyright and licence, in itself or in a REUSE.toml.

REUSE asks for the licence texts in a folder LICENSES. The collection keeps its one licence in
LICENSE, where Ansible users look for it; the folder is laid only in the copy that is checked.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.tools.tree import add_licence_folder


def main() -> int:
    """Check the copy in the current folder."""
    if not Path("LICENSES").exists():
        add_licence_folder(Path.cwd())
    return subprocess.run(["reuse", "--no-multiprocessing", "lint", "--lines"], check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
