# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Packs a program for the host from the library that is running, into one file.

The result is a zip archive that Python runs (zipapp, PEP 441). It contains a face (such as C(_face_service)) and every
module of the library that was imported with it, each as source and compiled for this host's Python, so that it starts
fast. Another Python uses the sources.
"""

from __future__ import annotations

import hashlib
import importlib.util
import io
import marshal
import os
import sys
import zipfile
from dataclasses import dataclass
from types import ModuleType
from typing import Dict, Optional

from ..drift import inventory
from ..errors import HostError
from ..host import discover
from ..host.files import write_atomically
from ..zfs import access
from . import pools

# Imported to be packed: the collector's children use these when they run.
PACKED = (access, discover, inventory, pools)

SHEBANG = b"#!/usr/bin/python3 -IB\n"
_MODE = 0o755
PACKAGE = "evenkeel_split_actuator"
_MAIN = "import sys\n\nfrom {0}.{1} import main\n\nsys.exit(main())\n"
# One time for all entries, so that the same library gives the same bytes (the earliest that zip can store).
_MOMENT = (1980, 1, 1, 0, 0, 0)
_UNCHECKED_HASH = 0b01  # PEP 552: never compared with the source beside it


def pack(face: ModuleType) -> bytes:
    """The program whose entry is *face* (a module with C(main)), as bytes.

    Raises HostError when the source of a part cannot be read.
    """
    sources = _sources(face)
    packed = io.BytesIO()
    packed.write(SHEBANG)
    with zipfile.ZipFile(packed, "a", zipfile.ZIP_DEFLATED) as archive:
        _put(archive, "__main__.py", _MAIN.format(PACKAGE, face.__name__.rpartition(".")[2]).encode())
        for name, source in sorted(sources.items()):
            _put(archive, name, source)
            _put(archive, name + "c", _compiled(name, source))
    return packed.getvalue()


def _sources(face: ModuleType) -> Dict[str, bytes]:
    """Path in the archive to source, for *face* and the library modules under the same package."""
    root = face.__name__.rpartition(".")[0]
    found: Dict[str, bytes] = {PACKAGE + "/__init__.py": b""}
    for name, module in list(sys.modules.items()):
        if module is face or name == root + "._core" or name.startswith(root + "._core."):
            path = PACKAGE + "/" + name[len(root) + 1 :].replace(".", "/")
            found[path + ("/__init__.py" if hasattr(module, "__path__") else ".py")] = _source(name, module)
    return found


def _source(name: str, module: ModuleType) -> bytes:
    # The loader has it, whether it reads a directory or the archive that Ansible sends to the host.
    loader = module.__spec__.loader if module.__spec__ else None
    text: Optional[str] = getattr(loader, "get_source", lambda _name: None)(name)
    if text is None:
        raise HostError("the source of {0} cannot be read".format(name), subject="health service")
    return text.encode("utf-8")


def _compiled(name: str, source: bytes) -> bytes:
    # Tracebacks show the path; it must not depend on where the program was packed.
    code = compile(source, name, "exec", dont_inherit=True)
    digest = importlib.util.source_hash(source)
    flags = _UNCHECKED_HASH.to_bytes(4, "little")
    return importlib.util.MAGIC_NUMBER + flags + digest + marshal.dumps(code)


def _put(archive: zipfile.ZipFile, name: str, data: bytes) -> None:
    entry = zipfile.ZipInfo(name, _MOMENT)
    entry.compress_type = zipfile.ZIP_DEFLATED
    entry.external_attr = 0o644 << 16
    archive.writestr(entry, data)


def contents(program: bytes) -> str:
    """The parts of a packed program, one line for each source: its name and the digest of its text."""
    try:
        with zipfile.ZipFile(io.BytesIO(program)) as archive:
            names = [name for name in archive.namelist() if name.endswith(".py")]
            return "".join(
                "{0} {1}\n".format(name, hashlib.sha256(archive.read(name)).hexdigest()[:16]) for name in names
            )
    except zipfile.BadZipFile:
        return "not a packed program\n"


@dataclass(frozen=True)
class Outcome:
    """What an installation changed; *before* and *after* are as `contents` returns them."""

    changed: bool
    before: str
    after: str


def install(face: ModuleType, path: str, check_mode: bool) -> Outcome:
    """Write the packed program to *path*, unless it is there already. Raises HostError when it cannot be written."""
    program = pack(face)
    try:
        with open(path, "rb") as file:
            old = file.read()
            mode = os.fstat(file.fileno()).st_mode & 0o7777
    except FileNotFoundError:
        old, mode = b"", 0
    except OSError as error:
        raise HostError("{0} cannot be read: {1}".format(path, error.strerror), subject="health service") from error
    changed = old != program or mode != _MODE
    if changed and not check_mode:
        try:
            write_atomically(path, program, _MODE)
        except OSError as error:
            raise HostError(
                "{0} cannot be written: {1}".format(path, error.strerror), subject="health service"
            ) from error
    return Outcome(changed, contents(old) if old else "", contents(program))
