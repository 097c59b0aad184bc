# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""A plan as text for a terminal: where every unit goes, what that guarantees, and the alternatives."""

from __future__ import annotations

from collections import defaultdict
from typing import Dict, List, Mapping, Sequence, Tuple

from ..model import Bay, Layout, Member
from .alternatives import NO_SUCH_SET, SET_SIZES, Alternative, shape_of
from .capacity import Capacity
from .figure import ESTIMATE, Figure

LINE = 100
MOST_IN_ROW = 16  # units of higher numbers are shown with their numbers
SPARE, UNUSED, ABSENT = "s", "-", " "
TB = 10**12

Bays = Dict[str, Dict[int, str]]  # bay or serial -> unit index -> mark


def render(
    layout: Layout,
    guarantees: Sequence[str],
    capacity: Capacity,
    options: Sequence[Alternative],
    width: int = LINE,
    remarks: Sequence[str] = (),
) -> str:
    """The whole picture, at most about *width* columns wide (the table of alternatives needs 135)."""
    parts = [
        "{0}, {1} usable of {2}".format(shape_of(layout.vdevs), _bytes(capacity.usable), _bytes(capacity.raw)),
        bay_map(layout, width),
        "\n".join("  * " + sentence for sentence in guarantees),
    ]
    if remarks:
        parts.append("\n".join(remarks))
    if layout.unused:
        parts.append(_unused(layout))
    parts.append("Proven to be the best possible: {0}.\n  {1}".format(_proven(layout), layout.proof))
    if options:
        parts.append(table(options))
    return "\n\n".join(parts) + "\n"


def bay_map(layout: Layout, width: int = LINE) -> str:
    """Every bay with the vdev of each of its units, enclosure by enclosure."""
    marks = _marks(layout)
    cell = max(len(text) for units in marks.values() for text in units.values())
    homes: Dict[str, List[Tuple[int, str]]] = defaultdict(list)
    loose: List[str] = []
    for name, units in marks.items():
        text = _units(units, cell)
        if name.startswith("serial "):
            loose.append("{0} {1}".format(name, text))
        else:
            bay = Bay.parse(name)
            homes[bay.enclosure].append((bay.slot, text))
    lines = ["Bays, and the vdev of each unit (unit 0 / unit 1; {0} spare, {1} unused):".format(SPARE, UNUSED)]
    for home in sorted(homes):
        lines += _rows(home, sorted(homes[home]), width)
    return "\n".join(lines + ["  " + text for text in sorted(loose)])


def _units(units: Mapping[int, str], cell: int) -> str:
    if max(units) < MOST_IN_ROW:
        return "/".join(units.get(index, ABSENT).rjust(cell) for index in range(max(units) + 1))
    return "/".join("{0}:{1}".format(index, units[index].rjust(cell)) for index in sorted(units))


def _marks(layout: Layout) -> Bays:
    marks: Bays = defaultdict(dict)
    for number, vdev in enumerate(layout.vdevs):
        for member in vdev.members:
            marks[_where(member)][member.index] = str(number)
    for spare in layout.spares:
        for member in spare.members:
            marks[_where(member)][member.index] = SPARE
    for unused in layout.unused:
        marks[_where(unused.member)][unused.member.index] = UNUSED
    return marks


def _where(member: Member) -> str:
    return member.bay or "serial " + member.serial


