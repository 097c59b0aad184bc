# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Boot with drives missing, power cut during an import, and a pool that moves between Debian releases."""

from __future__ import annotations

import threading
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from tests.lab.reimporting import BUILT, SUMS, Server, built

pytestmark = pytest.mark.lab_long

UNIT = "evenkeel-pool-import.service"
WAIT = 20
CACHE = "/etc/zfs/zpool.cache"
# Import, mount and note for the next boot, as the module does; the last is too short to be seen but by what it writes.
STEPS = {
    "import": "pgrep -f '^[^ ]*zpool import -N' >/dev/null",
    "mount": "pgrep -f '^[^ ]*zfs mount -a' >/dev/null",
    "cache file": f"[ -e {CACHE} ]",
}


@pytest.fixture(scope="module")
def server(labs: Any, tmp_path_factory: pytest.TempPathFactory) -> Server:
    """The server as built, with files on its pool."""
    return built(labs, tmp_path_factory.mktemp("site"))


def seconds(server: Server) -> float:
    """How long the unit that imports at boot took."""
    shown = server.lab.run(
        f"systemctl show -P InactiveExitTimestampMonotonic -P InactiveEnterTimestampMonotonic"
        f" -P ActiveEnterTimestampMonotonic {UNIT}"
    ).out.split()
    begun, *ended = (int(one) / 1e6 for one in shown)
    return max(ended) - begun


def test_drives_missing_at_boot_delay_it_for_a_bounded_time_and_below_redundancy_leave_a_message(
    server: Server,
) -> None:
    lab = server.lab
    lab.restore(BUILT)
    server.book("reimport", split_actuator_boot_wait_seconds=WAIT).check()
    lab.stop()
    lab.pull(1)
    lab.pull(3)
    lab.boot()
    assert server.state == "DEGRADED"
    assert lab.run(SUMS).out == server.sums
    assert WAIT - 1 <= seconds(server) < WAIT + 60
    lab.stop()
    lab.pull(0)
    lab.boot()
    # The machine is up all the same: only our unit has failed, and says what and why.
    assert lab.run("systemctl is-active multi-user.target").out.strip() == "active"
    assert lab.run(f"systemctl is-failed {UNIT}", check=False).out.strip() == "failed"
    told = lab.run(f"journalctl -b -u {UNIT} -o cat").out
    assert "cannot import 'archive'" in told, told
    assert WAIT - 1 <= seconds(server) < WAIT + 60
    # With the drives back, the next boot needs nobody.
    lab.stop()
    for serial in ("REB00", "REB01", "REB03"):
        lab.push(serial)
    lab.boot()
    assert lab.run(SUMS).out == server.sums


@pytest.mark.parametrize("step", STEPS)
def test_power_cut_during_the_import_is_healed_by_the_next_run(server: Server, step: str) -> None:
    lab = server.lab
    lab.restore(BUILT)
    lab.run(f"zpool export archive; rm -f {CACHE}")

    def importing() -> None:
        with suppress(AssertionError):  # the machine it works on goes away
            server.imported()

    working = threading.Thread(target=importing)
    working.start()
    lab.run(f"until {STEPS[step]}; do :; done", timeout=180)
    lab.power_cut()
    working.join(120)
    lab.boot()
    lab.run("modprobe zfs")
    done = server.imported()
    assert not done.get("failed"), done["msg"]
    assert lab.run(SUMS).out == server.sums
    assert server.imported(check=True)["changed"] is False
    lab.run("zpool scrub -w archive", timeout=300)
    assert "errors: No known data errors" in lab.run("zpool status archive").out


def test_a_pool_of_debian_12_comes_back_on_debian_13_and_its_new_features_are_refused_on_12(
    labs: Any, tmp_path: Path
) -> None:
    lab = labs.get("reimport")
    lab.fresh_root(release="bookworm")
    server = Server(lab, tmp_path / "site")
    server.book("build").check()
    server.fill()
    lab.fresh_root(release="trixie")
    server.book("reimport").check()
    assert lab.run(SUMS).out == server.sums
    assert server.state == "ONLINE"
    lab.run("zpool upgrade archive; zpool export archive")
    lab.fresh_root(release="bookworm")
    lab.run("modprobe zfs")
    result = server.refused(by_name=False)
    # Of the features that are new since 2.1, the one that a label names: it is needed to open the pool at all.
    assert "needs features that the installed OpenZFS does not have" in result["msg"], result
    assert result["reasons"] == ["com.klarasystems:vdev_zaps_v2"], result
