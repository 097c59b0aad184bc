# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Gives files their copyright and licence lines where they have none: python -m tests.tools.add_headers [FILE...].

Without arguments it looks at every file of the tree. Python, YAML, templates, shell, configuration
and Markdown files are known; `make lint` tells of the others.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

from tests.tools.tree import listed

OWNER = "Copyright (c) 2026, The evenkeel maintainers"
GPL = "GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)"
# Put together, so that this line is not taken for one that names a licence.
TAG = "SPDX-License-" + "Identifier: GPL-3.0-or-later"
HASH_KINDS = {".py", ".yml", ".yaml", ".sh", ".toml", ".ini", ".cfg", ".txt", ".conf", ".rules", ".service", ".timer"}
OTHER_SPELLING = re.compile(r"^(# ?)?Copyright: \(c\)", re.MULTILINE)


def headed(name: str, text: str) -> str:
    """The text with the lines it lacks; as it was when it has them or is of no known kind."""
    text = OTHER_SPELLING.sub(lambda match: match.group(0).replace("Copyright:", "Copyright"), text, count=1)
    if TAG in text[:1000]:
        return text
    lines = [OWNER, GPL, TAG] if name.startswith("plugins/") else [OWNER, TAG]
    suffix = Path(name).suffix
    if suffix == ".md":
        return "<!--\n" + "\n".join(lines) + "\n-->\n\n" + text
    if suffix == ".j2":
        return "{#\n" + "\n".join(lines) + "\n#}\n" + text
    if suffix not in HASH_KINDS:
        return text
    first, rest = re.fullmatch(r"(#![^\n]*\n|---\n)?(.*)", text, re.DOTALL).groups("")  # type: ignore[union-attr]
    return str(first) + "".join(f"# {line}\n" for line in lines) + str(rest)


def main() -> int:
    """Mend the files named, or all."""
    for name in sys.argv[1:] or listed():
        path = Path(name)
        if path.is_symlink() or name.startswith(("tests/data/", "changelogs/")) or path.name == "LICENSE":
            continue
        try:
            before = path.read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue
        after = headed(name, before)
        if after != before:
            path.write_text(after, encoding="utf-8")
            print(f"headed {name}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
