# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The faults. Each may act before a stage or at a moment while it runs, and is repaired as a person would do it."""

from __future__ import annotations

import os
import random
import subprocess
import time
from dataclasses import dataclass

from tests.lab.errors import LabError
from tests.lab.parts import ReadError

from .server import CARELESS, MEMBERS, Server

RULE = "/run/udev/rules.d/00-slow.rules"
LIMIT = "/etc/security/limits.d/memory.conf"


@dataclass
class Fault:
    """Nothing happens: the base of all faults. *random* chooses drives and sectors, and is seeded by the case."""

    server: Server
    random: random.Random
    name = "none"
    # Whether the host itself was taken down, so that it has to be booted.
    down = False
    twice = False

    def __post_init__(self) -> None:
        self.bay = self.random.choice(list(MEMBERS))
        self.unit = self.random.choice([0, 1])

    def before(self) -> None:
        """Sets the situation up before the stage begins."""

    def during(self) -> None:
        """The fault itself, at the chosen moment while the stage runs."""

    @property
    def momentary(self) -> bool:
        """Whether it needs a run that has not ended."""
        return type(self).during is not Fault.during

    def after(self) -> None:
        """The repair that a person makes before running the job again."""

    def sh(self, text: str) -> str:
        """A shell line on the host, whose exit code does not matter."""
        return self.server.lab.run(text, check=False, timeout=120).out


class PowerCut(Fault):
    """The host loses power."""

    name = "power cut"
    down = True

    def during(self) -> None:
        self.server.lab.power_cut()

    def after(self) -> None:
        self.server.lab.boot()
        self.sh("modprobe zfs; udevadm settle --timeout 120")


class ConnectionCut(Fault):
    """All sessions of the controller on the host are killed."""

    name = "SSH cut"

    def during(self) -> None:
        self.sh("systemd-run --quiet --collect sh -c 'sleep 0.1; pkill -KILL -f \"^sshd(-session)?: root\"'")
        time.sleep(2)


class ControllerKilled(Fault):
    """Ansible is killed on the controller; a module that it started on the host may continue."""

    name = "controller killed"

    def during(self) -> None:
        subprocess.run(["pkill", "-KILL", "-P", str(os.getpid()), "-f", "bin/ansible all"], check=False)


class DrivePulled(Fault):
    """A drive of the pool is pulled, and pushed back before the next run."""

    name = "drive pulled"

    def during(self) -> None:
        self.server.lab.pull(self.bay)

    def after(self) -> None:
        self.server.lab.push(self.server.lab.state.chassis.drive(self.bay).serial)
        self.sh("udevadm settle --timeout 120")
        # Common practice after a wrong pull: the pool takes the members back.
        self.sh("zpool online archive $(zpool status -P archive | awk '/OFFLINE|REMOVED|UNAVAIL|FAULTED/ {print $1}')")
        self.sh("zpool clear archive; zpool wait -t resilver archive")


class DriveReturned(DrivePulled):
    """A drive that was missing at the beginning comes back while the stage runs."""

    name = "drive returned"

    def before(self) -> None:
        self.server.lab.pull(self.bay)

    def during(self) -> None:
        self.server.lab.push(self.server.lab.state.chassis.drive(self.bay).serial)

    def after(self) -> None:
        self.sh("udevadm settle --timeout 120")
        self.sh("zpool online archive $(zpool status -P archive | awk '/OFFLINE|REMOVED|UNAVAIL|FAULTED/ {print $1}')")
        self.sh("zpool clear archive; zpool wait -t resilver archive")


class ReadErrors(Fault):
    """Sectors at the beginning of one unit cannot be read: the table, the label, and some of the data."""

    name = "I/O errors on one unit"

    def before(self) -> None:
        first = self.random.choice([0, 34, 2048, 2048 + 512])
        errors = [ReadError(first, 8), ReadError(self.random.randrange(10_000, 1_000_000), 64)]
        self.server.lab.fail_reads(self.bay, self.unit, errors)

    def after(self) -> None:
        self.server.lab.fail_reads(self.bay, self.unit, [])
        self.sh("zpool clear archive; zpool wait -t resilver archive")


class HungUnit(Fault):
    """A unit stops answering, for half a minute."""

    name = "hung unit"

    def during(self) -> None:
        self.server.lab.hang(self.bay, self.unit)
        time.sleep(30)
        self.server.lab.unhang(self.bay, self.unit)

    def after(self) -> None:
        self.sh("udevadm settle --timeout 120; zpool clear archive; zpool wait -t resilver archive")


