# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
from __future__ import annotations

import pytest

from tests.bench import bench_drift


@pytest.mark.bench
def test_a_check_of_100_hosts_costs_little_more_than_a_task_that_does_nothing(
    capsys: pytest.CaptureFixture[str],
) -> None:
    code = bench_drift.main()
    told = capsys.readouterr().out
    print(told)
    assert code == 0, told
