# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs `reuse lint`: every file states its copyright and licence, in itself or in a REUSE.toml.

REUSE asks for the licence texts in a folder LICENSES. The collection keeps its one licence in
LICENSE, where Ansible users look for it; the folder is laid only in a copy made for the check.
"""

from __future__ import annotations

import subprocess
import sys

from tests.tools.tree import add_licence_folder, checkout


def main() -> int:
    """Check the copy in the current folder."""
    with checkout() as copy:
        add_licence_folder(copy)
        return subprocess.run(["reuse", "--no-multiprocessing", "lint", "--lines"], cwd=copy, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
