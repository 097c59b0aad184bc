# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""What fio's JSON says about each unit of a run. Pure.

Form: fio 3.33 to 3.39, C(show_thread_status_json) in stat.c; C(total_err) is there with C(continue_on_error).
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any, Dict, Mapping, Sequence

from ..errors import DecodeError

_NANO = 1e9


@dataclass(frozen=True)
class Measure:
    """What one unit did in one run. Latencies are seconds from submission to completion of the whole request.

    *errors* are requests that failed or, in a run that verifies, blocks that read back wrong. *seconds* is how
    long the unit worked, without the time before it was measured.
    """

    bytes_per_second: float
    operations_per_second: float
    bytes: int
    seconds: float
    errors: int = 0
    latency_mean: float = 0.0
    latency_99: float = 0.0


def read(output: str, names: Sequence[str], writes: bool = False) -> Dict[str, Measure]:
    """The measures of the jobs *names* by name.

    Messages that fio printed before the JSON are skipped. Raises DecodeError when it is not of the known
    form, or a job is missing.
    """
    try:
        data = json.loads(output[output.index("{\n") :])
        found = {str(job["jobname"]): _measure(job, "write" if writes else "read") for job in data["jobs"]}
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise DecodeError(
            "its output cannot be read ({0!r}): {1}".format(error, output[:200]), subject="fio"
        ) from error
    missing = [name for name in names if name not in found]
    if missing:
        raise DecodeError("no result for {0}".format(", ".join(missing)), subject="fio")
    return {name: found[name] for name in names}


def _measure(job: Mapping[str, Any], side: str) -> Measure:
    done = job[side]
    latency = done["clat_ns"]
    return Measure(
        bytes_per_second=float(done["bw_bytes"]),
        operations_per_second=float(done["iops"]),
        bytes=int(done["io_bytes"]),
        seconds=float(done["runtime"]) / 1000.0,
        # A job that could not open its device counts no errors, but reports one here.
        errors=max(int(job.get("total_err", 0)), 1 if int(job["error"]) else 0),
        latency_mean=float(done["lat_ns"]["mean"]) / _NANO,
        latency_99=float((latency.get("percentile") or {}).get("99.000000", 0)) / _NANO,
    )
