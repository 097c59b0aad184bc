# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Line plots as small SVG files that read in light and dark, with both axes logarithmic."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from math import ceil, floor, log10

WIDTH, HEIGHT = 640, 360
LEFT, RIGHT, TOP, BOTTOM = 64, 190, 40, 48
# reuse would take the words of a licence line in a string for this file's own.
HEADER = ("Copyright (c) 2026, The evenkeel maintainers", "SPDX-License-" + "Identifier: GPL-3.0-or-later")
DASHES = ("", "6 3", "2 3", "8 3 2 3", "1 5")


@dataclass(frozen=True)
class Line:
    """A named line of points (x, y), both above 0, by x."""

    name: str
    points: list[tuple[float, float]]


def plot(title: str, across: str, up: str, lines: list[Line]) -> str:
    """The picture. Lines differ in dashes and bear their names, so that no colour is needed to tell them apart."""
    xs = [x for line in lines for x, _y in line.points]
    ys = [y for line in lines for _x, y in line.points]
    low, high = floor(log10(min(ys))), ceil(log10(max(ys)))

    def at(x: float, y: float) -> tuple[float, float]:
        wide = (log10(x) - log10(min(xs))) / ((log10(max(xs)) - log10(min(xs))) or 1)
        tall = (log10(y) - low) / ((high - low) or 1)
        return (
            round(LEFT + wide * (WIDTH - LEFT - RIGHT), 1),
            round(HEIGHT - BOTTOM - tall * (HEIGHT - TOP - BOTTOM), 1),
        )

    parts = [
        *(f"<!-- {line} -->" for line in HEADER),
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img"'
            f' aria-label="{escape(title)}: {escape(up)} over {escape(across)}">'
        ),
        (
            "<style>text{font:12px sans-serif;fill:#222}.t{font-size:15px}.g{stroke:#bbb;fill:none}"
            ".l{stroke:#1b5e75;stroke-width:2;fill:none}"
            "@media(prefers-color-scheme:dark){text{fill:#ddd}.g{stroke:#555}.l{stroke:#7fc4dc}}</style>"
        ),
        f'<text class="t" x="{LEFT}" y="22">{escape(title)}</text>',
    ]
    for power in range(low, high + 1):
        _x, y = at(min(xs), 10.0**power)
        parts.append(f'<path class="g" d="M{LEFT} {y}H{WIDTH - RIGHT}"/>')
        parts.append(f'<text x="{LEFT - 8}" y="{y + 4}" text-anchor="end">{10.0**power:g}</text>')
    for x in sorted(set(xs)):
        place, base = at(x, 10.0**low)
        parts.append(f'<text x="{place}" y="{base + 18}" text-anchor="middle">{x:g}</text>')
    parts.append(
        f'<text x="{(WIDTH - RIGHT + LEFT) / 2:g}" y="{HEIGHT - 10}" text-anchor="middle">{escape(across)}</text>'
    )
    parts.append(f'<text x="14" y="{TOP - 6}">{escape(up)}</text>')
    for line, dash in zip(lines, DASHES, strict=False):
        points = " ".join("{},{}".format(*at(x, y)) for x, y in line.points)
        parts.append(f'<polyline class="l" stroke-dasharray="{dash}" points="{points}"/>')
        end, height = at(*line.points[-1])
        parts.append(f'<text x="{end + 8}" y="{height + 4}">{escape(line.name)}</text>')
    return "\n".join([*parts, "</svg>", ""])
