# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs ShellCheck over every shell script, known by its first line or its name."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

from tests.tools.tree import listed

SHEBANG = re.compile(rb"#! ?/(usr/)?bin/(env )?(ba|da)?sh\b")


def main() -> int:
    """Check the copy in the current folder."""
    files = [Path(name) for name in listed(Path.cwd()) if not Path(name).is_symlink()]
    scripts = [str(path) for path in files if path.suffix == ".sh" or SHEBANG.match(path.read_bytes()[:40])]
    if not scripts:
        print("no shell script was found; there should be at least .ci/run")
        return 1
    return subprocess.run(["shellcheck", "--severity=style", *scripts], check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
