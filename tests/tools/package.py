# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Proves the artefact: builds it, looks inside, imports it as a registry would, installs it into
an empty folder and runs its documentation, modules and playbooks from there. Run in a clean copy.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tarfile
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

FQCN = "evenkeel.split_actuator"
KEPT_OUT = re.compile(r"(tests|\.ci|\.work|\.git|\.gitignore|Makefile|LICENSES)(/|$)")
NEEDED = ("MANIFEST.json", "FILES.json", "README.md", "LICENSE", "meta/runtime.yml", "meta/execution-environment.yml")


class ArtefactError(Exception):
    """What is wrong with the artefact."""


@dataclass(frozen=True)
class Said:
    """What a command printed and how it ended."""

    code: int
    text: str


class Artefact:
    """The built collection, and the empty folder it gets installed into."""

    def __init__(self, scratch: Path) -> None:
        self.scratch = scratch
        self.home = scratch / "installed"
        self.root = self.home / "ansible_collections" / "evenkeel" / "split_actuator"

    def ask(self, *argv: str, where: Path | None = None, **extra: str) -> Said:
        """Run a command that sees no other collections than the installed one."""
        env = dict(
            os.environ,
            NO_COLOR="1",
            ANSIBLE_NOCOLOR="1",
            ANSIBLE_LOCALHOST_WARNING="false",
            ANSIBLE_PYTHON_INTERPRETER=sys.executable,
            ANSIBLE_COLLECTIONS_PATH=str(self.home),
            ANSIBLE_HOME=str(self.scratch / "ansible"),
            **extra,
        )
        done = subprocess.run(
            argv,
            cwd=where or self.scratch,
            env=env,
            check=False,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
        )
        return Said(done.returncode, done.stdout + done.stderr)

    def must(self, *argv: str, where: Path | None = None) -> str:
        """Run a command as `ask` does. Raises ArtefactError with its output when it fails."""
        said = self.ask(*argv, where=where)
        if said.code:
            raise ArtefactError(f"$ {' '.join(argv)}\nexit status {said.code}\n{said.text}")
        return said.text

    @property
    def file(self) -> Path:
        return next(self.scratch.glob("*.tar.gz"))

    def build(self) -> str:
        """Build it from the copy in the current folder."""
        self.must("ansible-galaxy", "collection", "build", "--output-path", str(self.scratch), where=Path.cwd())
        return f"{self.file.name}, {self.file.stat().st_size // 1024} KiB"

    def contents(self) -> str:
        """Tests and tools are kept out, and what users need is in."""
        with tarfile.open(self.file) as tar:
            names = tar.getnames()
        stray = [name for name in names if KEPT_OUT.match(name)]
        missing = [name for name in NEEDED if name not in names]
        if stray or missing:
            raise ArtefactError(f"should not be in the artefact: {stray}\nmissing from the artefact: {missing}")
        return f"{len(names)} files and folders"

    def importable(self) -> str:
        """The checks that a registry makes on import, with its own tool."""
        config = self.scratch / "importer.cfg"
        config.write_text(
            "[galaxy-importer]\nrun_ansible_test = False\nrun_flake8 = False\n"
            "run_ansible_lint = True\noffline_ansible_lint = True\ncheck_required_tags = True\n"
        )
        said = self.ask(
            sys.executable, "-m", "galaxy_importer.main", str(self.file), GALAXY_IMPORTER_CONFIG=str(config)
        )
        # The tool logs what it dislikes and still ends well.
        faults = [line for line in said.text.splitlines() if re.match(r"(ERROR|WARNING)\b", line)]
        if said.code or faults or "Importer processing completed successfully" not in said.text:
            raise ArtefactError("\n".join(["galaxy-importer said:", *faults]) if faults else said.text)
        return "galaxy-importer content"

    def installs(self) -> str:
        """It installs without a network into an empty folder."""
        galaxy = ("ansible-galaxy", "collection")
        self.must(*galaxy, "install", "--offline", "-p", str(self.home), str(self.file))
        self.must(*galaxy, "verify", "--offline", FQCN)
        return "installed, and every file verified"

    def names(self, folder: str, pattern: str = "*.py") -> list[str]:
        found = sorted(path.stem for path in (self.root / folder).glob(pattern))
        return [f"{FQCN}.{name}" for name in found if name != "__init__"]

    def documents(self) -> str:
        """The documentation of every module and role can be read from where it was installed."""
        modules = self.names("plugins/modules")
        for module in modules:
            found = json.loads(self.must("ansible-doc", "--json", module))[module]
            if not found["doc"]["filename"].startswith(str(self.root)) or not found["examples"]:
                raise ArtefactError(f"{module}: documentation came from {found['doc']['filename']}, or has no examples")
        roles = sorted(path.parent.parent.name for path in self.root.glob("roles/*/tasks/main.yml"))
        listed = json.loads(self.must("ansible-doc", "-t", "role", "-l", "--json", FQCN))
        undocumented = [role for role in roles if f"{FQCN}.{role}" not in listed]
        if undocumented:
            raise ArtefactError(f"ansible-doc does not list the roles {undocumented}")
        return f"{len(modules)} modules, {len(roles)} roles"

    def runs(self) -> str:
        """Every module starts from there; without options it answers or names the options it needs."""
        modules = self.names("plugins/modules")
        for module in modules:
            said = self.ask("ansible", "localhost", "-i", "localhost,", "-c", "local", "--check", "-m", module)
            # What a module itself says is a message of its own; what befell it is a failed task or a
            # reply that is none; SKIPPED is a module without check mode.
            spoke = '"msg"' in said.text and not re.search(r'"msg": "Task failed|module_stderr', said.text)
            if "SKIPPED" in said.text or not (said.code == 0 or spoke):
                raise ArtefactError(f"{module} did not run:\n{said.text}")
        playbooks = self.names("playbooks", "*.yml")
        for playbook in playbooks:
            self.must("ansible-playbook", "-i", "localhost,", "--syntax-check", playbook)
        return f"{len(modules)} modules answered, {len(playbooks)} playbooks read"

    def environment(self) -> str:
        """An execution environment can be made from its requirements."""
        said = self.must("ansible-builder", "introspect", "--sanitize", str(self.home))
        if "system" not in said:
            raise ArtefactError(f"ansible-builder found no requirements:\n{said}")
        return "ansible-builder read its requirements"


def attempt(step: Callable[[], str]) -> bool:
    """Take one step, tell what it found, and return whether it went well."""
    began = time.monotonic()
    try:
        said = step()
    except ArtefactError as wrong:
        print(f"   {step.__name__}: failed. {step.__doc__}\n{wrong}", flush=True)
        return False
    print(f"   {step.__name__:<12}{time.monotonic() - began:6.1f} s  {said}", flush=True)
    return True


def main() -> int:
    """Build and install it, and then try all else, also after a failure."""
    with tempfile.TemporaryDirectory(prefix="evenkeel-artefact-") as scratch:
        it = Artefact(Path(scratch))
        if not (attempt(it.build) and attempt(it.installs)):
            return 1
        steps = (it.contents, it.importable, it.documents, it.runs, it.environment)
        went_well = [attempt(step) for step in steps]
        return int(not all(went_well))


if __name__ == "__main__":
    sys.exit(main())
