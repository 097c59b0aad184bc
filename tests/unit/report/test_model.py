# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""What the pages say: bays and units, standing, ranking, differences, and the drawings of a trial."""

from __future__ import annotations

import re
import statistics
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Finding
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.plain import to_plain
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.record import HostRecord
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.report import plots, words
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.report.chassis import BayCell, Places, maps
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.report.fleet import (
    differences,
    fleet_page,
    summary,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.report.host_page import host_page
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.trial.results import VERSION, from_data
from tests.unit.report import records


def cells(found: HostRecord) -> dict[str, BayCell]:
    return {bay.label: bay for one in maps(found, Places(found)) for bay in one.bays}


def told(cell: BayCell) -> list[tuple[str, str, str]]:
    return [(unit.mark, unit.state, unit.word) for unit in cell.units]


def test_units_of_a_drive_that_serves_stand_in_their_vdevs() -> None:
    found = cells(records.healthy())
    assert len(found) == 12
    for cell in found.values():
        assert told(cell) == [("A", "fine", ""), ("B", "fine", "")]
        assert (cell.word, cell.errors, cell.warnings) == ("", 0, 0)


def test_the_hosts_own_disk_does_not_count_as_a_drive_of_the_chassis() -> None:
    one = records.healthy()
    first = one.drives[0]
    system = {**first, "serial": "SYSTEM0", "bay": None, "units": first["units"][:1], "expected_units": 1}
    facts = dict(host_page(replace(one, drives=(*one.drives, system))).facts)
    assert (facts["Drives found"], facts["Drives declared"]) == ("12 with 24 units", "12")
    assert facts["Other drives"] == "1 (not declared, no bay)"
    assert "Other drives" not in dict(host_page(one).facts)


def test_a_declared_drive_counts_where_its_bay_is_not_known() -> None:
    one = records.healthy()
    unknown = tuple({**drive, "bay": None} for drive in one.drives)
    facts = dict(host_page(replace(one, drives=unknown)).facts)
    assert facts["Drives found"] == "12 with 24 units"
    assert "Other drives" not in facts


def test_what_is_not_as_it_should_be_has_a_word() -> None:
    found = cells(records.pulled())
    assert told(found["bay07"]) == [("A", "lost", "removed"), ("B", "lost", "removed")]
    assert (found["bay07"].word, found["bay07"].errors) == ("absent", 1)
    assert told(found["bay03"]) == [("A", "fine", ""), ("B", "errors", "errors")]
    assert (found["bay03"].word, found["bay03"].warnings) == ("", 1)
    assert told(cells(records.replacing())["bay04"]) == [
        ("A", "resilvering", "resilvering"),
        ("B", "resilvering", "resilvering"),
    ]


def test_without_a_pool_the_map_shows_the_plan() -> None:
    one = records.unbuilt()
    found = cells(one)
    assert [(home.name, len(home.bays), home.columns) for home in maps(one, Places(one))] == [
        ("east", 12, 12),
        ("west", 12, 12),
    ]
    spares = [label for label, cell in found.items() if told(cell) == [("S", "idle", "spare")] * 2]
    assert len(spares) == 1
    stranger = found["west-bay11"]
    assert (stranger.word, stranger.tail, told(stranger)) == ("not declared", "4999", [("", "idle", "unused")] * 2)
    assert host_page(one).planned
    empty = replace(one, drives=(), declared={}, layout=None, findings=())
    assert {(cell.word, cell.units) for cell in cells(empty).values()} == {("empty", ())}


def test_a_drive_in_a_bay_declared_for_another_is_told() -> None:
    one = records.healthy()
    drives = [dict(drive) for drive in one.drives]
    drives[2]["bay"], drives[5]["bay"] = drives[5]["bay"], drives[2]["bay"]
    found = cells(replace(one, drives=tuple(drives)))
    assert [(found[label].word, found[label].serial) for label in ("bay02", "bay05", "bay06")] == [
        ("another drive", "ACS01005"),
        ("another drive", "ACS01002"),
        ("", "ACS01006"),
    ]


def test_a_planned_drive_that_is_away_is_absent() -> None:
    one = replace(records.healthy(), pool=None, margin=None)
    away = cells(replace(one, drives=one.drives[1:]))["bay00"]
    assert (away.word, told(away)) == ("absent", [("A", "absent", "absent"), ("B", "absent", "absent")])


def test_rows_of_bays() -> None:
    one = records.record("x", records.drives_of(9, 24))
    assert [maps(one, Places(one), columns)[0].columns for columns in (0, 4)] == [12, 4]


INFO = (Finding("bays_unconfirmed", "info"),)
WARNING = (Finding("name_missing", "warning"),)


@pytest.mark.parametrize(
    ("changes", "standing", "sentence"),
    [
        ({}, "good", "The pool archive survives the failure of any 2 drives."),
        ({"findings": WARNING}, "watch", "The pool archive survives the failure of any 2 drives."),
        ({"findings": INFO}, "good", "The pool archive survives the failure of any 2 drives."),
        ({"margin": 1}, "watch", "The pool archive now survives 1 drive failure; its layout is planned for 2."),
        ({"margin": 0}, "bad", "The pool archive may lose data when the next drive fails."),
        ({"margin": -1}, "bad",
         "The pool archive cannot serve all its data: more members are missing than its parity covers."),
        ({"margin": None}, "bad", "How many drive failures the pool archive survives is not known."),
        ({"pool": None}, "watch", "No pool is imported."),
    ],
)  # fmt: skip
def test_the_standing_of_a_server(changes: dict, standing: str, sentence: str) -> None:
    one = replace(records.healthy(), **changes)
    assert (words.standing(one), words.verdict(one)) == (standing, sentence)


def test_a_suspended_pool_is_at_risk() -> None:
    one = records.healthy()
    assert one.pool is not None
    one = replace(one, pool={**one.pool, "suspended": True})
    assert words.standing(one) == "bad"
    assert "is suspended" in words.verdict(one)


def test_hosts_are_ranked_by_margin_then_findings_then_name() -> None:
    one = records.healthy()
    hosts = [
        replace(one, host="ebb10"),
        replace(one, host="ebb9"),
        replace(one, host="ebb8", findings=WARNING),
        replace(one, host="ebb7", margin=1),
        replace(one, host="ebb6", margin=None, pool=None),
        replace(one, host="ebb5", margin=0),
        replace(one, host="ebb4", margin=-1, checked_at="2026-11-20T05:30:00Z"),
    ]
    page = fleet_page([summary(host) for host in hosts], {"ebb3": "could not be read"})
    assert [row.host for row in page.rows] == ["ebb4", "ebb5", "ebb6", "ebb7", "ebb8", "ebb9", "ebb10"]
    assert [row.age for row in page.rows] == [4, 0, 0, 0, 0, 0, 0]
    assert page.margins == (("-1", 1), ("0", 1), ("not known", 1), ("1", 1), ("2", 3))
    assert page.standings == (("bad", "At risk", 2), ("watch", "Needs attention", 3), ("good", "Sound", 2))
    assert page.silent == (("ebb3", "could not be read"),)


def test_what_only_several_servers_show_is_told_and_counts() -> None:
    """One host id, one pool on two servers, and a drive that is declared for one and found in the other."""
    one, two, three = records.healthy(), records.unbuilt(), records.replacing()
    stray = one.drives[3]
    one = replace(one, drives=tuple(each for each in one.drives if each is not stray))
    two = replace(two, drives=(*two.drives, {**stray, "bay": {"slot": 9, "enclosure": "west"}}))
    same = {"hostid": "00c0ffee", "pool.guid": "77"}
    one, three = (replace(each, settings={**each.settings, **same}, findings=()) for each in (one, three))
    page = fleet_page([summary(each) for each in (one, two, three)], {})
    assert [(row.code, row.where, row.found) for row in page.between] == [
        ("drive_elsewhere", "ebb01: bay03 (serial ACS01003)", "in west-bay09 of ebb04"),
        ("hostid_shared", "ebb01: host id", "00c0ffee, also on ebb03"),
        ("pool_shared", "ebb01: pool GUID 77", "77, also on ebb03"),
        ("hostid_shared", "ebb03: host id", "00c0ffee, also on ebb01"),
        ("pool_shared", "ebb03: pool GUID 77", "77, also on ebb01"),
    ]
    assert all(row.severity == "error" and row.remedy for row in page.between)
    rows = {row.host: row for row in page.rows}
    assert (rows["ebb01"].errors, rows["ebb01"].standing) == (3, "watch")
    assert rows["ebb01"].codes == "drive_elsewhere, hostid_shared, pool_shared"
    assert (rows["ebb03"].errors, rows["ebb03"].codes) == (2, "hostid_shared, pool_shared")
    assert ("good", "Sound", 1) not in page.standings
    alone = fleet_page([summary(records.healthy())], {})
    assert alone.between == ()
    assert alone.standings == (("good", "Sound", 1),)


def test_differences_are_told_within_a_class() -> None:
    found = differences(
        {
            "ebb01": {"class": "tide", "kernel": "6.12", "hostid": "1"},
            "ebb02": {"class": "tide", "kernel": "6.12", "hostid": "2", "timer": "on"},
            "ebb03": {"class": "tide", "kernel": "6.1", "hostid": "3"},
            "ebb04": {"class": "dune", "kernel": "5.10", "hostid": "4"},
        }
    )
    assert [(one.server_class, one.name, one.choices) for one in found] == [
        ("tide", "kernel", (("6.12", ("ebb01", "ebb02")), ("6.1", ("ebb03",)))),
        ("tide", "timer", (("not set", ("ebb01", "ebb03")), ("on", ("ebb02",)))),
    ]


def test_letters_go_on_after_z() -> None:
    # As columns of a spreadsheet.
    assert [words.mark(n) for n in (0, 25, 26, 51, 52, 701, 702)] == ["A", "Z", "AA", "AZ", "BA", "ZZ", "AAA"]


@given(st.text(max_size=80))
def test_a_page_is_a_safe_file_name(host: str) -> None:
    assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_.:-]*\.html", words.file_name(host))


