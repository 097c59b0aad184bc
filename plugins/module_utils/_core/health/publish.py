# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Publishes the collector's readings: the snapshot file, the text file for a host agent, the web server.

prometheus_client writes the text formats.
"""

from __future__ import annotations

import inspect
import os
import time
from contextlib import suppress
from typing import Any, Callable, Iterator, Optional, Tuple

from ..errors import DecodeError, HostError, MissingLibraryError
from ..host.files import write_atomically
from .config import Config
from .families import to_metrics
from .metrics import Moment, samples
from .snapshot import Snapshot, boot_id, from_text, to_text

MOST_BYTES = 64 << 20


def now() -> Moment:
    """The present on this host."""
    return Moment(boot=boot_id(), at=time.clock_gettime(time.CLOCK_BOOTTIME), wall=time.time())


class SnapshotFile:
    """Reads the collector's file, and decodes it only after it was replaced."""

    def __init__(self, path: str) -> None:
        self._path = path
        self._seen: Tuple[int, int, int] = (0, 0, 0)
        self._snapshot: Optional[Snapshot] = None

    def read(self) -> Optional[Snapshot]:
        """The snapshot; None when there is none that can be read."""
        try:
            with open(self._path, encoding="utf-8") as file:
                about = os.fstat(file.fileno())
                seen = (about.st_ino, about.st_mtime_ns, about.st_size)
                if seen != self._seen:
                    self._snapshot = None
                    self._seen = seen
                    self._snapshot = from_text(file.read(MOST_BYTES))
        except (OSError, UnicodeDecodeError, DecodeError):
            self._snapshot = None
        return self._snapshot


class MetricsCollector:
    """A collector in prometheus_client's sense: makes metric families from *source* at each scrape."""

    def __init__(
        self, source: Callable[[], Optional[Snapshot]], version: str, moment: Callable[[], Moment] = now
    ) -> None:
        self._source = source
        self._version = version
        self._moment = moment

    def describe(self) -> Iterator[Any]:
        """No names in advance: they depend on what is found."""
        return iter(())

    def collect(self) -> Iterator[Any]:
        """All metric families now."""
        return iter(to_metrics(samples(self._source(), self._moment(), self._version)))


def registry(collector: MetricsCollector) -> Any:
    """A registry with this collector alone. Raises MissingLibraryError."""
    library = _library()
    found = library.CollectorRegistry(auto_describe=False)
    found.register(collector)
    return found


def text_of(collector: MetricsCollector) -> str:
    """The metrics in the text form that host agents read (version 0.0.4)."""
    return str(_library().generate_latest(registry(collector)).decode("utf-8"))


def _library() -> Any:
    try:
        import prometheus_client
    except ImportError as error:
        raise MissingLibraryError(
            "prometheus_client",
            "Install the package python3-prometheus-client, or run the role health_exporter.",
        ) from error
    return prometheus_client


def publish(snapshot: Snapshot, config: Config, version: str) -> None:
    """Write the snapshot and, if configured, the text file. Raises HostError after removing the text file: a missing
    file is better than an outdated one.
    """
    try:
        write_atomically(config.snapshot, to_text(snapshot), 0o640)
        if config.text_file:
            text = text_of(MetricsCollector(lambda: snapshot, version))
            write_atomically(config.text_file, text, 0o644)
    except OSError as error:
        withdraw(config)
        raise HostError(
            "the readings cannot be written: {0}".format(error),
            subject="health service",
            remedy="The text file was removed, so that no old readings are used. The service tries again at every"
            " interval.",
        ) from error


def withdraw(config: Config) -> None:
    """Remove the text file, which does not show its age. The snapshot does, and stays."""
    if config.text_file:
        with suppress(FileNotFoundError):
            os.unlink(config.text_file)


def serve(config: Config, version: str) -> None:
    """Start to serve the snapshot's metrics, in a thread of its own.

    Raises HostError when the address cannot be used, or when TLS is configured and the library does not support it.
    """
    library = _library()
    collector = MetricsCollector(SnapshotFile(config.snapshot).read, version)
    options = {"port": config.port, "addr": config.address, "registry": registry(collector)}
    if config.certificate:
        if "certfile" not in inspect.signature(library.start_http_server).parameters:
            raise HostError(
                "this host's prometheus_client cannot serve TLS",
                subject="health service",
                remedy="Version 0.19 and newer can (Debian 13). Otherwise use a reverse proxy: docs/metrics.md.",
            )
        options.update(certfile=config.certificate, keyfile=config.key)
    try:
        library.start_http_server(**options)
    except OSError as error:
        raise HostError(
            "{0} port {1} cannot be served: {2}".format(config.address, config.port, error), subject="health service"
        ) from error
