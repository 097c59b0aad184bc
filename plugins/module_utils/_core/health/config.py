# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The configuration of a host's health service: one JSON file, written by the role health_exporter."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Dict, Tuple

from .. import checked, onhost
from ..errors import DecodeError, HostError, InputError
from ..plain import from_plain

PATH = "/etc/evenkeel/split_actuator/health.json"
STATE_DIRECTORY = "/var/lib/evenkeel/health"
SNAPSHOT = "/run/evenkeel-health/snapshot.json"
TEXT_FILE = "evenkeel_split_actuator.prom"


@dataclass(frozen=True)
class Upkeep:
    """How often scrubs and self-tests are due, in days (0: never), and how many drives may run one at a time.

    *tests_at_a_time* limits how many drives of one vdev run a self-test together; all of them never do.
    """

    scrub_days: float = 30
    short_days: float = 7
    long_days: float = 60
    tests_at_a_time: int = 2


@dataclass(frozen=True)
class Config:
    """Seconds between readings, their timeouts in seconds, and paths.

    *text_directory* is the folder of the text file for a host agent; empty for no file.
    """

    interval_seconds: float = 15
    drives_interval_seconds: float = 300
    smart_interval_seconds: float = 600
    drives_timeout_seconds: float = 60
    pools_timeout_seconds: float = 20
    smart_timeout_seconds: float = 30
    smart_at_a_time: int = 4
    address: str = "127.0.0.1"
    port: int = 9837
    certificate: str = ""
    key: str = ""
    text_directory: str = ""
    smartctl: str = "smartctl"
    snapshot: str = SNAPSHOT
    state_directory: str = STATE_DIRECTORY
    inventory: str = onhost.PATH
    checked: str = checked.PATH
    upkeep: Upkeep = field(default_factory=Upkeep)

    def __post_init__(self) -> None:
        for name in (
            "interval_seconds",
            "drives_interval_seconds",
            "smart_interval_seconds",
            "drives_timeout_seconds",
            "pools_timeout_seconds",
            "smart_timeout_seconds",
        ):
            if not 1 <= getattr(self, name) <= 86400:
                raise InputError("{0!r} is not from 1 to 86400".format(getattr(self, name)), subject=name)
        if not 0 < self.port < 65536:
            raise InputError("{0!r} is not a port".format(self.port), subject="port")
        if bool(self.certificate) != bool(self.key):
            raise InputError("certificate and key must be set together", subject="certificate")
        for name, least in (("smart_at_a_time", 1),):
            if getattr(self, name) < least:
                raise InputError("{0!r} is below {1}".format(getattr(self, name), least), subject=name)

    @property
    def stale_after(self) -> Dict[str, float]:
        """After how many seconds a reading no longer counts as current, by kind."""
        return {
            "snapshot": 4 * self.interval_seconds,
            "pools": 4 * self.interval_seconds + self.pools_timeout_seconds,
            "drives": 2 * self.drives_interval_seconds + self.drives_timeout_seconds,
            "smart": 3 * self.smart_interval_seconds + self.smart_timeout_seconds,
        }

    @property
    def text_file(self) -> str:
        """The text file's path; empty for none."""
        return "{0}/{1}".format(self.text_directory, TEXT_FILE) if self.text_directory else ""


def read(path: str = PATH) -> Config:
    """The configuration at *path*. Raises HostError, DecodeError or InputError."""
    try:
        with open(path, encoding="utf-8") as file:
            data = json.load(file)
    except OSError as error:
        raise HostError("{0} cannot be read: {1}".format(path, error.strerror), subject="health service") from error
    except ValueError as error:
        raise DecodeError("{0} is not valid JSON: {1}".format(path, error), subject="health service") from error
    return from_plain(Config, data, "health")


SOURCES: Tuple[str, ...] = ("drives", "pools", "smart", "io", "inventory")
