# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Builds and caches the guest's root image.

An image is a folder of the cache, named by the hash of everything it is made from:
root.qcow2 (an ext4 filesystem without a partition table), vmlinuz, initrd, host_key.pub,
packages (names and versions). It appears by one rename, so a half-built one is never used.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

from .errors import LabError
from .paths import Tell, cache_dir, locked

RECIPE = Path(__file__).resolve().parent / "recipe"
RELEASES = ("trixie", "bookworm")
DEFAULT_RELEASE = "trixie"
# Raised when this file changes what it makes.
FORMAT = 1
_ROOT_SIZE = "12G"
_APT_KEYS = ("Acquire::Check-Valid-Until", "Acquire::Check-Date", "Acquire::http::Proxy", "Acquire::https::Proxy")


@dataclass(frozen=True)
class Image:
    """A finished root image."""

    release: str
    folder: Path

    @property
    def root(self) -> Path:
        return self.folder / "root.qcow2"

    @property
    def kernel(self) -> Path:
        return self.folder / "vmlinuz"

    @property
    def initrd(self) -> Path:
        return self.folder / "initrd"

    @property
    def host_key(self) -> str:
        """The guest's public SSH host key: its type and the key itself."""
        return (self.folder / "host_key.pub").read_text().strip()


def login_key() -> Path:
    """The private key that opens every guest of this cache; made when missing."""
    key = cache_dir() / "login_key"
    with locked(cache_dir() / "login_key.lock", lambda _text: None, "the login key"):
        if not key.exists():
            _run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "evenkeel-lab", "-f", str(key)])
    return key


def recipe_hash(release: str) -> str:
    """Names the image that the present recipe makes of C(release)."""
    digest = hashlib.sha256(f"{FORMAT} {release} {_ROOT_SIZE}\n".encode())
    for path in sorted(RECIPE.iterdir()):
        digest.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    digest.update(login_key().with_suffix(".pub").read_bytes())
    return digest.hexdigest()[:16]


def image_for(release: str, tell: Tell) -> Image:
    """The root image of C(release), built now unless the cache has it. Raises LabError."""
    if release not in RELEASES:
        raise LabError(f"release {release!r} is not one of {', '.join(RELEASES)}")
    folder = cache_dir() / "images" / f"{release}-{recipe_hash(release)}"
    image = Image(release, folder)
    if folder.exists():
        return image
    with locked(folder.with_suffix(".lock"), tell, f"the {release} image"):
        if not folder.exists():
            _build(image, tell)
    return image


def prune(in_use: Collection[str], tell: Tell) -> None:
    """Removes images that neither the present recipe makes nor a lab of the given folders uses."""
    current = {f"{release}-{recipe_hash(release)}" for release in RELEASES}
    for folder in sorted((cache_dir() / "images").glob("*-*")):
        if folder.is_dir() and not folder.suffix and folder.name not in current and str(folder) not in in_use:
            tell(f"removing {folder}")
            shutil.rmtree(folder)


def packages(text: str) -> list[str]:
    """The names in a package list: one a line, C(#) begins a comment."""
    lines = (line.split("#", 1)[0].strip() for line in text.splitlines())
    return [line for line in lines if line]


def _build(image: Image, tell: Tell) -> None:
    """Makes the image in a folder beside its place and moves it there."""
    begun = time.monotonic()
    work = image.folder.with_suffix(".part")
    if work.exists():
        _as_root(["rm", "-rf", "--one-file-system", str(work)])
    work.mkdir(parents=True)
    log = image.folder.with_suffix(".log")
    tell(f"building the {image.release} root image, once (several minutes; log: {log})")
    with log.open("w") as output:
        step = _Steps(output, log, tell)
        step("downloading the base system", _as_root_argv(_worker(image.release, work)))
        root = work / "root"
        step(
            "writing the disk image",
            _as_root_argv(
                [
                    "mke2fs",
                    "-q",
                    "-t",
                    "ext4",
                    "-L",
                    "labroot",
                    "-m",
                    "0",
                    "-d",
                    str(root),
                    str(work / "raw"),
                    _ROOT_SIZE,
                ]
            ),
        )
        step(
            "compacting it",
            _as_root_argv(
                ["qemu-img", "convert", "-f", "raw", "-O", "qcow2", str(work / "raw"), str(work / "root.qcow2")]
            ),
        )
        step("clearing up", _as_root_argv(["sh", "-c", _TAKE_OUT, "sh", str(work), f"{os.getuid()}:{os.getgid()}"]))
    work.rename(image.folder)
    tell(f"built the {image.release} root image in {time.monotonic() - begun:.0f} s")