class FullRoot(Fault):
    """The root filesystem of the host has no free byte."""

    name = "full root filesystem"

    def before(self) -> None:
        # Ever smaller files, each taken whole from what is left: writing it full takes minutes.
        self.sh(
            "sync; mkdir -p /var/filler; n=0; for size in 1G 256M 64M 16M 4M 1M 256K 64K 16K 4K; do"
            " while fallocate -l $size /var/filler/$((n += 1)) 2>/dev/null; do :; done; done"
        )

    def after(self) -> None:
        self.sh("rm -rf /var/filler; sync")


class OutOfMemory(Fault):
    """A module gets no more than some megabytes of memory, or is killed, as the kernel does when memory runs out.

    A limit on its control group was tried: the kernel reads its pages of code again and again and never kills it.
    """

    name = "out of memory in a module"

    def __post_init__(self) -> None:
        super().__post_init__()
        self.room = self.random.choice([8, 16, 24, 32, 0, 0])  # a module takes up to 63 MB; 0: it is killed

    @property
    def momentary(self) -> bool:
        """Whether it needs a run that has not ended."""
        return not self.room

    def before(self) -> None:
        if not self.room:
            return
        # By PAM, which gives every new connection its limits, whatever the service has.
        self.sh(f"echo 'root - data {self.room << 10}' > {LIMIT}")
        self.server.lab.ssh().close()
        if self.sh("ulimit -d").strip() != str(self.room << 10):
            raise LabError("the memory of sessions could not be limited")

    def during(self) -> None:
        if not self.room:
            self.sh("for n in $(seq 100); do pkill -KILL '^python3' && break; sleep 0.1; done")

    def after(self) -> None:
        self.sh(f"rm -f {LIMIT}")
        self.server.lab.ssh().close()


class TwoControllers(Fault):
    """The same job is run by two controllers at once."""

    name = "two controllers at once"
    twice = True


class WrongClock(Fault):
    """The host's clock is years off."""

    name = "clock wrong"

    def before(self) -> None:
        self.sh(f"date -s '{self.random.choice(['2001-02-03', '2037-12-31'])} 04:05:06'")

    def after(self) -> None:
        self.sh(f"date -s @{time.time():.0f}")


class SlowUdev(Fault):
    """udev takes seconds over every event of a block device."""

    name = "udev slow"

    def before(self) -> None:
        rule = 'SUBSYSTEM=="block", PROGRAM="/bin/sleep 2"'
        self.sh(f"mkdir -p {RULE.rpartition('/')[0]}; echo '{rule}' > {RULE}; udevadm control --reload")

    def after(self) -> None:
        self.sh(f"rm -f {RULE}; udevadm control --reload; udevadm settle --timeout 120")


class NoModule(Fault):
    """The kernel has no OpenZFS: the module's file is missing and it is not loaded (after a kernel update, say)."""

    name = "ZFS module missing"

    def before(self) -> None:
        # The event daemon holds the module.
        self.sh("systemctl stop zfs-zed; zpool export careless; zpool export archive; modprobe -r zfs")
        if self.sh("test -e /sys/module/zfs && echo loaded"):
            raise LabError("the module of OpenZFS could not be unloaded")
        self.sh("cd /lib/modules/$(uname -r)/updates/dkms && mv zfs.ko* /root/")

    def after(self) -> None:
        self.sh("mv /root/zfs.ko* /lib/modules/$(uname -r)/updates/dkms/; depmod; modprobe zfs")
        # A pool of other drives that is not imported is a refusal of its own.
        self.sh("zpool import -d /dev/disk/by-id careless; systemctl start zfs-zed")


class Suspended(Fault):
    """Another pool on the host stops serving: a drive with both its units in one single-parity vdev is pulled."""

    name = "pool suspended"

    def before(self) -> None:
        self.server.lab.pull(CARELESS[1])
        # A write that cannot end, and cannot be killed, either.
        self.sh("setsid zpool sync careless > /dev/null 2>&1 < /dev/null & sleep 10")

    def after(self) -> None:
        self.server.lab.push(self.server.lab.state.chassis.drive(CARELESS[1]).serial)
        self.sh("udevadm settle --timeout 120; zpool clear careless")


FAULTS: tuple[type[Fault], ...] = (
    PowerCut,
    ConnectionCut,
    ControllerKilled,
    DrivePulled,
    DriveReturned,
    ReadErrors,
    HungUnit,
    FullRoot,
    OutOfMemory,
    TwoControllers,
    WrongClock,
    SlowUdev,
    NoModule,
    Suspended,
)
