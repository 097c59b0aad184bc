# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The report in a real browser (Chromium): nothing loaded, nothing on the console, no fault that axe-core finds.

`make browser`; EVENKEEL_SHOTS=FOLDER keeps a picture of every page.
"""

from __future__ import annotations

import base64
import os
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy
import pytest
import zxingcpp
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright

from ansible_collections.evenkeel.split_actuator.plugins.plugin_utils._report.report import Report, Request
from tests.unit.report import records
from tests.unit.report.test_pages import keep

CHROMIUM = shutil.which("chromium")
pytestmark = [
    pytest.mark.browser,
    # Under CI=true the layer fails when the browser is missing: see tests/tools/layers.py.
    pytest.mark.skipif(CHROMIUM is None and not os.environ.get("CI"), reason="chromium is not installed"),
]

NAMES = ["index", *(f"{folder}/ebb0{number}" for folder in ("hosts", "labels") for number in (1, 2, 3, 4))]
DESK, PHONE = (1280, 900), (390, 844)
VIEWS = [(DESK, "light"), (DESK, "dark"), (PHONE, "light"), (PHONE, "dark")]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("report")
    one, two, three, four = records.scenes()
    # Two servers with one host id, so that the section about what is between servers is looked at too.
    two, three = (replace(each, settings={**each.settings, "hostid": "00c0ffee"}) for each in (two, three))
    kept = keep(home / "records", one, two, three, four)
    Report(Request(str(kept), str(home / "pages"), expected=("ebb05",))).write(check_mode=False)
    return home / "pages"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as play:
        found = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield found
        found.close()


class Visit:
    """A page opened in a view, and what it said and loaded."""

    def __init__(self, browser: Browser, path: Path, size: tuple[int, int], scheme: str) -> None:
        self.said: list[str] = []
        self.loaded: list[str] = []
        self.page: Page = browser.new_page(
            viewport={"width": size[0], "height": size[1]},
            color_scheme="dark" if scheme == "dark" else "light",
        )
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("request", lambda request: self.loaded.append(request.url))
        self.page.goto(path.as_uri())


def keep_picture(page: Page, name: str) -> None:
    if os.environ.get("EVENKEEL_SHOTS"):
        page.screenshot(path=Path(os.environ["EVENKEEL_SHOTS"]) / f"{name.replace('/', '-')}.png", full_page=True)


@pytest.mark.parametrize("name", NAMES)
def test_a_page_is_accessible_and_silent_in_every_view(browser: Browser, folder: Path, name: str) -> None:
    for size, scheme in VIEWS:
        seen = Visit(browser, folder / f"{name}.html", size, scheme)
        found = Axe().run(seen.page)
        faults = [(one["id"], [node["target"] for node in one["nodes"]]) for one in found.response["violations"]]
        assert (faults, seen.said) == ([], []), (size, scheme)
        assert seen.loaded == [(folder / f"{name}.html").as_uri()]
        wider = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert seen.page.evaluate(wider) == 0, (size, scheme)
        keep_picture(seen.page, f"{name}-{size[0]}-{scheme}")
        seen.page.close()


def test_axe_finds_faults_where_there_are_some(browser: Browser) -> None:
    page = browser.new_page()
    page.set_content(
        "<title>x</title><main><h1>x</h1><img src='data:,'><p style='color:#888;background:#999'>pale text</p></main>"
    )
    found = {one["id"] for one in Axe().run(page).response["violations"]}
    assert {"image-alt", "color-contrast", "html-has-lang"} <= found
    page.close()


def test_scripts_cannot_run_even_if_one_got_in(browser: Browser, folder: Path, tmp_path: Path) -> None:
    text = (folder / "hosts" / "ebb01.html").read_text()
    (tmp_path / "x.html").write_text(text.replace("</main>", "<script>document.title = 'ran'</script></main>"))
    seen = Visit(browser, tmp_path / "x.html", DESK, "light")
    assert seen.page.title() == "ebb01: Sound"
    assert [line for line in seen.said if "Content Security Policy" in line]
    seen.page.close()


def test_everything_is_reached_by_keyboard(browser: Browser, folder: Path) -> None:
    seen = Visit(browser, folder / "hosts/ebb02.html", PHONE, "light")
    wanted = seen.page.evaluate("document.querySelectorAll('a[href], [tabindex]').length")
    reached = set()
    for _press in range(wanted + 2):
        seen.page.keyboard.press("Tab")
        place = "[...document.querySelectorAll('a[href], [tabindex]')].indexOf(document.activeElement)"
        reached.add(seen.page.evaluate(place))
    assert len(reached - {-1}) == wanted
    seen.page.close()


def test_codes_are_read_from_the_screen(browser: Browser, folder: Path) -> None:
    seen = Visit(browser, folder / "labels/ebb01.html", DESK, "dark")
    png = base64.b64encode(seen.page.locator(".label svg").nth(7).screenshot()).decode()
    # Another page decodes the picture, since the report's own allows neither scripts nor pictures.
    height, width, grey = browser.new_page().evaluate(
        """async (source) => {
            const image = new Image(); image.src = source; await image.decode();
            const canvas = document.createElement('canvas'); canvas.width = image.width; canvas.height = image.height;
            const context = canvas.getContext('2d'); context.drawImage(image, 0, 0);
            const data = context.getImageData(0, 0, image.width, image.height).data;
            const grey = []; for (let at = 0; at < data.length; at += 4) grey.push(data[at]);
            return [image.height, image.width, grey];
        }""",
        f"data:image/png;base64,{png}",
    )
    (read,) = zxingcpp.read_barcodes(numpy.array(grey, dtype=numpy.uint8).reshape(height, width))
    assert read.text == "ACS01007"
    seen.page.close()


def test_labels_fill_a4_sheets(browser: Browser, folder: Path) -> None:
    seen = Visit(browser, folder / "labels/ebb04.html", DESK, "light")
    seen.page.emulate_media(media="print")
    sizes = seen.page.evaluate(
        "[...document.querySelectorAll('.label')].map(one => [one.offsetWidth, one.offsetHeight, one.scrollHeight])"
    )
    millimetre = 96 / 25.4
    assert len(sizes) == 23
    for width, height, content in sizes:
        assert (width / millimetre, height / millimetre) == (pytest.approx(62, abs=0.3), pytest.approx(25, abs=0.3))
        assert content <= height
    seen.page.close()