_TAKE_OUT = """
set -eu
cd "$1"
cp root/boot/vmlinuz-* vmlinuz
cp root/boot/lab-initrd initrd
cut -d ' ' -f 1,2 root/etc/ssh/ssh_host_ed25519_key.pub > host_key.pub
cp root/etc/lab-packages packages
rm -rf --one-file-system root raw
chown -R "$2" .
"""


class _Steps:
    """Runs commands with their output in a log; a failure shows the log's end."""

    def __init__(self, output: object, log: Path, tell: Tell) -> None:
        self._output = output
        self._log = log
        self._tell = tell

    def __call__(self, title: str, argv: Sequence[str]) -> None:
        self._tell(f"  {title}")
        done = subprocess.Popen(
            argv,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            errors="replace",
        )
        assert done.stdout is not None
        for line in done.stdout:
            print(line, end="", file=self._output, flush=True)  # type: ignore[call-overload]
            if line.startswith("LAB: "):
                self._tell("  " + line.removeprefix("LAB: ").rstrip())
        if done.wait() != 0:
            tail = "\n".join(self._log.read_text(errors="replace").splitlines()[-25:])
            raise LabError(f"{title} failed with code {done.returncode}:\n{tail}\nThe whole log is {self._log}.")


def _worker(release: str, work: Path) -> list[str]:
    """The command that fills work/root, in its own mount and process space, which end with it."""
    names = packages((RECIPE / "packages.txt").read_text())
    return [
        "unshare", "--mount", "--pid", "--fork", "--kill-child",
        "sh", str(RECIPE / "bootstrap.sh"),
        release, str(work / "root"), str(RECIPE / "customize.sh"), str(login_key().with_suffix(".pub")),
        " ".join(names), _mirror("main"), _mirror("security"), _apt_settings(),
    ]  # fmt: skip


def _mirror(kind: str) -> str:
    """The mirror this host's own apt uses, C(main) or C(security); the latter may be empty."""
    found = {"main": "", "security": ""}
    for line in _run(["apt-get", "indextargets", "--format", "$(ORIGIN)|$(SITE)|$(RELEASE)"]).splitlines():
        origin, site, suite = line.split("|", 2)
        if origin not in ("Debian", "") or (not origin and "debian" not in site):
            continue
        slot = "security" if suite.endswith("-security") else "main"
        found[slot] = found[slot] or site
    if not found["main"]:
        raise LabError("This host's apt names no Debian mirror. The lab builds its image on a Debian host.")
    return found[kind]


def _apt_settings() -> str:
    """The host's apt settings that reaching the mirror may depend on, as lines of apt.conf."""
    dump = _run(["apt-config", "dump"]).splitlines()
    return "\n".join(line for line in dump if line.split(" ", 1)[0] in _APT_KEYS and not line.endswith(' "";'))


def _as_root_argv(argv: Sequence[str]) -> list[str]:
    if os.getuid() == 0:
        return list(argv)
    if shutil.which("sudo") is None:
        raise LabError("Building the root image needs root (debootstrap, chroot): install sudo or run as root.")
    return ["sudo", "-n", *argv]


def _as_root(argv: Sequence[str]) -> None:
    _run(_as_root_argv(argv))


def _run(argv: Sequence[str]) -> str:
    try:
        done = subprocess.run(argv, capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL)
    except FileNotFoundError:
        raise LabError(f"{argv[0]} is missing here. tests/lab/packages.txt lists the Debian packages.") from None
    if done.returncode != 0:
        raise LabError(f"{' '.join(argv)} failed with code {done.returncode}: {done.stderr.strip()}")
    return done.stdout


if __name__ == "__main__":
    image_for(sys.argv[1] if len(sys.argv) > 1 else DEFAULT_RELEASE, lambda text: print(text, flush=True))
