# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""What watching costs: `python -m tests.bench.bench_health`, from the repository root; with C(picture) it draws one.

The packed program serves a real scrape over HTTP, and a real collector runs rounds against a stand-in
`zpool` that prints what a pool of so many units prints, and block counters in files. Counted is processor
time, the children's included, and memory as the kernel counts it (PSS: shared pages by share).
The limits are those of issue 06 for 102 drives of two units.
"""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import os
import resource
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import tests.checkout
from ansible_collections.evenkeel.split_actuator.plugins.module_utils import _face_service
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health import jobs, pack, publish, readers
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.collect import Collector
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.config import Config
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.snapshot import Snapshot
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import to_plain
from tests.bench.plot import Line, plot
from tests.unit.health.build import snapshot, tree

PICTURE = tests.checkout.REPO / "docs" / "pictures" / "health-cost.svg"
CPU_LIMIT = 0.5
MEMORY_LIMIT = 60.0
LARGEST = 102
SIZES = (12, 24, 48, LARGEST)
WIDTH = {12: 12, 24: 12, 48: 12, LARGEST: 17}
ROUNDS = 5
STAT = "100 0 800 50 10 0 80 5 0 50 55 0 0 0 0 0 0\n"


@dataclass(frozen=True)
class Cost:
    """Processor seconds and MB for one number of drives."""

    drives: int
    scrape_cpu: float
    round_cpu: float
    server_mb: float
    collector_mb: float
    child_mb: float
    series: int
    text_kb: float

    @property
    def cpu(self) -> float:
        """What one scrape costs with the round that made its values."""
        return self.scrape_cpu + self.round_cpu

    @property
    def megabytes(self) -> float:
        """All processes at their largest, a reading child included."""
        return self.server_mb + self.collector_mb + self.child_mb


def current(drives: int) -> Snapshot:
    """A healthy server at this host's present."""
    made = snapshot(drives, WIDTH[drives])
    present = publish.now()
    late = present.at - made.at
    sources = {name: replace(one, at=one.at + late, tried=one.tried + late) for name, one in made.sources.items()}
    return replace(made, boot=present.boot, at=present.at, wall=present.wall, sources=sources)


def pss(pid: int) -> float:
    """Proportional set size in MB (proc(5))."""
    for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
        if line.startswith("Pss:"):
            return int(line.split()[1]) / 1024
    raise RuntimeError("no Pss")


def processor_time(pid: int) -> float:
    """User and system seconds of a process (proc(5))."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def scrape(folder: Path, drives: int) -> tuple[float, float, int, float]:
    """CPU seconds of a scrape, the server's MB, the series and KB it tells."""
    program = folder / "health.pyz"
    pack.install(_face_service, str(program), check_mode=False)
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        port = found.getsockname()[1]
    settings = Config(snapshot=str(folder / "snapshot.json"), port=port)
    (folder / "health.json").write_text(json.dumps({"snapshot": settings.snapshot, "port": port}))
    publish.publish(current(drives), settings, "0.1.0")
    server = subprocess.Popen([sys.executable, "-IB", str(program), "--config", str(folder / "health.json"), "serve"])
    try:
        text = fetch(port)
        before = processor_time(server.pid)
        for _round in range(ROUNDS):
            # A new snapshot each time, as the collector writes one: it is decoded anew.
            publish.publish(current(drives), settings, "0.1.0")
            text = fetch(port)
        spent = (processor_time(server.pid) - before) / ROUNDS
        assert "split_actuator_collector_up 1.0" in text
        series = sum(1 for line in text.splitlines() if line and not line.startswith("#"))
        return spent, pss(server.pid), series, len(text) / 1024
    finally:
        server.terminate()
        server.wait(10)


def fetch(port: int) -> str:
    """One scrape."""
    # Here, so that it does not count for the collector, whose process imports this file.
    import urllib.request

    deadline = time.monotonic() + 60
    while True:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=30) as answer:
                return str(answer.read().decode())
        except OSError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.1)


def zpool(folder: Path, drives: int) -> None:
    """A stand-in for zpool that prints what OpenZFS 2.3 prints for a pool of so many units."""
    grown = tree(drives, WIDTH[drives])
    vdevs = {
        vdev.name: {
            "name": vdev.name,
            "vdev_type": "raidz",
            "guid": vdev.guid,
            "state": vdev.state,
            "read_errors": 0,
            "vdevs": {
                leaf.path: {
                    "name": leaf.path,
                    "vdev_type": "disk",
                    "guid": leaf.guid,
                    "path": leaf.path,
                    "state": "ONLINE",
                }
                for leaf in vdev.children
            },
        }
        for vdev in grown.group("data")
    }
    status = {
        "output_version": {"command": "zpool status", "vers_major": 0, "vers_minor": 1},
        "pools": {
            "archive": {
                "name": "archive",
                "state": "ONLINE",
                "pool_guid": 77,
                "error_count": 0,
                "vdevs": {"archive": {"name": "archive", "vdev_type": "root", "state": "ONLINE", "vdevs": vdevs}},
            }
        },
    }
    (folder / "status").write_text(json.dumps(status))
    rows = ["archive\t9\t1\t8\t-\t-\t0\t0\t1.00\tONLINE\t-"]
    for vdev in grown.group("data"):
        rows.append(f"\t{vdev.name}\t9\t1\t8\t-\t-\t0\t0\t-\tONLINE")
        rows += [f"\t{leaf.name}\t9\t-\t-\t-\t-\t-\t-\t-\tONLINE" for leaf in vdev.children]
    (folder / "list").write_text("\n".join(rows) + "\n")
    program = folder / "zpool"
    program.write_text(
        "#!/bin/sh\ncase $1 in\n"
        "version) echo zfs-2.3.9-1; echo zfs-kmod-2.3.9-1 ;;\n"
        f"status) cat {folder}/status ;;\n"
        f"list) cat {folder}/list ;;\n"
        "esac\n"
    )
    program.chmod(0o755)