def places(shapes: tuple[plots.Shape, ...], looks: str) -> int:
    return sum(one.path.count("M") for one in shapes if one.look in looks.split(", "))


def test_the_distribution_has_a_dot_for_each_unit_and_the_median_of_all() -> None:
    drives = records.drives_of(1, 12)
    trial = records.trial(drives, 3, {drives[4].serial: "slow"})
    for kind, scale in (("sequential", 1e6), ("random", 1.0)):
        found = plots.distribution(trial, "ACTWO ACTW-D9", kind)
        assert found is not None
        assert places(found.shapes, "u0, u0 off") == places(found.shapes, "u1, u1 off") == 12
        assert places(found.shapes, "u0 off, u1 off") == 2
        speeds = [unit[kind] / scale for drive in trial["drives"] for unit in drive["alone"]]
        assert found.median is not None
        # Python's own median; and the place is interpolated between the marks of the scale.
        assert found.median.text.split()[0] == f"{statistics.median(speeds):.0f}"
        first, last = found.ticks[0], found.ticks[-1]
        share = (statistics.median(speeds) - float(first.text)) / (float(last.text) - float(first.text))
        assert found.median.x == pytest.approx(first.x + share * (last.x - first.x), abs=0.1)
        assert float(first.text) <= min(speeds) <= max(speeds) <= float(last.text)


