# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The tables of docs/safety.md name everything that is put on a host: compared with roles, templates and library.

Owners and modes are compared in tests/unit/test_rights.py, and with a host in tests/lab/test_health_role.py.
"""

from __future__ import annotations

import ast
import importlib
import pkgutil
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import yaml

from ansible_collections.evenkeel.split_actuator.plugins import module_utils
from tests.checkout import REPO
from tests.unit.test_rights import documented_rights, tasks, written

PAGE = REPO / "docs" / "safety.md"
LIBRARY = REPO / "plugins" / "module_utils"
PATH = re.compile(r"/(?:etc|usr/local|var/lib|run)/[A-Za-z0-9_@.-]+(?:/[A-Za-z0-9_@.-]+)*")
DIRECTIVE = re.compile(r"^(\w+)=(.*)$", re.MULTILINE)
FOLDERS = {"StateDirectory": "/var/lib", "RuntimeDirectory": "/run"}
UNIT = re.compile(r"[a-z@-]+\.(?:service|timer)")

# On a host, named in the sources, and not put there by this collection.
NOT_OURS = {
    "/etc/os-release": "the distribution's; only read",
    "/etc/zfs/vdev_id.conf": "an administrator's; only looked for, since its names would compete with ours",
}

# Classes that keep several files in one folder: their file, the constant with the folder, the method that is handed a
# file's name, and what it makes of that.
KEPT = (
    ("_core/trial/state.py", "FOLDER", "name", "{}"),
    ("_core/trial/state.py", "FOLDER", "_write", "{}"),
    ("_core/health/memory.py", "STATE_DIRECTORY", "_write", "{}.json"),
)

# Files of the library that write somewhere else than to a constant of theirs, and where that is.
WRITERS = {
    "_core/health/memory.py": "a folder, see KEPT",
    "_core/health/pack.py": "the option path of the modules that install a program; its defaults are read",
    "_core/health/publish.py": "constants of health/config.py, and the text file that a person names",
    "_core/host/files.py": "what its callers say",
    "_core/trial/start.py": "constants of trial/service.py",
    "_face_inventory.py": "the controller: the file that declares the drives",
}
WRITING = re.compile(
    r"\b(?:write_atomically|append_line|os\.makedirs|os\.mkdir|tempfile\.\w+)\(|O_CREAT|\bopen\([^)]*\"[rwax]+b?\+?\""
)


def rows(columns: int) -> list[list[str]]:
    """The cells of all table rows with this number of columns."""
    found = []
    for line in PAGE.read_text(encoding="utf-8").splitlines():
        cells = [cell.strip() for cell in line.strip("|").split(" | ")]
        if line.startswith("| ") and len(cells) == columns:
            found.append(cells)
    return found


def ours() -> set[str]:
    """The paths in the table of this collection's own files."""
    return set(documented_rights())


def of_others() -> set[str]:
    """The paths in the table of what other programs write."""
    return {path for cells in rows(3) for path in re.findall(r"`(/[^`]+)`", cells[0])}


# --- the sources


def in_tasks() -> set[str]:
    """What the tasks of roles make, those without a mode and the parameters of our own modules included."""
    found = {path for _role, path, _owner, _mode in written() if PATH.fullmatch(path)}
    for file in (REPO / "roles").glob("*/*/*.yml"):
        content = yaml.safe_load(file.read_text(encoding="utf-8"))
        for task in tasks(content) if isinstance(content, list) else ():
            for options in task.values():
                if isinstance(options, dict):
                    given = [options.get(key) for key in ("dest", "path", "src")]
                    found |= {one for one in given if isinstance(one, str) and PATH.fullmatch(one)}
    return found