class Readers(readers.HostReaders):
    """The host's pools by way of the stand-in; drives as given."""

    def __init__(self, drives: list) -> None:
        self._told = {"drives": to_plain(drives), "findings": []}

    def drives(self, _inventory: object) -> Callable[[int], None]:
        """The drives given."""
        return lambda pipe: readers._write(pipe, self._told)


def rounds(folder: Path, drives: int) -> tuple[float, float, float]:
    """CPU seconds of a collector's round, its MB and those that a child adds at most."""
    zpool(folder, drives)
    jobs.ENVIRONMENT["PATH"] = f"{folder}:{jobs.ENVIRONMENT['PATH']}"
    block = folder / "block"
    made = snapshot(drives, WIDTH[drives])
    for one in made.drives:
        for unit in one.units:
            place = block / os.path.basename(unit.node)
            place.mkdir(parents=True)
            (place / "stat").write_text(STAT)
    settings = Config(
        interval_seconds=3600,
        smartctl="true",
        snapshot=str(folder / "snapshot.json"),
        inventory=str(folder / "inventory.json"),
    )
    worker = jobs.Jobs()
    present = publish.now()
    collector = Collector(
        settings,
        worker,
        Readers(list(made.drives)),
        present.boot,
        clock=lambda: publish.now().at,
        wall=time.time,
        class_block=str(block),
    )
    wait(collector)
    # SMART readings as they are, for the size of what is written; none are made meanwhile.
    collector._units.update(made.units)
    for target in collector._targets.values():
        target.due = float("inf")
    while worker.under_way():
        collector.step(0.1)
    # What this process has touched so far was for making the invented host.
    before = spent()
    for _round in range(ROUNDS):
        collector._io_due = collector._pools_due = 0.0
        done = collector._sources["pools"].at
        while collector._sources["pools"].at == done:
            collector.step(0.1)
        publish.publish(collector.snapshot(), settings, "0.1.0")
    each = (spent() - before) / ROUNDS
    children = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    return each, pss(os.getpid()), children


def spent() -> float:
    """Processor seconds of this process and of its children that have ended."""
    own, theirs = resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN)
    return own.ru_utime + own.ru_stime + theirs.ru_utime + theirs.ru_stime


def wait(collector: Collector) -> None:
    """Until drives and pools are read once."""
    deadline = time.monotonic() + 60
    while not (collector._pools and collector._drives):
        collector.step(0.1)
        if time.monotonic() > deadline:
            raise RuntimeError(collector.snapshot().sources)


def measure(drives: int) -> Cost:
    """The cost for so many drives of two units."""
    # The collector gets a process of its own, so that only what it imports counts.
    context = multiprocessing.get_context("spawn")
    with tempfile.TemporaryDirectory() as name, context.Pool(1) as pool:
        each, own, child = pool.apply(rounds, (Path(name), drives))
    with tempfile.TemporaryDirectory() as name:
        cpu, server, series, kilobytes = scrape(Path(name), drives)
    return Cost(drives, cpu, each, server, own, max(child - own, 0.0), series, kilobytes)


def draw(costs: list[Cost]) -> None:
    """Draw how the cost grows with the units."""
    lines = [
        Line(name, [(2 * cost.drives, getattr(cost, field)) for cost in costs])
        for name, field in (("scrape and round, s", "cpu"), ("of it the scrape, s", "scrape_cpu"))
    ]
    lines.append(Line("limit, s", [(2 * cost.drives, CPU_LIMIT) for cost in costs]))
    PICTURE.parent.mkdir(exist_ok=True)
    PICTURE.write_text(plot("What watching costs", "units", "seconds of processor time", lines))


def main() -> int:
    """Measure, print a table, and say whether the limits hold."""
    print("drives  units  series  text KB  scrape s  round s  server MB  collector MB  child MB")
    costs: list[Cost] = []
    for drives in SIZES:
        cost = measure(drives)
        print(
            f"{drives:6} {2 * drives:6} {cost.series:7} {cost.text_kb:8.0f} {cost.scrape_cpu:9.3f}"
            f" {cost.round_cpu:8.3f} {cost.server_mb:10.1f} {cost.collector_mb:13.1f} {cost.child_mb:9.1f}",
            flush=True,
        )
        costs.append(cost)
    if "picture" in sys.argv[1:]:
        draw(costs)
    worst = costs[-1]
    held = worst.cpu < CPU_LIMIT and worst.megabytes < MEMORY_LIMIT
    print(f"{2 * LARGEST} units: {worst.cpu:.3f} s of {CPU_LIMIT} s, {worst.megabytes:.1f} MB of {MEMORY_LIMIT} MB")
    return 0 if held else 1


if __name__ == "__main__":
    with contextlib.suppress(KeyboardInterrupt):
        sys.exit(main())
