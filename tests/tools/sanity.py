# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs `ansible-test sanity` in a clean copy of the tree, with no ignore file.

Without --core it uses the ansible-core of the current environment. ansible-test makes its own
environments; they are kept in our cache by giving it a home there. It would download a
bootstrap script for pip; a stand-in of a few lines, which asks the interpreter's own ensurepip,
is put where it looks first, so only the package index is needed.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

from tests.tools import cores
from tests.tools.junit import Count, count

PIP_CHATTER = re.compile(
    r"\s*(Looking in |WARNING: Location |Collecting |Downloading |Using cached .*(whl|tar)|Installing collected |"
    r"Successfully (un)?installed |Attempting uninstall|Found existing |Uninstalling |Requirement already |\u2501|$)"
)
STAND_IN = '''\
"""Stands in for the pip bootstrap script: ensurepip, then pip itself with what was asked for."""
import subprocess
import sys

# As a program of its own: called in this process, ensurepip would hide pip's configuration.
subprocess.check_call([sys.executable, "-m", "ensurepip", "--default-pip"], stdout=subprocess.DEVNULL)
wanted = [word for word in sys.argv[1:] if word not in ("--no-setuptools", "--no-wheel")]
subprocess.check_call([sys.executable, "-m", "pip", "install", "--upgrade"] + wanted)
'''


def prepare_home(pip_version: str) -> Path:
    """A home folder for ansible-test, with the stand-in, and the person's pip configuration."""
    home = cores.cache_folder() / "ansible-test-home"
    script = home / ".ansible" / "test" / "cache" / f"get_pip_{pip_version.replace('.', '_')}.py"
    script.parent.mkdir(parents=True, exist_ok=True)
    script.write_text(STAND_IN, encoding="utf-8")
    for name in (".config/pip", ".pip", ".netrc"):
        real, link = Path.home() / name, home / name
        if real.exists() and not link.exists():
            link.parent.mkdir(parents=True, exist_ok=True)
            link.symlink_to(real)
    return home


def prepare_path(bin_folder: Path) -> str:
    """A PATH that leads to the real interpreters, all versions, and to the system."""
    folder = cores.cache_folder() / "pythons"
    folder.mkdir(parents=True, exist_ok=True)
    for version, real in cores.interpreters().items():
        link = folder / f"python{version}"
        if not link.is_symlink() or link.readlink() != real:
            link.unlink(missing_ok=True)
            link.symlink_to(real)
    return ":".join([str(bin_folder), str(folder), "/usr/local/bin", "/usr/bin", "/bin"])


def run(bin_folder: Path, report: Path) -> int:
    """Run all sanity tests with the ansible-test in *bin_folder*; gather its JUnit files in *report*."""
    if list(Path("tests/sanity").glob("ignore*")):
        print("tests/sanity holds an ignore file; the collection keeps none")
        return 1
    shutil.rmtree("tests/output/junit", ignore_errors=True)  # of a run under another ansible-core
    home = prepare_home(cores.bootstrap_version(bin_folder))
    env = dict(os.environ, HOME=str(home), PATH=prepare_path(bin_folder))
    # ansible-test refuses a home for Ansible of ours, and finds its own interpreters.
    for name in ("ANSIBLE_HOME", "VIRTUAL_ENV", "PYTHONPATH", "MYPYPATH", "XDG_CACHE_HOME"):
        env.pop(name, None)
    command = [str(bin_folder / "ansible-test"), "sanity", "--venv", "--junit", "--color", "no"]
    with cores.locked("ansible-test"):
        status = show(command, env)
    return max(status, gather(report))


def show(command: list[str], env: dict[str, str]) -> int:
    """Run *command*, print what it says but for pip's progress, and return its exit status."""
    process = subprocess.Popen(
        command, env=env, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    with process:
        for line in process.stdout or ():
            if not PIP_CHATTER.match(line):
                print(line, end="", flush=True)
    return process.returncode


def gather(report: Path) -> int:
    """Join the JUnit files of the single sanity tests; 1 when there is none."""
    files = sorted(Path("tests/output/junit").glob("*.xml"))
    if not files:
        print("ansible-test left no JUnit files: no sanity test has run")
        return 1
    report.parent.mkdir(parents=True, exist_ok=True)
    bodies = [path.read_text(encoding="utf-8").split("?>", 1)[-1] for path in files]
    report.write_text("<?xml version='1.0' encoding='utf-8'?>\n<testsuites>" + "\n".join(bodies) + "</testsuites>\n")
    print(f"sanity: {count(report)}")
    return int(count(report) == Count())


def main() -> int:
    """Run under the current environment's ansible-core, or the release given by --core."""
    parser = argparse.ArgumentParser(description="Run ansible-test sanity.")
    parser.add_argument("--core", help="a version listed in tests/config/cores.txt")
    parser.add_argument("--report", type=Path, required=True, help="JUnit file to write")
    options = parser.parse_args()
    if not options.core:
        return run(Path(shutil.which("ansible-test") or sys.executable).parent, options.report)
    core = next(core for core in cores.supported() if core.version == options.core)
    place = cores.environment(core)
    if place is None:
        print(f"ansible-core {core.version} needs one of Python {', '.join(core.pythons)}; none is here")
        return 1
    return run(place, options.report)


if __name__ == "__main__":
    sys.exit(main())
