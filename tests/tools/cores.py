# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The supported ansible-core releases and the Python interpreters of this machine."""

from __future__ import annotations

import fcntl
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from tests.tools.tree import REPO

LIST = REPO / "tests" / "config" / "cores.txt"
# From the oldest that a supported ansible-core serves on a managed host.
VERSIONS = tuple(f"3.{minor}" for minor in range(8, 16))
PROBE = "import sys, ensurepip, venv; print(sys.executable); print('%d.%d' % sys.version_info[:2])"


@dataclass(frozen=True)
class Core:
    """A release of ansible-core and the Python versions that run it, preferred first."""

    version: str
    pythons: tuple[str, ...]

    def python(self) -> Path | None:
        """The interpreter to run it with on this machine, if there is one."""
        found = interpreters()
        return next((found[version] for version in self.pythons if version in found), None)


def supported() -> list[Core]:
    """The releases in tests/config/cores.txt, oldest first."""
    lines = (line.split("#")[0].split() for line in LIST.read_text(encoding="utf-8").splitlines())
    return [Core(words[0], tuple(words[1:])) for words in lines if words]


def cache_folder() -> Path:
    """Where environments are kept between runs, outside the repository."""
    default = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "evenkeel-split-actuator"
    return Path(os.environ.get("EVENKEEL_CACHE", default))


@cache
def interpreters() -> dict[str, Path]:
    """Version to real interpreter, for all found on PATH and in the usual places.

    A version manager's shims are no use to ansible-test, which strips the environment, so the
    interpreter behind a shim is what counts. One without venv and ensurepip is left out.
    """
    manager = Path(os.environ.get("PYENV_ROOT") or Path.home() / ".pyenv")
    managed = sorted(manager.glob("versions/*/bin"), reverse=True)
    places = [*managed, Path("/usr/local/bin"), Path("/usr/bin"), *map(Path, os.get_exec_path())]
    found: dict[str, Path] = {}
    for version in VERSIONS:
        for place in places:
            real = probe(place / f"python{version}", version)
            if real:
                found[version] = real
                break
    return found


def probe(candidate: Path, version: str) -> Path | None:
    """The interpreter that *candidate* starts, when it is of that version and complete."""
    if not candidate.exists() or candidate.is_relative_to(sys.prefix):
        return None
    result = subprocess.run([candidate, "-c", PROBE], check=False, capture_output=True, text=True)
    words = result.stdout.split()
    return Path(words[0]) if result.returncode == 0 and words[1:] == [version] else None


@contextmanager
def locked(name: str) -> Iterator[None]:
    """Hold a lock between processes; the others wait."""
    folder = cache_folder()
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / f"{name}.lock").open("w") as handle:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield


def environment(core: Core) -> Path | None:
    """The bin folder of a virtual environment with that ansible-core, made when missing."""
    python = core.python()
    if python is None:
        return None
    found = next(version for version, path in interpreters().items() if path == python)
    place = cache_folder() / f"core-{core.version}-python{found}"
    with locked(place.name):
        if not (place / ".ready").exists():
            shutil.rmtree(place, ignore_errors=True)
            subprocess.run([python, "-m", "venv", place], check=True)
            pip = [str(place / "bin" / "python"), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
            subprocess.run([*pip, f"ansible-core=={core.version}"], check=True)
            (place / ".ready").touch()
    return place / "bin"


def bootstrap_version(bin_folder: Path) -> str:
    """The pip version that ansible-test there asks a bootstrap script for."""
    source = next(bin_folder.parent.glob("lib/python*/site-packages/ansible_test/_internal/python_requirements.py"))
    match = re.search(r"\bpip='([0-9.]+)'", source.read_text(encoding="utf-8"))
    if match is None:
        raise SystemExit(f"{source} no longer names its pip version; see tests/tools/sanity.py")
    return match.group(1)
