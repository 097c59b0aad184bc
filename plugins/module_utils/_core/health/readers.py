# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The readings that may hang, as work for child processes: lines of JSON, of which the last one is the result.

What only a child needs is imported there, so that the collector stays small.
"""

from __future__ import annotations

import json
import os
import subprocess
from typing import Any, Callable, Optional, Sequence

from .. import onhost
from ..declared import DeclaredDrive
from ..errors import CoreError, HostError
from ..host.run import Result
from ..model import Drive
from ..plain import to_plain
from .jobs import ENVIRONMENT


class PlainRunner:
    """The `Runner` of the service: finds programs on the system's path, and sets the C locale."""

    def __call__(self, argv: Sequence[str]) -> Result:
        """Run *argv* to its end. Raises HostError when the program is missing or cannot be started."""
        try:
            # The service is not an Ansible module, so there is no run_command here.
            done = subprocess.run(  # pylint: disable=ansible-bad-function
                list(argv), env=ENVIRONMENT, stdin=subprocess.DEVNULL, capture_output=True, check=False
            )
        except OSError as error:
            raise HostError(
                "the program {0} cannot be started: {1}".format(argv[0], error.strerror), subject="host"
            ) from error
        return Result(done.returncode, done.stdout.decode("utf-8", "replace"), done.stderr.decode("utf-8", "replace"))


class HostReaders:
    """Reads this host."""

    def drives(self, inventory: Optional[onhost.Inventory]) -> Callable[[int], None]:
        """Find the drives: C({"drives": ..., "findings": ...})."""

        def work(pipe: int) -> None:
            from ..drift.inventory import inventory_findings
            from ..host.bays import read_bay_map, read_enclosure_names, read_serial_bays
            from ..host.discover import Wanted, discover
            from ..host.places import SOURCES
            from ..zfs.access import expecting

            options = inventory.discovery if inventory else {}
            wanted = Wanted(
                units=dict(options.get("unit_counts", {})),
                paths=inventory.about.paths_per_unit if inventory else 0,
                bay_map=read_bay_map(options.get("bay_map", [])),
                serial_bays=read_serial_bays(options.get("bay_serials", {})),
                enclosures=read_enclosure_names(options.get("enclosures", {})),
                sources=tuple(options.get("bay_sources") or SOURCES),
            )
            found = discover(expecting(wanted, inventory.drives if inventory else ()))
            findings = inventory_findings(inventory.drives, found, inventory.about) if inventory else found.findings
            _write(pipe, {"drives": to_plain(found.drives), "findings": to_plain(findings)})

        return _guarded(work)

    def pools(self, drives: Sequence[Drive], declared: Sequence[DeclaredDrive]) -> Callable[[int], None]:
        """Read the pools: first C({"states": ...}) from the kernel, then C({"pools": ...})."""

        def work(pipe: int) -> None:
            from . import pools

            _write(pipe, {"states": pools.read_states()})
            _write(pipe, {"pools": to_plain(pools.read(PlainRunner(), drives, declared))})

        return _guarded(work)

    def states(self) -> Callable[[int], None]:
        """Read only the kernel's own states of pools: C({"states": ...})."""

        def work(pipe: int) -> None:
            from . import pools

            _write(pipe, {"states": pools.read_states()})

        return _guarded(work)


def _guarded(work: Callable[[int], None]) -> Callable[[int], None]:
    """The same work, with the library's errors returned as C({"error": ...})."""

    def run(pipe: int) -> None:
        try:
            work(pipe)
        except CoreError as error:
            _write(pipe, {"error": str(error)})

    return run


def _write(pipe: int, value: Any) -> None:
    data = json.dumps(value, separators=(",", ":")).encode() + b"\n"
    while data:
        data = data[os.write(pipe, data) :]
