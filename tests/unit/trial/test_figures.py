# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""From fio's output to figures: reading it, statistics against SciPy, ratios, ceilings."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
import scipy.stats
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import DecodeError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial import figures, reading, statistics
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial.order import Key, Order
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial.plan import Step
from tests.checkout import REPO
from tests.unit.trial.world import SIZE, drive, measures_of, order, sharing

DATA = REPO / "tests" / "data" / "fio"
VERSIONS = sorted({path.name.partition("-")[0] for path in DATA.glob("*.json")})
FLOATS = st.floats(1, 1e9, allow_nan=False)


def recorded(version: str, name: str) -> str:
    return (DATA / f"{version}-{name}.json").read_text()


@pytest.mark.parametrize("version", VERSIONS)
def test_what_fio_measured(version: str) -> None:
    """The capture limited the units to 200 and 50 operations of 4096 bytes a second, for 2 seconds."""
    told = reading.read(recorded(version, "measured"), ["bay00.0", "bay00.1"])
    for name, rate in (("bay00.0", 200), ("bay00.1", 50)):
        assert told[name].operations_per_second == pytest.approx(rate, rel=0.05)
        assert told[name].bytes_per_second == pytest.approx(rate * 4096, rel=0.05)
        assert told[name].seconds == pytest.approx(2, abs=0.1)
        assert told[name].errors == 0
        assert 0 < told[name].latency_mean < 1
        assert 0 < told[name].latency_99 < 1


@pytest.mark.parametrize("version", VERSIONS)
def test_what_fio_wrote_and_read_back(version: str) -> None:
    assert reading.read(recorded(version, "written"), ["bay00.0"], writes=True)["bay00.0"].bytes == 8 << 20
    wrong = reading.read(recorded(version, "wrong"), ["bay00.0"])["bay00.0"]
    assert (wrong.errors, wrong.bytes) == (1, 8 << 20)


@pytest.mark.parametrize("version", VERSIONS)
def test_a_device_that_cannot_be_opened_counts_as_an_error(version: str) -> None:
    assert reading.read(recorded(version, "missing"), ["bay00.0"])["bay00.0"].errors == 1


@pytest.mark.parametrize(
    "output", ["", "fio: no", "{\n}", '{\n"jobs": [{"jobname": "x"}]}', '{\n"jobs": 7}', "{\n" * 9]
)
def test_other_output_is_an_error(output: str) -> None:
    with pytest.raises(DecodeError, match="fio"):
        reading.read(output, ["x"])
    with pytest.raises(DecodeError, match=r"no result for bay07\.0"):
        reading.read(recorded(VERSIONS[0], "measured"), ["bay00.0", "bay07.0"])


@settings(deadline=None)
@given(st.lists(FLOATS, min_size=1, max_size=40))
def test_statistics_agree_with_scipy(numbers: list[float]) -> None:
    assert statistics.median(numbers) == pytest.approx(scipy.stats.scoreatpercentile(numbers, 50))
    plain = scipy.stats.median_abs_deviation(numbers)
    assert statistics.deviation(numbers) == pytest.approx(plain, abs=1e-9 * max(numbers))
    assume(plain > 1e-6 * max(numbers))
    # The modified z-score, by SciPy's own scaling of the deviation to that of a normal distribution.
    scaled = scipy.stats.median_abs_deviation(numbers, scale="normal")
    wanted = [(number - scipy.stats.scoreatpercentile(numbers, 50)) / scaled for number in numbers]
    assert statistics.scores(numbers) == pytest.approx(wanted, rel=1e-6, abs=1e-6)


def test_statistics_at_their_edges() -> None:
    with pytest.raises(ValueError, match="no numbers"):
        statistics.median([])
    assert statistics.scores([5.0, 5.0, 5.0, 4.0]) == (0.0, 0.0, 0.0, -math.inf)
    assert statistics.most_common(["a", "b", "a"]) == "a"
    assert statistics.most_common(["a", "b"]) == statistics.most_common([]) == ""


