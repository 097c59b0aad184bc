# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""How long a whole plan takes, as a person waits for it: three seconds, whatever the chassis holds.

Everything that the module layout_plan does is timed: reading, the layout, its alternatives with their figures,
the text. Writes tests/output/bench_plan_time.json. Times are seconds of processor time, the best of two runs with
the caches emptied before each; the share outside the search for layouts is beside.
"""

from __future__ import annotations

import gc
import json
import platform
import random
from collections.abc import Callable
from pathlib import Path
from time import process_time
from typing import Any

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout import alternatives, report
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout import assign as assigning
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import to_plain
from tests.unit.strategies import Spec, drives_of

OUTPUT = Path(__file__).resolve().parents[1] / "output" / "bench_plan_time.json"
RESULT: dict[str, Any] = {"python": platform.python_version(), "machine": platform.machine()}
LIMIT = 3.0
OUTSIDE = 1.5  # of that, what all but the search for layouts may take

pytestmark = pytest.mark.bench


def three_units() -> list[Spec]:
    """12 drives of three units."""
    return [Spec("", (6, 6, 6))] * 12


def three_sizes() -> list[Spec]:
    """48 two-unit drives of three sizes in 8 enclosures."""
    return [Spec(f"e{n % 8:02d}", [(9, 9), (12, 12), (7, 7)][n * 5 % 3]) for n in range(48)]


def four_sizes() -> list[Spec]:
    """60 two-unit drives of four sizes."""
    return [Spec("", [(9, 9), (12, 12), (7, 7), (6, 6)][n % 4]) for n in range(60)]


def any_mix(seed: int) -> list[Spec]:
    """100 drives of 1 to 4 units, of up to six kinds, units of a drive unlike now and then, in 1 to 8 enclosures."""
    rng = random.Random(seed)
    kinds = []
    for _kind in range(rng.randint(1, 6)):
        size, units = rng.choice([5, 6, 7, 9, 12]), rng.randint(1, 4)
        kinds.append(tuple(size if rng.random() < 0.9 else size - 1 for _unit in range(units)))
    enclosures = rng.choice([1, 1, 4, 8])
    names = [""] if enclosures == 1 else [f"e{number}" for number in range(enclosures)]
    return [Spec(rng.choice(names), rng.choice(kinds)) for _drive in range(100)]


def thousand() -> list[Spec]:
    """1,000 drives of three sizes, ordinary ones among them, in 50 uneven enclosures."""
    kinds = [(9, 9), (9, 9), (9, 9), (12, 12), (18,)]
    return [Spec(f"e{(n * n) % 50:02d}", kinds[n * 7 % 5]) for n in range(1000)]


MIXES = {f"100 drives of any mix, seed {seed}": any_mix(seed) for seed in range(12)}


@pytest.mark.parametrize("mixed_sizes", ["separate", "allow"])
@pytest.mark.parametrize(
    ("name", "specs", "policy", "compare"),
    [
        ("12 drives of three units", three_units(), {}, True),
        ("48 drives of three sizes in 8 enclosures", three_sizes(), {}, True),
        ("60 drives of four sizes and a spare", four_sizes(), {"spares": 1}, True),
        *((name, specs, {}, True) for name, specs in MIXES.items()),
        ("1,000 drives of three sizes in 50 enclosures", thousand(), {}, False),
    ],
)
def test_a_plan_takes_three_seconds(
    name: str, specs: list[Spec], policy: dict[str, Any], compare: bool, mixed_sizes: str
) -> None:
    options = {
        "drives": to_plain(drives_of(specs)),
        "policy": {**policy, "mixed_sizes": mixed_sizes},
        "compare": compare,
    }
    seconds, searching, shown = min(timed(options) for _run in range(2))
    RESULT[f"{name}, {mixed_sizes}"] = {
        "seconds": seconds, "search": searching, "limit": LIMIT, "alternatives": shown, "drives": len(specs),
    }  # fmt: skip
    OUTPUT.parent.mkdir(parents=True, exist_ok=True)
    OUTPUT.write_text(json.dumps(RESULT, indent=1))
    print(f"\n{name}, {mixed_sizes}: {seconds:.2f} s, {searching:.2f} of it the search")
    assert (shown > 0) == compare
    assert seconds - searching < OUTSIDE
    assert seconds < LIMIT


def timed(options: dict[str, Any]) -> tuple[float, float, int]:
    """Processor seconds of one report, those of its searches, and how many alternatives it shows."""
    empty_caches()
    spent = 0.0

    def watching(search: Callable[..., Any]) -> Callable[..., Any]:
        def watched(*args: Any, **terms: Any) -> Any:
            nonlocal spent
            began = process_time()
            try:
                return search(*args, **terms)
            finally:
                spent += process_time() - began

        return watched

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(report, "plan", watching(assigning.plan))
        patch.setattr(alternatives, "possible", watching(assigning.possible))
        began = process_time()
        found = report.report(options)
        seconds = process_time() - began
    return seconds, spent, len(found["alternatives"])


def empty_caches() -> None:
    """Every lru_cache of the library: a person's plan is the first one of its process."""
    for one in gc.get_objects():
        clear: Callable[[], None] | None = getattr(one, "cache_clear", None) if callable(one) else None
        if clear is not None and "_core." in str(getattr(one, "__module__", "")):
            clear()
