# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""A second survey: what it changes in the declared drives, and that it changes nothing else in their file."""

import copy
import difflib

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core import declared, survey, yaml_edit
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import InputError

NAME = declared.VARIABLE


def entry(serial, **more):
    number = int("".join(char for char in serial if char.isdigit()) or 0)
    wwns = ["naa.5000ace2{0:04x}{1:04x}".format(number, index) for index in (0, 1)]
    return {"serial": serial, "model": "ACTW-D9", "unit_count": 2, "unit_bytes": 9000, "wwns": wwns, **more}


def resurvey(text, found):
    """The text after a survey, as the module does it."""
    now = yaml_edit.read_variable(text, NAME)
    now = now if isinstance(now, dict) else {}
    return yaml_edit.edit(text, NAME, survey.changes(now, found))


PEOPLE_WROTE = """\
---
# ebb01, rack 4
split_actuator_drives:
  # the top row
  bay00:
    serial: ACS0001   # returned from its maker in spring
    model: 'ACTW-D9'
    wwns: [naa.5000ace200010000, naa.5000ace200010001]

  bay7: {serial: "ACS0007", unit_count: 2}
  # loud
  bay03:
      serial: "0042"
      unit_bytes: 9000
      wwns:
        - naa.5000ace2002a0000   # lower heads
        - naa.5000ace2002a0001
other: !vault |
  $ANSIBLE_VAULT;1.1;AES256
  6162
last: 1"""


def test_only_what_differs_is_touched():
    found = {
        "bay00": entry("ACS0009"),
        "bay01": entry("ACS0001"),
        "bay03": entry("0042"),
        "bay07": entry("ACS0007"),
    }
    changed = [
        line for line in difflib.ndiff(PEOPLE_WROTE.splitlines(), resurvey(PEOPLE_WROTE, found).splitlines())
        if line[0] in "+-"
    ]  # fmt: skip
    assert changed == [
        "-     serial: ACS0001   # returned from its maker in spring",
        "+     serial: ACS0009   # returned from its maker in spring",
        "-     wwns: [naa.5000ace200010000, naa.5000ace200010001]",
        "+     wwns: [naa.5000ace200090000, naa.5000ace200090001]",
        "+   bay01:",
        "+     serial: ACS0001",
        "+     model: ACTW-D9",
        "+     unit_count: 2",
        "+     unit_bytes: 9000",
        "+     wwns:",
        "+       - naa.5000ace200010000",
        "+       - naa.5000ace200010001",
    ]


def test_a_drive_that_moved_to_an_undeclared_bay_takes_its_entry_along():
    found = {"bay00": entry("ACS0001"), "bay07": entry("ACS0007"), "bay11": entry("0042")}
    assert resurvey(PEOPLE_WROTE, found) == PEOPLE_WROTE.replace("  bay03:\n", "  bay11:\n")


def test_two_drives_that_changed_places_change_serials():
    found = {"bay00": entry("ACS0007"), "bay07": entry("ACS0001"), "bay03": entry("0042")}
    text = resurvey(PEOPLE_WROTE, found)
    assert "serial: ACS0007   # returned" in text
    assert 'bay7: {serial: "ACS0001", unit_count: 2}' in text


def test_a_missing_drive_stays_declared_and_a_half_visible_one_keeps_its_units():
    found = {"bay07": entry("ACS0007", units=1, wwns=["naa.5000ace200070000"])}
    assert resurvey(PEOPLE_WROTE, found) == PEOPLE_WROTE


def test_an_entry_goes_when_its_drive_sits_in_the_bay_of_another():
    found = {"bay07": entry("ACS0001")}
    text = resurvey(PEOPLE_WROTE, found)
    assert yaml_edit.read_variable(text, NAME) == {
        "bay7": {"serial": "ACS0001", "unit_count": 2},
        "bay03": {"serial": "0042", "unit_bytes": 9000, "wwns": ["naa.5000ace2002a0000", "naa.5000ace2002a0001"]},
    }
    assert "# the top row" in text
    assert "# loud" in text