def test_bars_show_units_end_to_end_and_what_they_reach_together() -> None:
    drives = records.drives_of(1, 3)
    trial = records.trial(drives, 3, {drives[1].serial: "shared"})
    found = plots.bars(trial, "ACTWO ACTW-D9", "sequential")
    assert found is not None
    assert [(row.label, row.verdict) for row in found.rows] == [
        ("bay00", "accept"), ("bay01", "reject"), ("bay02", "accept")
    ]  # fmt: skip
    zero, last = found.ticks[0], found.ticks[-1]

    def speed(x: float) -> float:
        return (x - zero.x) / (last.x - zero.x) * float(last.text) * 1e6

    shapes = {one.look: re.findall(r"M([0-9.]+) ([0-9.]+)(?:h([0-9.]+))?", one.path) for one in found.shapes}
    for number, drive in enumerate(trial["drives"]):
        x, _y, length = shapes["u1"][number]
        assert speed(float(x) + float(length) + 1) == pytest.approx(
            sum(u["sequential"] for u in drive["alone"]), rel=0.01
        )
        assert speed(float(shapes["both"][number][0])) == pytest.approx(drive["together"]["sequential"], rel=0.01)


def test_what_was_not_measured_is_not_drawn() -> None:
    trial = records.trial(records.drives_of(1, 2), 3)
    for drive in trial["drives"]:
        drive["alone"] = [{"sequential": None, "random": 100.0} for _unit in drive["alone"]]
        drive["together"] = {"sequential": None, "random": None}
        drive["independence"] = drive["evenness"] = {"sequential": None, "random": None}
    assert plots.distribution(trial, "ACTWO ACTW-D9", "sequential") is None
    assert plots.bars(trial, "ACTWO ACTW-D9", "sequential") is None
    page = host_page(replace(records.healthy(), trial=trial))
    assert page.trial is not None
    assert [one.kind for one in page.trial.bars] == ["random"]
    assert page.trial.rows[0].independence == "- / -"


@given(st.floats(0, 1e12), st.floats(0, 1e12))
def test_any_values_have_a_scale(least: float, span: float) -> None:
    axis = plots.Axis(least, least + span, 0, 700)
    ticks = axis.ticks()
    assert 2 <= len(ticks) <= 13
    assert ticks[0].x == 0
    assert ticks[-1].x == 700
    assert -0.1 <= axis.at(least) <= axis.at(least + span) <= 700.1


def test_since_is_told_by_the_finding_else_by_the_history() -> None:
    rows = {row.code: row for row in host_page(records.pulled()).findings}
    assert rows["member_errors"].since == "21 Nov 2026, 05:30 UTC"
    given_since = replace(records.pulled().findings[0], since="2026-11-01T00:00:00Z")
    (row,) = host_page(replace(records.pulled(), findings=(given_since,))).findings
    assert row.since == "1 Nov 2026, 00:00 UTC"


def test_trials_of_these_tests_have_the_form_that_trials_leave() -> None:
    made = records.trial(records.drives_of(1, 2), 3)
    for drive in made["drives"]:
        drive.setdefault("firmware", "0042")
    read = from_data({"version": VERSION, **made})
    assert read.drives[0].alone[0].sequential == made["drives"][0]["alone"][0]["sequential"]
    assert plots.distribution(to_plain(read), "ACTWO ACTW-D9", "random") is not None
