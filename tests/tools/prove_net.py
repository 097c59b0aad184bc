# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Proves that every check can fail: breaks something for each, in a copy of the tree, runs the
layers there, and expects each check to fail and to name what was broken.

A check that stays green, or goes red without naming its fault, makes this exit with 1.
"""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from tests.tools.tree import checkout

HEADER = "# Copyright (c) 2026, The evenkeel maintainers\n# SPDX-License-Identifier: GPL-3.0-or-later\n"
GPL = "# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)\n"
CORE = "plugins/module_utils/_core"
PAGE = "plugins/plugin_utils/_report/templates/base.html.j2"
BRANCHES = "".join(f"    if number == {n}:\n        number += {n + 1}\n" for n in range(11))
MODULE = f'''#!/usr/bin/python
{HEADER}{GPL}"""A module whose documentation and argument spec disagree."""

from __future__ import annotations

DOCUMENTATION = r"""
module: zz_module
short_description: Disagrees with itself
description: Points to M(evenkeel.split_actuator.zz_nowhere).
author: The evenkeel maintainers (@evenkeel)
options:
  documented:
    description: Is not in the argument spec.
    type: str
"""

EXAMPLES = r"""
- name: Call it
  evenkeel.split_actuator.zz_module:
"""

RETURN = r""""""

from ansible.module_utils.basic import AnsibleModule


def main() -> None:
    AnsibleModule(argument_spec={{"specified": {{"type": "str"}}}}, supports_check_mode=True)
    raise RuntimeError("it never answers")


if __name__ == "__main__":
    main()
'''


@dataclass(frozen=True)
class Fault:
    """Something broken: *text* put in *file* (or, with *old*, in place of that), and what the log must say
    (or one of several, apart by a bar)."""

    check: str
    file: str
    text: str
    expected: str
    old: str = ""

    def apply(self, top: Path) -> None:
        path = top / self.file
        path.parent.mkdir(parents=True, exist_ok=True)
        if self.old:
            before = path.read_text(encoding="utf-8")
            if self.old not in before:
                raise SystemExit(f"{self.file} no longer holds {self.old!r}; mend tests/tools/prove_net.py")
            path.write_text(before.replace(self.old, self.text, 1), encoding="utf-8")
        else:
            path.write_text(self.text, encoding="utf-8")


def source(text: str) -> str:
    return f"{HEADER}{GPL}from __future__ import annotations\n\n\n{text}"


MISTYPED = source('def wrong() -> int:\n    """Return a number."""\n    return "text"\n')
PLAY = "- name: Broken\n  hosts: all\n  tasks:\n    - name: Ask a shell\n      ansible.builtin.shell: hostname\n"
READS = "- name: Broken\n  hosts: all\n  tasks:\n    - name: Read\n      ansible.builtin.debug:\n        var: "
PROSE = f"<!--\n{HEADER}-->\n"
FAULTS: dict[str, tuple[Fault, ...]] = {
    "lint": (
        Fault("ansible-lint", "playbooks/zz_play.yml", f"---\n{HEADER}{PLAY}", "no-changed-when"),
        Fault("ruff", f"{CORE}/zz_branches.py", source(f"def f(number: int) -> int:\n{BRANCHES}"), "C901"),
        Fault("format", f"{CORE}/zz_format.py", source("x  = 1\n"), "zz_format.py"),
        Fault("yamllint", "docs/examples/zz_twice.yml", f"---\n{HEADER}a: 1\na: 2\n", "duplication of key"),
        Fault("docs", "plugins/modules/zz_module.py", MODULE, "there is no module evenkeel.split_actuator.zz_nowhere"),
        Fault("changelog", "changelogs/fragments/zz.yml", f"---\n{HEADER}zz_section:\n  - Text.\n", "zz_section"),
        Fault("reuse", "docs/zz_unlicensed.txt", "Whose is this?\n", "docs/zz_unlicensed.txt"),
        Fault("files", "docs/zz_hidden.md", f"<!--\n{HEADER}-->\nhid\u200bden\n", "zz_hidden.md: line 5 holds U+200B"),
        Fault("groups", "plugins/modules/zz_module.py", MODULE, "lacks the module zz_module"),
        Fault("variables", "playbooks/zz_reads.yml", f"---\n{HEADER}{READS}bay\n", "zz_reads.yml:9: bay"),
        Fault("variables", "playbooks/zz_page.yml", f"---\n{HEADER}{READS}split_actuator_zz\n", "does not name it"),
        Fault("phrases", "docs/zz_phrases.md", f"{PROSE}The pool stands 1 lost drive.\n", "zz_phrases.md:5: 'stands'"),
        Fault("phrases", "docs/zz_names.md", f"{PROSE}swap_drive\n", "docs/zz_names.md:5: "),
        Fault("shell", "tests/tools/zz.sh", f"#!/bin/bash\n{HEADER}rm $1\n", "SC2086"),
    ),
    "types": (
        Fault("plugins", f"{CORE}/zz_types.py", MISTYPED, "zz_types.py:9"),
        Fault("tools", "tests/tools/zz_types.py", MISTYPED, "zz_types.py:9"),
        Fault("tests", "tests/unit/zz_types.py", MISTYPED, "zz_types.py:9"),
    ),
    "unit": (
        Fault("pytest", "tests/unit/test_zz.py", f"{HEADER}def test_zz():\n    assert 1 == 2\n", "test_zz.py::test_zz"),
    ),
    "sanity": (
        Fault("sanity", "plugins/modules/zz_module.py", MODULE, "nonexistent-parameter-documented"),
        Fault("sanity", f"{CORE}/zz_new.py", source("match 1:\n    case 1:\n        pass\n"), "compile --python 3.8"),
    ),
    "package": (
        Fault("artefact", "galaxy.yml", "  - nothing\n", "should not be in the artefact: ['tests'", old="  - tests\n"),
        Fault("artefact", "plugins/modules/zz_module.py", MODULE, "zz_module did not run"),
        Fault("artefact", "roles/zz_role/tasks/main.yml", f"---\n{HEADER}[]\n", "galaxy-importer said"),
    ),
    "browser": (Fault("pytest", PAGE, "<html>", "html-has-lang", old='<html lang="en">'),),
    # Not one test must be as red as a failed one.
    "lab": (
        Fault("molecule", "tests/molecule/zz/molecule.yml", "---\nscenario:\n  zz: 1\n", "zz/molecule.yml"),
        Fault("pytest", "tests/lab/test_zz.py", HEADER, "no tests ran | deselected"),
    ),
}


def broken(layer: str, faults: tuple[Fault, ...]) -> list[str]:
    """Break all of a layer at once, run it, and return what its checks failed to notice."""
    # Continuous integration's own setting: a missing tool is a failure too, and would be taken for a find.
    env = {name: value for name, value in os.environ.items() if name != "CI"}
    if layer == "lab":
        env["PYTEST_ADDOPTS"] = "-k zz_no_such_test"
    with checkout() as top:
        for fault in faults:
            fault.apply(top)
        link = top / ".work" / "ansible_collections" / "evenkeel" / "split_actuator"
        link.parent.mkdir(parents=True)
        link.symlink_to(top)
        env.update(ANSIBLE_COLLECTIONS_PATH=str(top / ".work"), MYPYPATH=str(top / ".work"))
        command = [sys.executable, "-m", "tests.tools.layers", layer]
        done = subprocess.run(command, cwd=top, env=env, check=False, capture_output=True, text=True)
        missed = [] if done.returncode else [f"{layer}: exit status 0"]
        for fault in faults:
            log = top / "tests" / "output" / "logs" / f"{layer}-{fault.check}.log"
            said = log.read_text(errors="replace") if log.exists() else ""
            named = f"failed: {layer}/{fault.check} " in done.stdout
            if named and any(words in said for words in fault.expected.split(" | ")):
                print(f"   red   {layer}/{fault.check}: {fault.expected}", flush=True)
            else:
                missed.append(f"{layer}/{fault.check} did not fail with {fault.expected!r}:\n{said or done.stdout}")
    return missed


def main() -> int:
    """Prove every layer, or those named on the command line."""
    layers = sys.argv[1:] or list(FAULTS)
    missed = [fault for layer in layers for fault in broken(layer, FAULTS[layer])]
    for fault in missed:
        print(f"   GREEN {fault}")
    caught = sum(len(FAULTS[layer]) for layer in layers) - len(missed)
    print(f"{caught} passed, {len(missed)} failed")
    return int(bool(missed))


if __name__ == "__main__":
    sys.exit(main())