def in_unit(name: str, text: str) -> set[str]:
    """What a unit file names, and what systemd makes for a unit that says so."""
    found = set(PATH.findall(text))
    for key, value in DIRECTIVE.findall(text):
        if key in FOLDERS:
            found |= {f"{FOLDERS[key]}/{one}" for one in value.split()}
        elif key == "WantedBy":
            found.add(f"/etc/systemd/system/{value}.wants/{name}")
        elif (key, value) == ("Persistent", "true"):
            found.add(f"/var/lib/systemd/timers/stamp-{name}")
        elif key == "LoadCredential":
            found.add(f"/run/credentials/{name}")
    return {path for path in found if not path.startswith(f"/run/credentials/{name}/")}


def in_templates() -> set[str]:
    found: set[str] = set()
    for file in (REPO / "roles").glob("*/templates/*"):
        found |= in_unit(file.name.removesuffix(".j2"), file.read_text(encoding="utf-8"))
    # The health service's configuration names what systemd hands over to it.
    return {path for path in found if not re.match(r"/run/credentials/[^/]+/", path)}


def strings(value: Any) -> Iterator[str]:
    """The strings in a constant."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        yield from strings([*value.values()])
    elif isinstance(value, (list, tuple, set, frozenset)):
        for one in value:
            yield from strings(one)


@cache
def library() -> dict[str, Any]:
    """Every module of the library by its path below plugins/module_utils."""
    found = {}
    for one in pkgutil.walk_packages(module_utils.__path__, module_utils.__name__ + "."):
        name = one.name.removeprefix(module_utils.__name__ + ".").replace(".", "/")
        if not one.ispkg:
            found[name + ".py"] = importlib.import_module(one.name)
    return found


def in_constants() -> set[str]:
    """Constants of the library, computed ones included, and unit files that it holds as text."""
    found: set[str] = set()
    for module in library().values():
        for name, value in vars(module).items():
            if not name.startswith("__"):
                for text in strings(value):
                    found |= {text} if PATH.fullmatch(text) else set()
                    found |= in_unit(module.NAME, text) if "\n[Service]\n" in text else set()
    return found


def in_code() -> set[str]:
    """Paths as literals in functions of the library and in modules."""
    found: set[str] = set()
    for folder in ("module_utils", "modules", "plugin_utils", "action"):
        for file in (REPO / "plugins" / folder).rglob("*.py"):
            for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Constant) and isinstance(node.value, str) and PATH.fullmatch(node.value):
                    found.add(node.value)
    return found


def in_folders() -> set[str]:
    """The files that a class of the library keeps in a folder of its own, by the names that its methods are handed."""
    found: set[str] = set()
    for file, constant, method, form in KEPT:
        folder = next(vars(one)[constant] for one in library().values() if constant in vars(one))
        names = [
            node.args[0].value
            for node in ast.walk(ast.parse((LIBRARY / file).read_text(encoding="utf-8")))
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == method
            if node.args and isinstance(node.args[0], ast.Constant)
        ]
        assert names, f"{file} hands no names to {method}"
        found |= {"{}/{}".format(folder, form.format(name)) for name in names}
    return found


def named_in_sources() -> set[str]:
    found = in_tasks() | in_templates() | in_constants() | in_code() | in_folders()
    return {path for path in found if path not in NOT_OURS}


# --- the comparison


def test_everything_that_the_sources_name_is_on_the_page() -> None:
    assert sorted(named_in_sources() - ours() - of_others()) == []


def test_everything_on_the_page_is_named_in_the_sources() -> None:
    sources = named_in_sources()
    parents = {str(parent) for path in sources for parent in Path(path).parents}
    transient = {path for path in of_others() if path.startswith("/run/systemd/transient/")}
    listed = {path for path in ours() | of_others() if PATH.fullmatch(path)} - transient
    # A group is made by a module of Ansible that names no file.
    assert sorted(listed - sources - parents) == ["/etc/group", "/etc/gshadow"]


def test_every_exception_is_still_needed() -> None:
    found = in_tasks() | in_templates() | in_constants() | in_code()
    assert sorted(set(NOT_OURS) - found) == []
    assert not set(NOT_OURS) & (ours() | of_others())


def test_nothing_is_listed_twice() -> None:
    paths = [cells[0] for columns in (3, 5) for cells in rows(columns) if cells[0].startswith("`/")]
    assert sorted(path for path in set(paths) if paths.count(path) > 1) == []
    assert not ours() & of_others()


def test_every_file_of_the_library_that_writes_is_known() -> None:
    """A file that writes has its path as a constant, which the comparison reads, or says above where it writes to."""
    found = set()
    for name, module in library().items():
        code = re.sub(r'""".*?"""', "", (LIBRARY / name).read_text(encoding="utf-8"), flags=re.DOTALL)
        own = [value for key, value in vars(module).items() if not key.startswith("__")]
        if WRITING.search(code) and not any(text.startswith("/") for text in strings(own)):
            found.add(name)
    assert sorted(found) == sorted(WRITERS)


def test_names_that_a_program_completes_are_listed() -> None:
    """Links of udev and transient units have a bay in their name."""
    modules = library()
    assert f"{modules['_core/names.py'].DIRECTORY}/BAY.UNIT" in of_others()
    light = modules["_core/host/locate.py"].Light("BAY", "sysfs", "")
    assert f"/run/systemd/transient/{light.service}" in of_others()


# --- what is no file


def role_values(name: str) -> list[tuple[str, Any]]:
    """Role and options of every task and handler that calls this module of Ansible."""
    found = []
    for file in sorted([*(REPO / "roles").glob("*/tasks/*.yml"), *(REPO / "roles").glob("*/handlers/*.yml")]):
        for task in tasks(yaml.safe_load(file.read_text(encoding="utf-8"))):
            if f"ansible.builtin.{name}" in task:
                found.append((file.parts[-3], {**task[f"ansible.builtin.{name}"], "loop": task.get("loop", [])}))
    return found


def on_page(what: str, role: str) -> bool:
    """Whether a row names *what* and, in another cell, the role."""
    return any(f"`{what}`" in cells[0] and any(f"`{role}`" in one for one in cells[1:]) for cells in rows(2))


@pytest.mark.parametrize("role", sorted(path.parts[-3] for path in (REPO / "roles").glob("*/defaults/main.yml")))
def test_every_package_is_on_the_page(role: str) -> None:
    defaults = yaml.safe_load((REPO / "roles" / role / "defaults" / "main.yml").read_text(encoding="utf-8"))
    wanted = defaults.get(f"{role}_packages", [])
    assert [package for package in wanted if not on_page(package, role)] == []
    assert bool(wanted) == any(one == role for one, _options in role_values("apt"))


def test_every_service_of_others_that_a_role_changes_is_on_the_page() -> None:
    seen = set()
    for role, options in role_values("systemd_service"):
        if "enabled" not in options:
            continue
        for name in options["loop"] if str(options["name"]) == "{{ item }}" else [options["name"]]:
            if isinstance(name, str) and not name.startswith(("evenkeel-", "{{")):
                seen.add(name)
                assert on_page(name, role), f"{role} changes {name}"
    assert "zfs-import-scan.service" in seen


def test_every_program_that_a_role_runs_and_every_group_it_makes_is_on_the_page() -> None:
    text = PAGE.read_text(encoding="utf-8")
    programs = {options["argv"][0] for _role, options in role_values("command")}
    assert {"modprobe", "udevadm"} <= programs
    assert [one for one in sorted(programs) if one not in text] == []
    assert [one for _role, one in role_values("group") if f"`{one['name']}`" not in text] == []


def test_every_kernel_parameter_that_is_written_is_on_the_page() -> None:
    text = PAGE.read_text(encoding="utf-8")
    found = {one.PARAMETER for one in library().values() if hasattr(one, "PARAMETER")}
    assert len(found) == 2
    assert [one for one in sorted(found) if f"`{one}`" not in text] == []
