# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""How long the unit that imports at boot waits, with its own script and programs that only note that they were run."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from tests.checkout import REPO

UNIT = REPO / "roles" / "pool_import" / "templates" / "evenkeel-pool-import.service.j2"
WAITED, MORE = "wait --timeout=60", "wait --timeout=15"


def boot(folder: Path, imports: str, further: bool, listed: bool = False) -> tuple[int, list[str]]:
    """Exit code and what was run; *imports* is the shell condition of an import, *further*: links go on appearing."""
    [script] = re.findall(r"ExecStart=/bin/sh -c '(.*?)' sh ", UNIT.read_text(), re.DOTALL)
    script = script.replace("\\\n", "").replace("$$", "$").replace("{{ pool_import_boot_wait_seconds | int }}", "60")
    script = script.replace("{{ pool_import_pool }}", "archive")
    told, links = folder / "told", folder / "links"
    links.mkdir()
    (links / "0").touch()
    imported = f"echo import >> {told}; cd {links}; {imports}"
    programs = {
        "/sbin/zpool": f"case $1 in import) {imported};; list) {str(listed).lower()};; esac",
        "/usr/bin/udevadm": f"echo $1 $2 >> {told}; cd {links}; {str(further).lower()} && touch $(ls | wc -l); false",
    }
    for path, body in programs.items():
        program = folder / Path(path).name
        program.write_text(f"#!/bin/sh\n{body}\n")
        program.chmod(0o755)
        script = script.replace(path, str(program))
    done = subprocess.run(["sh", "-c", script, "sh", *(str(links / str(one)) for one in range(40))], check=False)
    return done.returncode, told.read_text().splitlines()


@pytest.mark.parametrize(
    ("imports", "further", "listed", "code", "told"),
    [
        ("true", False, False, 0, [WAITED, "import"]),
        ("false", False, False, 1, [WAITED, "import", MORE]),
        ("false", False, True, 1, [WAITED, "import"]),  # another pool of the cache file is what failed
        ("test -e 3", True, False, 0, [WAITED, "import", MORE, "import", MORE, "import"]),
        ("false", True, False, 1, [WAITED, *["import", MORE] * 16]),
    ],
    ids=["there", "too few", "another pool", "further ones appear", "never enough"],
)
def test_boot_waits_as_long_as_that_helps_and_no_longer(tmp_path, imports, further, listed, code, told) -> None:
    assert boot(tmp_path, imports, further, listed) == (code, told)
