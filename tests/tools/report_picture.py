# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Draws docs/pictures/report.svg, the README's picture of a host's page, from the page's own data.

`python -m tests.tools.report_picture` writes it; a test fails when it is outdated.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import jinja2

from tests.checkout import REPO
from tests.unit.report import records

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.report.host_page import (  # isort: skip
    HostPage,
    host_page,
)

PICTURE = REPO / "docs" / "pictures" / "report.svg"
WIDTH, LEFT, STEP, BAYS = 960, 32, 75, 196

TEMPLATE = Path(__file__).with_suffix(".svg.j2")


def draw() -> str:
    """The picture."""
    page: HostPage = host_page(records.pulled())
    assert page.trial is not None
    plot = page.trial.distributions[0]
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True)
    template = environment.from_string(TEMPLATE.read_text(encoding="utf-8"))
    height = round(BAYS + 378 + plot.height + 48)
    values = {"page": page, "plot": plot, "width": WIDTH, "height": height, "left": LEFT, "step": STEP, "top": BAYS}
    return "\n".join(_tidy(template.render(values))) + "\n"


def _tidy(text: str) -> Iterator[str]:
    return (line.rstrip() for line in text.splitlines() if line.strip())


def main() -> int:
    """Write the picture."""
    PICTURE.parent.mkdir(exist_ok=True)
    PICTURE.write_text(draw(), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
