# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Jobs run in real processes here: what ends, what hangs, what floods."""

from __future__ import annotations

import gc
import os
import signal
import time
from collections.abc import Iterator

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.jobs import Ended, Jobs


@pytest.fixture
def jobs() -> Iterator[Jobs]:
    made = Jobs()
    yield made
    made.abandon()
    until_gone(made)


def wait(jobs: Jobs, count: int = 1, seconds: float = 10) -> dict[str, Ended]:
    found: dict[str, Ended] = {}
    deadline = time.monotonic() + seconds
    while len(found) < count and time.monotonic() < deadline:
        found.update({ended.name: ended for ended in jobs.poll(0.1)})
    assert len(found) >= count
    return found


def until_gone(jobs: Jobs) -> None:
    deadline = time.monotonic() + 5
    while list(jobs.stuck):
        assert time.monotonic() < deadline
        jobs.poll(0.05)


def test_output_and_exit_code_come_back(jobs: Jobs) -> None:
    assert jobs.start("one", ("sh", "-c", "echo hello; echo aside >&2; exit 3"), 10)
    ended = wait(jobs)["one"]
    assert (ended.status, ended.rc, ended.output) == ("done", 3, b"hello\n")
    assert not jobs.busy("one")


def test_a_function_runs_in_a_child_and_sees_the_parents_memory(jobs: Jobs) -> None:
    memory = ["before"]

    def work(pipe: int) -> None:
        os.write(pipe, "{0} {1}".format(memory[0], os.getpid()).encode())
        memory.append("never seen")

    assert jobs.start("one", work, 10)
    told, pid = wait(jobs)["one"].output.split()
    assert (told, int(pid) != os.getpid(), memory) == (b"before", True, ["before"])


def test_a_function_that_raises_ends_its_child_only(jobs: Jobs) -> None:
    def work(pipe: int) -> None:
        os.write(pipe, b"so far")
        raise RuntimeError

    jobs.start("one", work, 10)
    ended = wait(jobs)["one"]
    assert (ended.status, ended.rc, ended.output) == ("done", 127, b"so far")


def test_a_crash_and_a_missing_program_are_told(jobs: Jobs) -> None:
    jobs.start("crash", ("sh", "-c", "kill -SEGV $$"), 10)
    jobs.start("missing", ("/nowhere/to/be/found",), 10)
    found = wait(jobs, 2)
    assert (found["crash"].status, found["crash"].rc) == ("done", -signal.SIGSEGV)
    assert (found["missing"].status, found["missing"].rc) == ("done", 127)


def test_what_hangs_is_abandoned_and_others_go_on(jobs: Jobs) -> None:
    started = time.monotonic()
    jobs.start("hang", ("sh", "-c", "echo part; trap '' TERM; while :; do sleep 1; done"), 1.0)
    jobs.start("quick", ("true",), 10)
    found = wait(jobs)
    assert "quick" in found
    assert time.monotonic() - started < 1.0, "the quick one did not wait for the other"
    found.update(wait(jobs))
    assert (found["hang"].status, found["hang"].output) == ("timeout", b"part\n")


def test_its_children_are_ended_with_it(jobs: Jobs) -> None:
    jobs.start("family", ("sh", "-c", "sleep 1000 & echo $!; wait"), 0.5)
    child = int(wait(jobs)["family"].output)
    deadline = time.monotonic() + 5
    while time.monotonic() < deadline and os.path.exists("/proc/{0}".format(child)):
        with open("/proc/{0}/stat".format(child)) as handle:
            if handle.read().rpartition(")")[2].split()[0] == "Z":
                break
        jobs.poll(0.05)
    else:
        assert not os.path.exists("/proc/{0}".format(child))


def test_a_flood_is_cut_off(jobs: Jobs) -> None:
    started = time.monotonic()
    jobs.start("flood", ("yes",), 60, 100_000)
    ended = wait(jobs)["flood"]
    assert (ended.status, len(ended.output)) == ("flood", 100_000)
    assert time.monotonic() - started < 10


def test_closed_output_is_not_the_end(jobs: Jobs) -> None:
    jobs.start("silent", ("sh", "-c", "exec >&- 2>&-; sleep 1000"), 1.0)
    assert wait(jobs)["silent"].status == "timeout"


def test_a_stuck_job_is_not_started_twice_and_frees_its_name_when_it_is_gone() -> None:
    # No signal ends a process that waits in the kernel. Here the look at whether it is gone is held back instead;
    # the lab has the real thing (tests/lab/test_health.py).
    alive = {"yes": True}

    class Held(Jobs):
        """As if the kernel held the processes of the group."""

        def _bury(self) -> None:
            if not alive["yes"]:
                super()._bury()

    jobs = Held()
    jobs.start("one", ("sleep", "1000"), 0.2)
    assert wait(jobs)["one"].status == "timeout"
    assert list(jobs.stuck) == ["one"]
    assert not jobs.start("one", ("true",), 1)
    assert jobs.start("other", ("true",), 1), "others are not concerned"
    assert wait(jobs)["other"].status == "done"
    alive["yes"] = False
    until_gone(jobs)
    assert jobs.start("one", ("true",), 1)
    assert wait(jobs)["one"].status == "done"


def test_nothing_is_left_open(jobs: Jobs) -> None:
    gc.collect()  # what an earlier test of this process left is closed now, and not in between
    before = len(os.listdir("/proc/self/fd"))
    for number in range(50):
        jobs.start(str(number), ("true",) if number % 2 else ("sleep", "100"), 0.3)
    wait(jobs, 50)
    assert len(os.listdir("/proc/self/fd")) == before


def test_a_child_inherits_nothing(jobs: Jobs) -> None:
    with open("/dev/zero"):
        jobs.start("other", ("sleep", "5"), 1)
        jobs.start("list", ("ls", "/proc/self/fd"), 5)
        # 3 is the folder that ls itself reads.
        assert wait(jobs)["list"].output.split() == [b"0", b"1", b"2", b"3"]
