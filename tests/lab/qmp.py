# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Talks to a running emulator over its control socket (QEMU Machine Protocol)."""

from __future__ import annotations

import json
import socket
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from .errors import QmpError

Event = dict[str, Any]


class Qmp:
    """One connection. Events that arrive while something else is awaited are kept."""

    def __init__(self, path: Path, alive: Callable[[], bool], timeout: float = 30.0) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._events: list[Event] = []
        self._rest = b""
        self._connect(path, alive, time.monotonic() + timeout)
        self._receive(time.monotonic() + timeout)
        self.call("qmp_capabilities")

    def __enter__(self) -> Qmp:
        return self

    def __exit__(self, *_exc: object) -> None:
        self._socket.close()

    def call(self, command: str, timeout: float = 60.0, /, **arguments: Any) -> Any:
        """Runs a command and returns its answer. Raises QmpError when it is refused."""
        message = {"execute": command, "arguments": {key.replace("_", "-"): value for key, value in arguments.items()}}
        return self._send(message, command, timeout)

    def exact(self, command: str, arguments: dict[str, Any], timeout: float = 60.0) -> Any:
        """As C(call), for commands whose argument names hold underscores."""
        return self._send({"execute": command, "arguments": arguments}, command, timeout)

    def human(self, line: str) -> str:
        """Runs a line of the human monitor and returns its text."""
        return str(self.exact("human-monitor-command", {"command-line": line}))

    def unplug(self, ids: Sequence[str], timeout: float = 90.0) -> None:
        """Takes devices away, all at once, and waits until the emulator has let go of each."""
        for device in ids:
            self.call("device_del", id=device)
        left = set(ids)
        while left:
            event = self.wait_event("DEVICE_DELETED", lambda data: data.get("device") in left, timeout)
            left.remove(event["data"]["device"])

    def wait_event(self, name: str, matches: Callable[[dict[str, Any]], bool], timeout: float = 60.0) -> Event:
        """The first event of that name whose data match. Raises QmpError after C(timeout) seconds."""
        deadline = time.monotonic() + timeout
        while True:
            for event in self._events:
                if event["event"] == name and matches(event.get("data", {})):
                    self._events.remove(event)
                    return event
            message = self._receive(deadline, f"event {name}")
            if "event" in message:
                self._events.append(message)

    def job(self, command: str, job: str, timeout: float = 300.0, /, **arguments: Any) -> None:
        """Runs a command that starts a job, and waits for the job's end. Raises QmpError on failure."""
        self.call(command, timeout, job_id=job, **arguments)
        deadline = time.monotonic() + timeout
        while True:
            state = next(one for one in self.call("query-jobs") if one["id"] == job)
            if state["status"] == "concluded":
                break
            if time.monotonic() > deadline:
                raise QmpError(f"{command} did not end within {timeout:.0f} s")
            time.sleep(0.1)
        self.call("job-dismiss", id=job)
        if state.get("error"):
            raise QmpError(f"{command}: {state['error']}")

    def _send(self, message: dict[str, Any], command: str, timeout: float) -> Any:
        deadline = time.monotonic() + timeout
        try:
            self._socket.sendall(json.dumps(message).encode() + b"\n")
        except OSError as error:
            raise QmpError(f"{command}: the emulator is gone: {error}") from None
        while True:
            answer = self._receive(deadline, command)
            if "event" in answer:
                self._events.append(answer)
            elif "error" in answer:
                raise QmpError(f"{command}: {answer['error']['desc']}")
            elif "return" in answer:
                return answer["return"]

    def _connect(self, path: Path, alive: Callable[[], bool], deadline: float) -> None:
        while True:
            try:
                self._socket.connect(str(path))
                return
            except OSError as error:
                if time.monotonic() > deadline or not alive():
                    raise QmpError(f"no control connection at {path}: {error}") from None
                time.sleep(0.05)

    def _receive(self, deadline: float, what: str = "greeting") -> dict[str, Any]:
        while b"\n" not in self._rest:
            self._socket.settimeout(max(0.01, deadline - time.monotonic()))
            try:
                more = self._socket.recv(65536)
            except OSError as error:
                raise QmpError(f"no answer from the emulator to {what}: {error}") from None
            if not more:
                raise QmpError(f"the emulator ended during {what}")
            self._rest += more
        line, self._rest = self._rest.split(b"\n", 1)
        answer: dict[str, Any] = json.loads(line)
        return answer
