# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The tables of docs/reliability.md, computed: `python -m tests.unit.layout.doc_tables` writes them there.

In the document a table is between `<!-- table: NAME -->` and `<!-- end -->`.
test_doc_tables.py compares.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from math import factorial, prod
from pathlib import Path

import tests.checkout  # noqa: F401  pylint: disable=unused-import
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.capacity import (
    KIB,
    block_cost,
    pool_capacity,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.estimates import speed
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.loss import (
    DriveClass,
    Hazards,
    Rates,
    group_chain,
    pool_loss,
    unreadable_chance,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.mirrors import (
    chained_mirrors,
    copysets,
    loss_when_failing,
    paired_mirrors,
    random_copysets,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.rebuild import (
    Pace,
    rebuild_drive,
    rebuild_in_turn,
    rebuild_unit,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.survival import (
    fatal_sets,
    survival,
    vdev_states,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Member, Vdev
from tests.lab.test_capacity import POOLS, predicted
from tests.unit.layout.pools import share_of

DOC = Path(__file__).resolve().parents[3] / "docs" / "reliability.md"
TB = 10**12
YEAR = 8760
DRIVES = [[Member(f"ACT1{bay:02d}", index, f"bay{bay:02d}", 9 * TB) for index in (0, 1)] for bay in range(12)]


def raidz(parity: int, *vdevs: Iterable[Member]) -> tuple[Vdev, ...]:
    return tuple(Vdev("raidz", parity, tuple(members)) for members in vdevs)


def column(index: int, drives: list[list[Member]]) -> list[Member]:
    return [units[index] for units in drives]


def whole(drives: list[list[Member]]) -> list[Member]:
    return [unit for units in drives for unit in units]


# Twelve drives of 2 x 9 TB in every way a person might think of.
LAYOUTS = {
    "2 x raidz2 of 12, one unit of each drive": raidz(2, column(0, DRIVES), column(1, DRIVES)),
    "4 x raidz2 of 6, two cohorts of 6 drives": raidz(
        2, column(0, DRIVES[:6]), column(1, DRIVES[:6]), column(0, DRIVES[6:]), column(1, DRIVES[6:])
    ),
    "2 x raidz3 of 12, one unit of each drive": raidz(3, column(0, DRIVES), column(1, DRIVES)),
    "12 x mirror, drives paired": paired_mirrors(DRIVES),
    "12 x mirror, drives chained": chained_mirrors(DRIVES),
    "wrong: 1 x raidz2 of 24, both units of each drive": raidz(2, whole(DRIVES)),
    "wrong: 2 x raidz2 of 12, each of 6 whole drives": raidz(2, whole(DRIVES[:6]), whole(DRIVES[6:])),
    "wrong: 12 x mirror, each of one drive's two units": tuple(Vdev("mirror", 1, tuple(units)) for units in DRIVES),
}


def table(head: str, rows: Iterable[Iterable[object]]) -> str:
    names = head.split(" | ")
    lines = [names, ["---"] + ["---:"] * (len(names) - 1), *rows]
    return "\n".join("| " + " | ".join(str(cell) for cell in line) + " |" for line in lines)


def _capacity() -> str:
    rows = []
    for pool in POOLS:
        if pool.whole_disk:
            found = predicted(pool)
            rows.append([pool.name, f"{found.size:,}", f"{found.usable:,}", f"{found.efficiency:.1%}"])
    return table("pool | SIZE, bytes | AVAIL + USED, bytes | of raw", rows)


def _blocks() -> str:
    members = tuple(Member(f"S{number}", 0, "", 9 * TB) for number in range(12))
    shapes = {
        "raidz1 of 5": Vdev("raidz", 1, members[:5]),
        "raidz2 of 6": Vdev("raidz", 2, members[:6]),
        "raidz2 of 12": Vdev("raidz", 2, members),
        "raidz3 of 11": Vdev("raidz", 3, members[:11]),
        "draid2:8d:12c:1s": Vdev("draid", 2, members, data=8, spares=1),
        "mirror": Vdev("mirror", 1, members[:2]),
    }
    rows = [
        [f"{size} KiB", *(f"{block_cost(vdev, size * KIB).ratio:.3f}" for vdev in shapes.values())]
        for size in (4, 8, 16, 32, 64, 128, 256, 1024)
    ]
    return table("block, stored | " + " | ".join(shapes), rows)


def _survival() -> str:
    rows = []
    for name, vdevs in LAYOUTS.items():
        found = survival(vdev_states(vdevs), (2, 3, 4, 5, 6))
        rows.append([name, found.drives, found.units, *(f"{float(share_of(item)):.2%}" for item in found.drive_sets)])
    return table("layout | any drives | any actuators | 2 | 3 | 4 | 5 | 6", rows)


def _loss() -> str:
    rows = []
    for name, vdevs in LAYOUTS.items():
        found = pool_loss(vdevs)
        drives_only = pool_loss(vdevs, Rates(unit_afr=0.0, read_errors=0.0))
        rows.append(
            [
                name,
                f"{found.yearly.value:.1e}",
                f"{found.mean_hours.value / YEAR:.2g}",
                f"{drives_only.yearly.value:.1e}",
                f"{pool_capacity(vdevs).usable / TB:.1f}",
            ]
        )
    return table("layout | loss in a year | MTTDL, years | loss in a year, whole drives only | usable, TB", rows)


def _resilver() -> str:
    cases = {"no limit": 0.0, "100 MB/s": 100e6}
    rows = []
    for name, vdevs in list(LAYOUTS.items())[:5]:
        for label, link in cases.items():
            pace = Pace(rate=100e6, link=link, fill=0.8)
            whole = rebuild_drive(vdevs, "ACT103", pace)
            rows.append(
                [
                    name,
                    label,
                    f"{rebuild_unit(vdevs, 'ACT103', 0, pace).hours:.1f}",
                    f"{whole.hours:.1f}",
                    f"{rebuild_in_turn(vdevs, 'ACT103', pace):.1f}",
                    len(whole.read),
                    f"{whole.most_read / TB:.1f}",
                ]
            )
    return table(
        "layout | drive's link | one unit, h | drive, h | in turn, h | drives that read | TB read of each", rows
    )


def _mirrors() -> str:
    rows = []
    for count in (4, 6, 12, 24):
        drives = [[Member(f"S{bay}", index, "", 9 * TB) for index in (0, 1)] for bay in range(count)]
        pairs = [fatal_sets(vdev_states(make(drives)), 2) for make in (paired_mirrors, chained_mirrors)]
        rows.append([count, pairs[0].total, *(f"{item.fatal} ({float(share_of(item)):.2%})" for item in pairs)])
    return table("drives | pairs of drives | fatal when paired | fatal when chained", rows)


def _copysets() -> str:
    cases = [
        ("copysets, scatter width 2", copysets(5000, 3, 2)),
        ("copysets, scatter width 10", copysets(5000, 3, 10)),
        ("random replication in a window of 11", random_copysets(5000, 3, 11)),
    ]
    rows = [[name, f"{sets:,.0f}", f"{loss_when_failing(5000, 3, sets, 50):.3%}"] for name, sets in cases]
    return table("placement, 5000 nodes, 50 of them lost, 3 replicas | copysets | data is lost", rows)


def _plain(width: int, parity: int, mttf: float, mttr: float, parallel: bool) -> float:
    hazards = Hazards(1 / mttf, 0.0, 1 / mttr, 1 / mttr, (0.0,), parallel)
    return group_chain([DriveClass(width, (0,), split=False)], [parity], hazards).mean_hours()


def _paper() -> str:
    rows = []
    for name, groups, data, check in (("mirrored", 100, 1, 1), ("G=10, C=1", 10, 10, 1), ("G=25, C=1", 4, 25, 1)):
        disks = 100 + check * groups
        closed = 30_000**2 / (disks * (data + check - 1))
        chain = _plain(data + check, 1, 30_000, 1, parallel=False) / groups
        rows.append([name, f"{closed:,.0f}", f"{chain:,.0f}"])
    return table("organisation | paper's formula, h | our chain, h", rows)


def _closed() -> str:
    rows = []
    for width, parity in ((10, 1), (10, 2), (12, 3)):
        for parallel in (False, True):
            closed = 1e6 ** (parity + 1) / prod(width - n for n in range(parity + 1)) / 24**parity
            closed *= factorial(parity) if parallel else 1
            repair = "in parallel" if parallel else "one at a time"
            rows.append([width, parity, repair, f"{closed:.3e}", f"{_plain(width, parity, 1e6, 24, parallel):.3e}"])
    return table("disks | parity | repairs | closed form, h | our chain, h", rows)


def _unreadable() -> str:
    rows = [
        [f"{read} TB", *(f"{unreadable_chance(read * TB, rate):.3f}" for rate in (1e-16, 1e-15, 1e-14))]
        for read in (10, 20, 50, 100)
    ]
    return table("read | 1 in 10^16 bits | 1 in 10^15 | 1 in 10^14", rows)


def _speed() -> str:
    rows = []
    for name, vdevs in list(LAYOUTS.items())[:5]:
        found = speed(vdevs)
        figures = (found.streaming_read, found.streaming_write, found.random_read, found.random_write)
        rows.append([name, *(f"{figure.value:g}" for figure in figures)])
    return table("layout | streaming read | streaming write | random read | random write", rows)


TABLES: dict[str, Callable[[], str]] = {
    "capacity": _capacity,
    "blocks": _blocks,
    "survival": _survival,
    "loss": _loss,
    "resilver": _resilver,
    "mirrors": _mirrors,
    "copysets": _copysets,
    "paper": _paper,
    "closed": _closed,
    "unreadable": _unreadable,
    "speed": _speed,
}
PLACE = re.compile(r"<!-- table: ([a-z]+) -->\n(.*?)\n?<!-- end -->", re.DOTALL)


def filled(text: str) -> str:
    """The document with all its tables computed again."""
    return PLACE.sub(lambda at: f"<!-- table: {at[1]} -->\n{TABLES[at[1]]()}\n<!-- end -->", text)


if __name__ == "__main__":
    DOC.write_text(filled(DOC.read_text(encoding="utf-8")), encoding="utf-8")
