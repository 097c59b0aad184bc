# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The README's picture of the report is what the code draws today, and well-formed."""

from xml.etree import ElementTree

from tests.tools.report_picture import PICTURE, draw


def test_the_picture_is_current() -> None:
    assert PICTURE.read_text(encoding="utf-8") == draw(), "outdated: python -m tests.tools.report_picture"


def test_the_picture_tells_what_the_page_tells() -> None:
    root = ElementTree.fromstring(draw())
    words = "".join(root.itertext())
    for part in ("ebb02", "Needs attention", "Visit bay07", "removed", "drive", "median"):
        assert part in words
    assert not [one for one in root.iter() if one.tag.endswith(("script", "image", "foreignObject"))]
