# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Files written as root: links, races and cut-off writes never reach anything but the file itself."""

from __future__ import annotations

import ast
import os
import stat
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils import _face_service
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core import checked, onhost
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import HostError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health import pack, publish
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.config import TEXT_FILE, Config
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.memory import Memory
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host import (
    hostid,
    journal,
    replacement_notes,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.files import (
    append_line,
    write_atomically,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.lock import one_at_a_time
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.replacement_notes import (
    NotedLeaf,
    ReplacementNote,
)
from tests.unit.health.build import snapshot

PLUGINS = Path(__file__).parents[3] / "plugins"


def temporary(path: Path) -> Path:
    """The name that a write in this process uses on the way."""
    return path.with_name(f"{path.name}.{os.getpid()}.tmp")


@pytest.fixture
def victim(tmp_path: Path) -> Path:
    """A file of somebody else, outside the folder that is written to."""
    path = tmp_path / "victim"
    path.write_text("precious")
    path.chmod(0o600)
    return path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    path = tmp_path / "folder"
    path.mkdir()
    return path


def config_of(folder: Path) -> Config:
    return Config(snapshot=str(folder / "snapshot.json"), text_directory=str(folder))


def publish_all(folder: Path) -> None:
    publish.publish(snapshot(), config_of(folder), "0.1.0")


# Every caller of write_atomically, with the name of the file that it makes in a folder.
CALLERS: dict[str, tuple[str, Callable[[Path], object]]] = {
    "plain": ("file", lambda at: write_atomically(str(at / "file"), "new", 0o640)),
    "inventory": ("inventory.json", lambda at: onhost.write(onhost.Inventory("ebb01"), str(at / "inventory.json"))),
    "creation": ("creation.json", lambda at: journal.begin("archive", ["naa.1"], str(at / "creation.json"))),
    "swaps": (
        "replacements.json",
        lambda at: replacement_notes.keep(
            ReplacementNote("7", "ACT3", "bay03", (NotedLeaf("1", 0, "v"),)), str(at / "replacements.json")
        ),
    ),
    "hostid": ("hostid", lambda at: hostid.write(0x12345678, str(at / "hostid"), str(at / "no-parameter"))),
    "scrubs": ("scrubs.json", lambda at: Memory(str(at)).keep_scrubs({"77": 1000})),
    "findings": ("findings.json", lambda at: checked.write(checked.Checked(1.0, 2.0), str(at / "findings.json"))),
    "program": ("health.pyz", lambda at: pack.install(_face_service, str(at / "health.pyz"), check_mode=False)),
    "snapshot": ("snapshot.json", publish_all),
    "text file": (TEXT_FILE, publish_all),
}
each_caller = pytest.mark.parametrize(("name", "write"), CALLERS.values(), ids=CALLERS)


def untouched(victim: Path) -> bool:
    about = victim.stat()
    return victim.read_text() == "precious" and stat.S_IMODE(about.st_mode) == 0o600


@each_caller
def test_a_link_in_the_place_of_the_file_is_replaced_not_followed(
    folder: Path, victim: Path, name: str, write: Callable[[Path], object]
) -> None:
    (folder / name).symlink_to(victim)
    write(folder)
    assert untouched(victim)
    assert not (folder / name).is_symlink()
    assert (folder / name).stat().st_size > 0
    assert sorted(path.name for path in folder.iterdir() if path.name.endswith(".tmp")) == []


@each_caller
def test_links_in_the_place_of_the_temporary_file_lead_nowhere(
    folder: Path, victim: Path, name: str, write: Callable[[Path], object]
) -> None:
    for plant in (temporary(folder / name).symlink_to, temporary(folder / name).hardlink_to):
        plant(victim)
        write(folder)
        assert untouched(victim)
        (folder / name).unlink()


def test_a_folder_that_is_exchanged_meanwhile_is_not_followed(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever may rename a folder on the way puts a link in its place just before the file would be moved."""
    target = tmp_path / "elsewhere"
    target.mkdir()
    (target / "file").write_text("precious")
    sync = os.fsync

    def exchange(handle: int) -> None:
        sync(handle)
        if not folder.is_symlink():
            folder.rename(tmp_path / "moved")
            folder.symlink_to(target)

    monkeypatch.setattr(os, "fsync", exchange)
    write_atomically(str(folder / "file"), "new")
    assert (target / "file").read_text() == "precious"
    assert sorted(path.name for path in target.iterdir()) == ["file"]
    assert (tmp_path / "moved" / "file").read_text() == "new"


@pytest.mark.parametrize("umask", [0, 0o027, 0o077])
def test_the_mode_is_the_one_asked_for_whatever_the_umask(folder: Path, umask: int) -> None:
    old = os.umask(umask)
    try:
        for mode in (0o600, 0o640, 0o644, 0o755):
            write_atomically(str(folder / "file"), "x", mode)
            assert stat.S_IMODE((folder / "file").stat().st_mode) == mode
    finally:
        os.umask(old)


def test_a_write_that_fails_leaves_the_old_content_and_nothing_beside(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_atomically(str(folder / "file"), "old")

    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_atomically(str(folder / "file"), "new")
    assert [path.name for path in folder.iterdir()] == ["file"]
    assert (folder / "file").read_text() == "old"


def test_what_a_killed_process_left_is_in_nobodys_way(folder: Path) -> None:
    temporary(folder / "file").write_text("half")
    write_atomically(str(folder / "file"), "new")
    assert [path.name for path in folder.iterdir()] == ["file"]
    (folder / "directory").mkdir()
    with pytest.raises(OSError, match="directory"):
        write_atomically(str(folder / "directory"), "new")
    assert sorted(path.name for path in folder.iterdir()) == ["directory", "file"]


def test_a_line_is_added_on_a_line_of_its_own_and_through_no_link(folder: Path, victim: Path) -> None:
    append_line(str(folder / "log"), "one")
    with (folder / "log").open("a") as file:
        file.write("cut o")
    append_line(str(folder / "log"), "two")
    assert (folder / "log").read_text().split() == ["one", "cut", "o", "two"]
    assert "two" in (folder / "log").read_text().splitlines()
    (folder / "link").symlink_to(victim)
    with pytest.raises(OSError, match="symbolic"):
        append_line(str(folder / "link"), "three")
    assert untouched(victim)


def test_the_lock_is_no_link_and_its_folder_is_roots_own(folder: Path, victim: Path) -> None:
    path = folder / "made" / "lock"
    with one_at_a_time("a test", str(path)):
        assert stat.S_IMODE(path.parent.stat().st_mode) & 0o022 == 0
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        with pytest.raises(HostError, match=r"a test .*is running on this host"), one_at_a_time("another", str(path)):
            pass
    path.unlink()
    path.symlink_to(victim)
    with pytest.raises(HostError, match="cannot be opened"), one_at_a_time("a test", str(path)):
        pass
    assert untouched(victim)


def test_the_services_files_cannot_be_led_out_of_their_folder() -> None:
    """Names are fixed; what drives and pools say about themselves is in no path that is written."""
    settings = replace(config_of(Path("/run/x")), state_directory="/var/lib/x")
    assert settings.text_file == "/run/x/" + TEXT_FILE
    assert "/" not in TEXT_FILE


# Whatever writes without write_atomically, and why that is right.
OTHERWISE = {
    "module_utils/_core/host/files.py": "it is write_atomically, and append_line (O_NOFOLLOW, tested above)",
    "module_utils/_core/host/lock.py": "the lock: nothing is replaced (O_NOFOLLOW, tested above)",
    "module_utils/_core/host/hostid.py": "a parameter in sysfs",
    "module_utils/_core/host/patience.py": "a parameter in sysfs",
    "module_utils/_core/health/jobs.py": "the null device",
    "module_utils/_face_inventory.py": "a person's file: mkstemp, then Ansible's atomic_move, which keeps its owner",
}
WRITING = {"O_WRONLY", "O_RDWR", "O_CREAT", "mkstemp", "NamedTemporaryFile", "write_text", "write_bytes", "atomic_move"}


def writes(tree: ast.AST) -> Iterator[str]:
    """The calls and flags by which a file is written."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and node.attr in WRITING:
            yield node.attr
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "open":
            modes = list(node.args[1:2]) + [word.value for word in node.keywords if word.arg == "mode"]
            yield from (
                str(mode.value)
                for mode in modes
                if isinstance(mode, ast.Constant) and set("wax+") & set(str(mode.value))
            )


def test_nothing_else_in_the_library_writes_files() -> None:
    found = {
        str(path.relative_to(PLUGINS))
        for path in PLUGINS.rglob("*.py")
        if list(writes(ast.parse(path.read_text(encoding="utf-8"))))
    }
    assert found <= set(OTHERWISE), "use write_atomically, or say here why not"
