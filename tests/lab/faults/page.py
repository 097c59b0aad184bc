# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The results as a page for sceptics: docs/reliability-evidence.md."""

from __future__ import annotations

import time
from collections import Counter
from typing import Any

HEAD = """<!--
Copyright (c) 2026, The evenkeel maintainers
SPDX-License-Identifier: GPL-3.0-or-later
-->

# Evidence: faults survived

Written by `make faults` on {date}, seed {seed}: {count} of the {total} cases (every stage with every fault) were run,
on a virtual server with a real kernel and OpenZFS.{rest}
Run it again to see it for yourself; another seed (`make faults ARGS='--seed 7'`) chooses other moments and drives.

In each case the stage is run and the fault happens before or while it runs, at a moment drawn from the seed. Then the
fault is mended as a person would (the drive pushed back, the disk freed, the host booted), and the stage is run
again; when it refuses with a reason, once more a minute later. A case holds when it ends as declared (*converged*,
or *explained, then converged*) or still refuses with a reason (*explained*), and when afterwards every file has its
checksum, a scrub finds no error, the pool is laid out as declared (read with OpenZFS's own tools, which import it
when the job refuses), and the drives beside the pool, which nobody named, are the same to the byte.

Where the run with the fault says *done*, it came through: the unit answered again, or the module fitted the memory that
was left. A moment is drawn blindly; where the run had ended by then, the case begins anew with half of it.

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
