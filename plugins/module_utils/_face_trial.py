# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The program that runs a trial on its host, started by the service manager.

Packed by `_core.health.pack` with the parts of the library that it imports.
"""

from __future__ import annotations

import os
import signal
import sys
from typing import Any

from ._core.errors import CoreError
from ._core.trial import results
from ._core.trial.run import Trial
from ._core.trial.state import Folder
from ._core.trial.world import TrialHost


class _Stop:
    """Records whether a signal asked the trial to end."""

    def __init__(self) -> None:
        self.asked = False
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self._ask)

    def _ask(self, *_details: Any) -> None:
        self.asked = True


def main() -> int:
    """Run the trial that was ordered. The exit code is 0 for finished or stopped, 1 for failed."""
    stop = _Stop()
    os.umask(0o022)
    try:
        ended = Trial(Folder(), TrialHost(), lambda: stop.asked, results.PATH).run()
    except CoreError as error:
        sys.stderr.write(str(error) + "\n")
        return 1
    sys.stderr.write("The trial is {0}{1}\n".format(ended.state, ": " + ended.reason if ended.reason else "."))
    return 1 if ended.state == "failed" else 0