def _rows(home: str, cells: Sequence[Tuple[int, str]], width: int) -> List[str]:
    digits = max(2, *(len(str(slot)) for slot, _text in cells))
    head = (home or "bay").rjust(8) + " "
    texts = ["{0:0{1}d} [{2}]".format(slot, digits, text) for slot, text in cells]
    each = max(len(text) for text in texts) + 2
    fitting = max(1, (width - len(head)) // each)
    # Rows of one length read best, then those of a round number of bays.
    whole = [n for n in range(2, fitting + 1) if len(texts) % n == 0 and n * 2 > fitting]
    per_row = whole[-1] if whole else next((n for n in (24, 20, 16, 12, 10, 8, 6, 5, 4, 3, 2) if n <= fitting), 1)
    return [
        (head if start == 0 else " " * len(head)) + "  ".join(texts[start : start + per_row])
        for start in range(0, len(texts), per_row)
    ]


def _unused(layout: Layout) -> str:
    reasons: Dict[str, List[str]] = defaultdict(list)
    for unused in layout.unused:
        reasons[unused.reason].append(unused.member.name)
    return "\n".join("Unused: {0}\n  {1}.".format(", ".join(names), reason) for reason, names in reasons.items())


def _proven(layout: Layout) -> str:
    return ", ".join(name.replace("_", " ") for name in layout.proven) or "nothing"


def table(options: Sequence[Alternative]) -> str:
    """The alternatives side by side; each column says how its numbers are made."""
    head = ("", "drives", "encl.", "units", *("{0} drives".format(size) for size in SET_SIZES))
    head += ("usable", "stream", "random", "resilver", "loss/yr")
    how = ("",) + ("may fail",) * 3 + ("fatal",) * len(SET_SIZES) + ("TB", "units", "units", "hours", "")
    made = ("basis:",) + ("exact",) * 9 + ("estimate", "estimate", "estimate", "model")
    rows = [head, how, made] + [_row(number, option) for number, option in enumerate(options)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(head))]
    lines = [
        "  ".join(text.ljust(wide) if not at else text.rjust(wide) for at, (text, wide) in enumerate(zip(row, widths)))
        for row in rows
    ]
    names = ["{0} {1}: {2}".format(_mark(n), option.shape, option.name) for n, option in enumerate(options)]
    verdicts = [line + (". " + option.verdict if option.verdict else "") for line, option in zip(names, options)]
    notes = [
        "may fail: how many may fail at once, whichever they are.",
        "fatal: share of all sets of 2, 3, ... drives of the chassis whose failure together loses the pool.",
        "stream, random: read speed, in multiples of that of one unit; {0}".format(_note(options, "stream_read")),
        "resilver: {0}".format(_note(options, "resilver")),
        "loss/yr: {0}".format(_note(options, "loss")),
    ]
    if any(option.figures["loss"].how == ESTIMATE for option in options):
        notes.append("~: an estimate; states of many failures at once were left out of the model.")
    return "\n".join(["Alternatives:", *verdicts, "", *lines, "", *notes])


def _note(options: Sequence[Alternative], name: str) -> str:
    return options[0].figures[name].note + "."


def _mark(number: int) -> str:
    return "[{0}]".format(number) if number else "[0] >"


def _row(number: int, option: Alternative) -> Tuple[str, ...]:
    values: Mapping[str, object] = {name: figure.value for name, figure in option.figures.items()}
    return (
        _mark(number),
        *(str(values[name]) for name in ("drives", "enclosures", "units")),
        *(_percent(option.figures["fatal_{0}".format(size)]) for size in SET_SIZES),
        _number(values["usable"], "{0:.1f}", TB),
        _number(values["stream_read"], "{0:.0f}"),
        _number(values["seek_read"], "{0:.0f}"),
        _number(values["resilver"], "{0:.0f}"),
        _number(values["loss"], "~{0:.0e}" if option.figures["loss"].how == ESTIMATE else "{0:.0e}"),
    )


def _number(value: object, form: str, scale: int = 1) -> str:
    return form.format(value / scale) if isinstance(value, (int, float)) else "?"


def _percent(share: Figure) -> str:
    if share.value is None:
        return "-" if share.note == NO_SUCH_SET else "?"
    if not share.value:
        return "none"
    return "{0:.2%}".format(share.value) if share.value >= 0.0001 else "<0.01%"


def _bytes(value: int) -> str:
    return "{0:.1f} TB ({1:.1f} TiB)".format(value / TB, value / (1 << 40))
