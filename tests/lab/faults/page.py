# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The results as the page docs/reliability-evidence.md."""

from __future__ import annotations

import time
from collections import Counter
from typing import Any

HEAD = """<!--
Copyright (c) 2026, The evenkeel maintainers
SPDX-License-Identifier: GPL-3.0-or-later
-->

# Evidence: faults survived

`make faults` puts every fault into every stage of the jobs, on a virtual server with a real kernel and OpenZFS. It
wrote this page on {date} with seed {seed} after {count} of the {total} cases (every stage with every fault).{rest}
Run it again to see the results yourself. Another seed (`make faults ARGS='--seed 7'`) chooses other moments and
drives.

Each case goes like this:

1. The stage runs, and the fault happens before or during the run, at a moment drawn from the seed.
2. The fault is repaired as a person would do it: the drive is pushed back, the disk is freed, the host is booted.
3. The stage runs again. If it refuses with a reason, it runs again after 1 minute.

A case holds when it ends as declared (*converged*, or *explained, then converged*) or still refuses with a reason
(*explained*). In addition, all of this must be true afterwards:

* Every file has its checksum, and a scrub finds no error.
* The actual layout of the pool is the declared one. OpenZFS's own tools read it; they import the pool when the job
  refuses.
* The drives beside the pool, which nobody named, are the same to the byte.

*Done* in the column of the run with the fault means that the run succeeded in spite of it: the unit answered again,
or the memory that was left was enough for the module. The moment is random. If the run has ended by then, the case
starts from scratch with half the time.

{summary}

| stage | fault | seed | moment | the run with the fault | the run after it | verdict |
| --- | --- | --- | --- | --- | --- | --- |
"""


def page(results: list[Any], seed: int, total: int) -> str:
    """The page. *results* are C(matrix.Result), of *total* cases."""
    counts = Counter(one.verdict.partition(":")[0] for one in results)
    summary = ", ".join(f"{count} {verdict}" for verdict, count in counts.most_common()) + "."
    rest = " The others have no result yet; the same command goes on with them." if len(results) < total else ""
    head = HEAD.format(
        date=time.strftime("%Y-%m-%d", time.gmtime()),
        seed=seed,
        count=len(results),
        total=total,
        rest=rest,
        summary=summary,
    )
    return head + "".join(_row(one) for one in results)


def _row(one: Any) -> str:
    words = [
        one.stage,
        one.fault,
        str(one.seed),
        f"{one.moment:.1f} s",
        _short(one.first),
        _short(one.second),
        one.verdict,
    ]
    return "| " + " | ".join(word.replace("|", "/") for word in words) + " |\n"


def _short(text: str) -> str:
    """The beginning of a message; markup characters that would leave the cell are taken out."""
    plain = text.replace("<", "(").replace(">", ")").replace("`", "'")
    return plain if len(plain) <= 160 else plain[:157] + "..."