def test_independence_and_evenness() -> None:
    ordered = order(6)

    def speed(step: Step, key: Key) -> float:
        slow = 0.4 if key == ("ACT02", 1) else 1.0
        return slow * sharing("ACT01")(step, key)

    found = figures.figures(ordered, measures_of(ordered, speed))
    assert found["ACT00"].independence == figures.Pair(1.0, 1.0)
    assert found["ACT00"].evenness == figures.Pair(1.0, 1.0)
    assert found["ACT00"].together == figures.Pair(200e6, 200.0)
    assert found["ACT01"].independence == figures.Pair(0.5, 0.5)
    assert found["ACT01"].alone == (figures.Pair(100e6, 100.0),) * 2
    assert found["ACT02"].evenness.random == pytest.approx(0.4)
    assert found["ACT02"].independence.random == pytest.approx(1.0)
    medians = figures.model_medians(ordered, found)["ACTWO ACTW-D9"]
    assert (medians.drives, medians.independence, medians.together) == (
        6, figures.Pair(1.0, 1.0), figures.Pair(200e6, 200.0),
    )  # fmt: skip


def test_what_is_not_measured_has_no_figure() -> None:
    ordered = order(2)
    measured = {number: units for number, units in measures_of(ordered).items() if number < 2}
    found = figures.figures(ordered, measured)
    assert found["ACT00"].independence == figures.Pair()
    assert found["ACT00"].alone == (figures.Pair(100e6, None),) * 2
    assert found["ACT01"].alone == (figures.Pair(), figures.Pair())
    assert figures.model_medians(ordered, found)["ACTWO ACTW-D9"].independence == figures.Pair()
    one = Order((drive(0, 1),))
    assert figures.figures(one, measures_of(one))["ACT00"].evenness == figures.Pair()


def test_three_units_that_share_one_actuator_have_a_third() -> None:
    ordered = Order((drive(0, 3),))
    third = measures_of(ordered, lambda step, _key: 1.0 if step.phase == "alone" else 1 / 3)
    assert figures.figures(ordered, third)["ACT00"].independence.random == pytest.approx(1 / 3)


def test_outliers_are_by_unit_and_class() -> None:
    """Halves that differ by design are no outliers; one that differs from the others' same half is."""
    ordered = order(6)

    def speed(_step: Step, key: Key) -> float:
        return (0.7 if key[1] else 1.0) * (0.8 if key == ("ACT03", 0) else 1.0)

    far = figures.outliers(ordered, figures.figures(ordered, measures_of(ordered, speed)))
    assert {key for key, (score, _share) in far.items() if abs(score) > 3.5} == {
        ("ACT03", 0, "sequential"), ("ACT03", 0, "random"),
    }  # fmt: skip
    assert far["ACT03", 0, "random"][1] == pytest.approx(0.8)
    small = order(4)
    assert figures.outliers(small, figures.figures(small, measures_of(small, speed))) == {}


def test_the_ceiling_of_an_adapter_shows_against_the_other_and_against_all() -> None:
    drives = tuple(drive(number, adapter=f"0000:00:0{8 + number % 2}.0") for number in range(4))

    def speed(step: Step, _key: Key) -> float:
        if step.phase == "group" and step.group.endswith("09.0"):
            return 0.6
        return 0.5 if step.phase == "all" else 1.0

    ordered = Order(drives)
    told = {(one.group, one.pattern): one for one in figures.ceilings(ordered, measures_of(ordered, speed))}
    assert told["adapter 0000:00:08.0", "sequential"].share == pytest.approx(1.0)
    assert told["adapter 0000:00:09.0", "sequential"].share == pytest.approx(0.6)
    whole = told["all drives", "sequential"]
    assert whole.drives == 4
    assert (whole.reached, whole.sum_of_drives) == pytest.approx((400e6, 800e6))
    assert len(told) == 6


def test_errors_are_counted_apart_and_bytes_by_what_was_done() -> None:
    ordered = order(1, burn_in=[0], surface=True, chunk=SIZE // 2)
    measured = measures_of(ordered)
    last = max(measured)
    measured[0] = {key: _with_errors(one, 3) for key, one in measured[0].items()}
    measured[last] = {key: _with_errors(one, 2) for key, one in measured[last].items()}
    found = figures.figures(ordered, measured)["ACT00"]
    assert (found.read_errors, found.wrong_blocks) == ((3, 0), (2, 2))
    assert (found.read_through, found.written) == ((SIZE, SIZE), (SIZE, SIZE))
    del measured[last]
    assert figures.figures(ordered, measured)["ACT00"].written == (SIZE // 2, SIZE // 2)


def _with_errors(one: reading.Measure, errors: int) -> reading.Measure:
    return reading.Measure(**{**one.__dict__, "errors": errors})


def test_the_recorded_files_are_what_the_capture_names() -> None:
    assert VERSIONS
    for version in VERSIONS:
        text = recorded(version, "written")
        assert json.loads(text[text.index("{\n") :])["fio version"] == f"fio-{version}"
    assert Path(DATA / "capture.sh").exists()
