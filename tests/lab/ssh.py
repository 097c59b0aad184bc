# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Commands in the guest, over one kept SSH connection."""

from __future__ import annotations

import shlex
import socket
import subprocess
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from .errors import GuestError, LabError


@dataclass(frozen=True)
class Result:
    """What a command in the guest gave."""

    command: str
    rc: int
    out: str
    err: str
    seconds: float

    def check(self) -> Result:
        """This result. Raises GuestError when the command failed."""
        if self.rc != 0:
            raise GuestError(f"in the guest, {self.command!r} failed with code {self.rc}:\n{self.err}{self.out}")
        return self


@dataclass(frozen=True)
class Ssh:
    """The way into a guest: 127.0.0.1, a port, the lab's key and the image's host key."""

    port: int
    key: Path
    known_hosts: Path
    control: Path

    def options(self) -> list[str]:
        """Options for ssh and scp; nothing of the user's own configuration or files is used."""
        settings = {
            "IdentityFile": str(self.key),
            "IdentitiesOnly": "yes",
            "UserKnownHostsFile": str(self.known_hosts),
            "GlobalKnownHostsFile": "/dev/null",
            "StrictHostKeyChecking": "yes",
            "BatchMode": "yes",
            "LogLevel": "ERROR",
            "ConnectTimeout": "20",
            "ServerAliveInterval": "15",
            "ServerAliveCountMax": "8",
            "ControlMaster": "auto",
            "ControlPersist": "120",
            "ControlPath": str(self.control),
        }
        return ["-F", "/dev/null", *(word for name, value in settings.items() for word in ("-o", f"{name}={value}"))]

    def argv(self, command: str | None = None) -> list[str]:
        """The command line that logs in, and runs C(command) if one is given."""
        argv = ["ssh", *self.options(), "-p", str(self.port), "root@127.0.0.1"]
        return argv if command is None else [*argv, "--", command]

    def run(self, command: str | Sequence[str], timeout: float = 120.0, stdin: str | None = None) -> Result:
        """Runs a shell line, or an argument list as it is. Raises GuestError when it takes too long."""
        line = command if isinstance(command, str) else shlex.join(command)
        begun = time.monotonic()
        try:
            done = subprocess.run(
                self.argv(line), input=stdin or "", capture_output=True, text=True, errors="replace",
                timeout=timeout, check=False,
            )  # fmt: skip
        except subprocess.TimeoutExpired:
            raise GuestError(f"in the guest, {line!r} has not ended after {timeout:.0f} s") from None
        return Result(line, done.returncode, done.stdout, done.stderr, time.monotonic() - begun)

    def wait(self, deadline: float, alive: Callable[[], bool], waiting: Callable[[], None]) -> None:
        """Waits until a login succeeds. Raises LabError when the emulator ends or time is up."""
        while True:
            if not alive():
                raise LabError("the emulator ended before the guest could be reached")
            if self._greets() and self.run("true", 30).rc == 0:
                return
            if time.monotonic() > deadline:
                raise LabError("the guest could not be reached in time")
            waiting()
            time.sleep(0.3)

    def _greets(self) -> bool:
        """Whether an SSH server answers (the emulator itself takes the connection much earlier)."""
        try:
            with socket.create_connection(("127.0.0.1", self.port), 2) as connection:
                connection.settimeout(5)
                return connection.recv(4) == b"SSH-"
        except OSError:
            return False

    def copy_to(self, local: Path, remote: str) -> None:
        """Copies a file or a folder into the guest."""
        self._scp(["-r", str(local), f"root@127.0.0.1:{remote}"])

    def copy_from(self, remote: str, local: Path) -> None:
        """Copies a file or a folder out of the guest."""
        self._scp(["-r", f"root@127.0.0.1:{remote}", str(local)])

    def _scp(self, what: Sequence[str]) -> None:
        done = subprocess.run(
            ["scp", "-q", *self.options(), "-P", str(self.port), *what], capture_output=True, text=True, check=False
        )
        if done.returncode != 0:
            raise GuestError(f"copying {' '.join(what)} failed: {done.stderr.strip()}")

    def close(self) -> None:
        """Ends the kept connection."""
        if self.control.exists():
            subprocess.run(
                ["ssh", "-F", "/dev/null", "-o", f"ControlPath={self.control}", "-O", "exit", "127.0.0.1"],
                capture_output=True,
                check=False,
                timeout=20,
            )
        self.control.unlink(missing_ok=True)