@pytest.mark.parametrize(
    "text",
    [
        "", "---\n", "# only a comment\n", "---\nother: 1", "---\nsplit_actuator_drives:\n",
        "split_actuator_drives: {}  # none yet\nother: 1\n", "split_actuator_drives: ~\n",
        "split_actuator_drives: {bay05: {serial: A5}}\n",
        "a: 1\r\nsplit_actuator_drives:\r\n  bay00:\r\n    serial: A0\r\n",
    ],
)  # fmt: skip
def test_found_drives_are_added_to_any_file(text):
    before = yaml_edit.read_variable(text, NAME) or {}
    found = {"bay02": entry("ACS0002"), **{bay: entry(one["serial"]) for bay, one in before.items()}}
    after = resurvey(text, found)
    assert yaml_edit.read_variable(after, NAME) == {**before, "bay02": entry("ACS0002")}
    for line in text.splitlines():
        if "bay05" not in line and "~" not in line and "{}" not in line:
            assert line in after.splitlines()
    assert ("\r\n" in text) == ("\r\n" in after)
    assert after.count("\n") == after.count("\r\n") or "\r" not in after


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("split_actuator_drives: '{{ elsewhere }}'\n", "dictionary"),
        ("base: &b {bay00: {serial: A0}}\nsplit_actuator_drives: *b\n", "alias"),
        ("base: &b\n  serial: A0\nsplit_actuator_drives:\n  bay00: *b\n", "alias"),
        ("base: &b {unit_count: 2}\nsplit_actuator_drives:\n  bay00:\n    <<: *b\n    serial: &s A0\n", "anchor"),
        ("{split_actuator_drives: {bay00: {serial: A0}}}\n", "one key on each line"),
        ("split_actuator_drives: [\n", "not valid YAML"),
        ("- 1\n", "not a dictionary"),
        ("split_actuator_drives:\n  bay00: {serial: 17}\n", "17"),
    ],
)
def test_what_cannot_be_edited_is_refused_with_the_reason(text, why):
    found = {"bay00": entry("ACS0002")}
    with pytest.raises(InputError) as caught:
        resurvey(text, found)
    assert why in str(caught.value)


def test_a_draft_reads_back_also_with_texts_that_yaml_would_take_for_something_else():
    entries = {
        "bay00": entry("ACS0001", model="0x10"),
        "bay01": entry("no", model="1e3", wwns=[]),
        "west-bay101": entry("12345", model="", use="other"),
    }
    text = yaml_edit.draft(NAME, "ebb01", entries)
    assert yaml.safe_load(text) == {NAME: entries}
    assert resurvey(text, entries) == text
    declared.read_drives(yaml.safe_load(text)[NAME])


# --- properties

BAYS = st.integers(0, 11)
COMMENT = st.sampled_from(["", "", "  # seen: {x} 'y' \"z\"", "   # bay01: no"])
LINE = st.sampled_from(["", "# ", "    # - naa.0", "  # bay02:", "#"])


@st.composite
def homes(draw):
    """Bay number to drive number."""
    numbers = draw(st.lists(BAYS, unique=True, max_size=7))
    return dict(zip(numbers, draw(st.permutations(range(20, 32))), strict=False))


def quoted(draw, text):
    return draw(st.sampled_from([text, "'{0}'".format(text), '"{0}"'.format(text)]))


@st.composite
def files(draw):
    """The text of a file somebody wrote, with the comments in it that stand on their own."""
    keys = st.lists(st.sampled_from(["model", "unit_count", "unit_bytes", "wwns"]), unique=True)
    lines = [*draw(st.lists(LINE, max_size=2)), "before: [1, 2]  # x", NAME + ":" + draw(COMMENT)]
    indent = draw(st.integers(1, 4))
    for slot, number in draw(homes()).items():
        full = entry("ACS{0:04d}".format(number))
        label = draw(st.sampled_from(["bay{0}", "bay{0:02d}"])).format(slot)
        some = {"serial": full["serial"], **{key: full[key] for key in draw(keys)}}
        if draw(st.booleans()):
            some = dict(reversed(list(some.items())))
        lines += draw(st.lists(LINE, max_size=2))
        if draw(st.integers(0, 3)) == 0:
            lines.append("{0}{1}: {2}{3}".format(" " * indent, label, yaml_edit.flow(some), draw(COMMENT)))
            continue
        lines.append("{0}{1}:{2}".format(" " * indent, label, draw(COMMENT)))
        for key, value in some.items():
            lead = " " * (indent + 2)
            if isinstance(value, list) and draw(st.booleans()):
                lines.append("{0}{1}:{2}".format(lead, key, draw(COMMENT)))
                lines += ["{0}- {1}{2}".format(lead, quoted(draw, item), draw(COMMENT)) for item in value]
            else:
                shown = quoted(draw, value) if isinstance(value, str) else yaml_edit.flow(value)
                lines.append("{0}{1}: {2}{3}".format(lead, key, shown, draw(COMMENT)))
    lines += draw(st.lists(LINE, max_size=2)) + draw(st.sampled_from([[], ["after: {a: b}  # y"]]))
    return "\n".join(lines) + draw(st.sampled_from(["", "\n"]))


