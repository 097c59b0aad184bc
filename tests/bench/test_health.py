# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
from __future__ import annotations

import pytest

from tests.bench import bench_health


@pytest.mark.bench
def test_a_scrape_of_204_units_stays_within_its_limits(capsys: pytest.CaptureFixture[str]) -> None:
    code = bench_health.main()
    told = capsys.readouterr().out
    print(told)
    assert code == 0, told
