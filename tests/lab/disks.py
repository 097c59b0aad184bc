# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The files behind the units: sparse qcow2 images of the true size."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

from .errors import LabError

_BLOCK = 64 * 1024


def create(path: Path, size: int) -> None:
    """An empty disk of C(size) bytes, which takes hardly any room."""
    # Larger clusters than usual: fewer steps to walk over terabytes that hold nothing.
    _qemu_img("create", "-q", "-f", "qcow2", "-o", "cluster_size=256k", str(path), str(size))


def overlay(path: Path, base: Path) -> None:
    """A disk that begins as C(base), which stays as it is."""
    _qemu_img("create", "-q", "-f", "qcow2", "-b", str(base), "-F", "qcow2", str(path))


def base_of(path: Path) -> Path:
    """What an overlay begins as."""
    return Path(json.loads(_qemu_img("info", "-U", "--output=json", str(path)))["backing-filename"])


def snapshot(path: Path, tag: str) -> None:
    """Keeps the disk's present content under C(tag), inside its own file."""
    _qemu_img("snapshot", "-c", tag, str(path))


def rollback(path: Path, tag: str) -> None:
    """Brings back the content kept under C(tag)."""
    _qemu_img("snapshot", "-a", tag, str(path))


def forget(path: Path, tag: str) -> None:
    """Gives up what is kept under C(tag)."""
    _qemu_img("snapshot", "-d", tag, str(path))


def digest(path: Path, scratch: Path) -> str:
    """SHA-256 of a disk's content, which nobody may be writing to.

    Two disks of equal bytes give one digest, however their files are laid out: only blocks of
    64 KiB that hold a byte other than 0 count, each with its place.
    """
    with tempfile.TemporaryDirectory(dir=scratch) as folder:
        raw = Path(folder) / "raw"
        _qemu_img("convert", "-U", "-f", "qcow2", "-O", "raw", str(path), str(raw))
        total = hashlib.sha256(f"{raw.stat().st_size}\n".encode())
        with raw.open("rb", buffering=0) as handle:
            for offset in _data_blocks(handle.fileno(), raw.stat().st_size):
                block = os.pread(handle.fileno(), _BLOCK, offset)
                if block.strip(b"\0"):
                    total.update(offset.to_bytes(8, "big") + hashlib.sha256(block).digest())
        return total.hexdigest()


def _data_blocks(handle: int, size: int) -> Iterator[int]:
    """The offsets of all blocks that are not wholly holes, each once, in order."""
    done = 0
    while done < size:
        try:
            begin = os.lseek(handle, done, os.SEEK_DATA)
        except OSError:
            return
        end = os.lseek(handle, begin, os.SEEK_HOLE)
        block = max(done, begin // _BLOCK * _BLOCK)
        while block < end:
            yield block
            block += _BLOCK
        done = block


def _qemu_img(*words: str) -> str:
    try:
        done = subprocess.run(["qemu-img", *words], capture_output=True, text=True, check=False)
    except FileNotFoundError:
        raise LabError("qemu-img is missing here. tests/lab/packages.txt lists the Debian packages.") from None
    if done.returncode != 0:
        raise LabError(f"qemu-img {' '.join(words)} failed: {done.stderr.strip()}")
    return done.stdout