@settings(deadline=None)
@given(files(), homes(), st.booleans())
def test_any_file_says_what_was_found_and_keeps_what_people_wrote(text, home, fewer):
    found = {}
    for slot, number in sorted(home.items()):
        serial = "ACS{0:04d}".format(number)
        found["bay{0:02d}".format(slot)] = entry(serial, **({"wwns": []} if fewer and number % 3 == 0 else {}))
    before = yaml.safe_load(text)
    untouched = copy.deepcopy(before[NAME])
    todo = survey.changes(before[NAME] or {}, found)
    after = yaml_edit.edit(text, NAME, todo)
    data = yaml.safe_load(after)
    # The result is allowed, says of every found drive where it sits, and forgets no drive that is away
    # unless another one sits in its bay.
    read = {one.serial: one.bay for one in declared.read_drives(data[NAME] or {})}
    for bay, one in found.items():
        assert read[one["serial"]] == bay
    for key, one in (untouched or {}).items():
        bay = "bay{0:02d}".format(int(key[3:]))
        if one["serial"] not in read:
            assert bay in found
            assert one["serial"] not in {other["serial"] for other in found.values()}
    # Nothing else is touched: other variables, and every comment but those inside an entry that went.
    assert {key: value for key, value in data.items() if key != NAME} == {
        key: value for key, value in before.items() if key != NAME
    }
    if not any(change.kind == "remove" or None in change.entry.values() for change in todo):
        comments = [line.partition("#")[2] for line in text.splitlines() if "#" in line]
        left = [line.partition("#")[2] for line in after.splitlines() if "#" in line]
        assert left == comments
    # As small as can be: no more lines go than values change, bays move and entries are removed.
    gone = [line for line in difflib.ndiff(text.splitlines(), after.splitlines()) if line.startswith("- ")]
    values = sum(
        len(value) if isinstance(value, list) else 1
        for one in todo
        if one.kind == "set"
        for value in one.entry.values()
    )
    bulky = any(one.kind == "remove" or None in one.entry.values() for one in todo)
    assert bulky or len(gone) <= values + sum(one.kind == "move" for one in todo)
    if not todo:
        assert after == text
    # A further survey of the same drives finds nothing to do.
    assert yaml_edit.edit(after, NAME, survey.changes(data[NAME] or {}, found)) == after


def test_sizes_of_unlike_units_are_written_as_a_list_and_read_back():
    text = "split_actuator_drives:\n  bay00:\n    serial: ACS0000\n    unit_bytes: 9000  # on the label\n"
    once = resurvey(text, {"bay00": entry("ACS0001", unit_bytes=[4000, 14000])})
    (drive,) = declared.read_drives(yaml.safe_load(once)[NAME])
    assert (drive.serial, drive.unit_bytes) == ("ACS0001", (4000, 14000))
    assert resurvey(once, {"bay00": entry("ACS0001", unit_bytes=[4000, 14000])}) == once
    assert "unit_bytes: [4000, 14000]  # on the label" in once
    assert resurvey(once, {"bay00": entry("ACS0002")}) == text.replace("ACS0000", "ACS0002")
    below = once.replace("[4000, 14000]  # on the label", " # on the label\n      - 4000\n      - 14000")
    assert resurvey(below, {"bay00": entry("ACS0002")}) == text.replace("ACS0000", "ACS0002")
