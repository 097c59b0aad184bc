# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The rendered pages, read by a strict HTML parser: valid, self-contained, and safe from what drives report."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy
import pytest
import zxingcpp
from justhtml import JustHTML

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core import record
from ansible_collections.evenkeel.split_actuator.plugins.plugin_utils._report import codes
from ansible_collections.evenkeel.split_actuator.plugins.plugin_utils._report.report import Report, Request
from tests.unit.report import records

HOSTILE = "\"'><script>alert(1)</script><img src=x onerror=alert(2)>&amp;{{ 7 * 7 }}\u202e"


def keep(folder: Path, *found: record.HostRecord) -> Path:
    """The records as files in *folder*."""
    folder.mkdir(exist_ok=True)
    for one in found:
        (folder / f"{one.host[:5]}.json").write_text(record.to_text(one))
    return folder


def pages_of(folder: Path, *found: record.HostRecord) -> dict[str, str]:
    return dict(Report(Request(str(keep(folder, *found)), "unused", expected=("ebb01", "ebb05"))).pages())


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    return pages_of(tmp_path_factory.mktemp("records"), *records.scenes())


def elements(text: str) -> list[Any]:
    """Every element. A parse error of the HTML standard raises."""

    def walk(node: Any) -> Iterator[Any]:
        for child in node.children or ():
            if not child.name.startswith(("#", "!")):
                yield child
            yield from walk(child)

    return list(walk(JustHTML(text, strict=True, sanitize=False).root))


def attributes(found: list[Any]) -> Iterator[tuple[str, str, str]]:
    for one in found:
        for name, value in (one.attrs or {}).items():
            yield one.name, name, value or ""


def test_the_parser_tells_faults() -> None:
    with pytest.raises(Exception, match=r"(?i)tag|unexpected"):
        elements("<!DOCTYPE html><title>x</title><p></b>")


def test_every_host_has_its_pages(pages: dict[str, str]) -> None:
    hosts = [f"{folder}/ebb0{n}.html" for n in (1, 2, 3, 4) for folder in ("hosts", "labels")]
    assert sorted(pages) == sorted([*hosts, "index.html"])


def test_pages_are_valid_html_with_one_heading_and_unique_ids(pages: dict[str, str]) -> None:
    for name, text in pages.items():
        found = elements(text)
        kinds = Counter(one.name for one in found)
        assert (kinds["h1"], kinds["main"]) == (1, 1), name
        assert kinds["title"] == 1 + kinds["figure"], name  # drawings have one too
        ids = Counter(value for _tag, attribute, value in attributes(found) if attribute == "id")
        assert max(ids.values()) == 1, (name, ids)
        targets = [value for _tag, attribute, value in attributes(found) if attribute == "aria-labelledby"]
        assert set(targets) <= set(ids), name


def test_pages_load_nothing_and_their_links_lead_somewhere(pages: dict[str, str]) -> None:
    for name, text in pages.items():
        found = elements(text)
        assert not {"script", "iframe", "object", "embed", "form", "img", "base"} & {one.name for one in found}
        ids = {value for _tag, attribute, value in attributes(found) if attribute == "id"}
        for tag, attribute, value in attributes(found):
            assert not attribute.startswith("on"), (name, tag)
            assert attribute not in ("src", "srcset", "style", "background"), (name, tag, attribute)
            if attribute != "href" or value == "data:,":
                continue
            if value.startswith("#"):
                assert value[1:] in ids, (name, value)
            else:
                assert str((Path("/") / name).parent.joinpath(value).resolve().relative_to("/")) in pages, (name, value)
        assert "default-src 'none'" in text
        assert "url(" not in text
        assert "@import" not in text


def poisoned(value: Any) -> Any:
    """The same data with every text that a drive, a host or a person may write replaced by markup."""
    if isinstance(value, dict):
        kept = ("bay", "name", "severity", "state", "kind", "group", "role", "event", "enclosure", "checked_at", "at")
        return {
            key: one if key in kept and not isinstance(one, dict | list) else poisoned(one)
            for key, one in value.items()
        }
    if isinstance(value, list):
        return [poisoned(one) for one in value]
    return HOSTILE if isinstance(value, str) else value


def test_no_text_of_a_record_becomes_markup(tmp_path: Path) -> None:
    for one in records.scenes():
        plain = record.to_data(one)
        keys = ("drives", "findings", "accepted", "history", "guarantees", "pool", "trial")
        bad = {**plain, **{key: poisoned(plain[key]) for key in keys}}
        bad["settings"] = {f"{name}{HOSTILE}": HOSTILE for name in plain["settings"]}
        bad["host"] = f"{one.host}{HOSTILE}"
        if one.pool is not None:
            bad["pool"]["name"] = HOSTILE
            for vdev in bad["pool"]["vdevs"]:
                vdev["name"] = vdev["state"] = HOSTILE
        made = pages_of(tmp_path / one.host, record.from_data(bad))
        assert len(made) == 3
        for name, text in made.items():
            found = elements(text)
            assert not {"script", "img"} & {each.name for each in found}, name
            assert not [each for each in attributes(found) if each[1].startswith("on")], name
            assert "<script" not in text
            # Escaped, and so shown as it is.
            if name != "index.html":
                assert "&lt;script&gt;" in text
            assert "49\u202e" not in text
            assert all(
                set(part) <= set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_.:-")
                for part in name.split("/")
            )


def test_a_code_reads_as_the_serial_number() -> None:
    # The reader is the library zxing-cpp, which has nothing in common with the writer.
    for serial in ("ACS00031", "7" * 20, "A.b_c:d-e", "X" * 64):
        code = codes.code(serial)
        side = code.side
        pixels = numpy.full((side, side), 255, dtype=numpy.uint8)
        for part in code.path.split("z")[:-1]:
            at, rest = part[1:].split("h", 1)
            x, y = map(int, at.split())
            pixels[y, x : x + int(rest.split("v")[0])] = 0
        (read,) = zxingcpp.read_barcodes(pixels.repeat(4, axis=0).repeat(4, axis=1))
        assert (read.text, read.format) == (serial, zxingcpp.BarcodeFormat.QRCode)


def test_labels_tell_bay_serial_and_units(pages: dict[str, str]) -> None:
    text = pages["labels/ebb02.html"]
    found = elements(text)
    told = [one.to_text() for one in found if one.name == "li"]
    assert len(told) == 12
    for part in ("ebb02", "bay07", "2007", "bay07.0 bay07.1"):
        assert part in told[7]
    assert len([one for one in found if one.name == "path"]) == 12


def test_labels_are_made_without_the_library_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(codes, "HAS_SEGNO", False)
    text = pages_of(tmp_path, records.healthy())["labels/ebb01.html"]
    assert "Without codes" in text
    assert "<path" not in text
    assert "bay07.1" in text


def test_colour_is_never_the_only_sign(pages: dict[str, str]) -> None:
    units = [one for one in elements(pages["hosts/ebb02.html"]) if "unit" in (one.attrs or {}).get("class", "").split()]
    assert len(units) == 24
    for one in units:
        words = one.to_text()
        state = one.attrs["class"].split()[1]
        assert ("removed" in words) == (state == "lost")
        assert ("errors" in words) == (state == "errors")
        # The vdev's letter is seen, and its name is read aloud.
        letter = "A" if "t0" in one.attrs["class"] else "B"
        assert f"raidz2-{'AB'.index(letter)}" in words
        assert letter in words


def test_the_page_says_what_to_do(pages: dict[str, str]) -> None:
    text = JustHTML(pages["hosts/ebb02.html"], sanitize=False).root.to_text()
    for part in (
        "now survives 1 drive failure; its layout is planned for 2",
        "Visit bay07, serial ACS02007: both units removed.",
        "Seat or replace the drive.",
        "Accepted until 2027-01-31: Update planned with the manufacturer",
        "Since 21 Nov 2026, 05:30 UTC",
        "Any 2 drives may fail at once",
        "median 242 MB/s",
        "its units together reach 52%",
    ):
        assert part in text, part


def test_the_fleet_page_names_who_is_silent_and_what_differs(pages: dict[str, str]) -> None:
    text = JustHTML(pages["index.html"], sanitize=False).root.to_text()
    assert "ebb05" in text
    assert "has no earlier record" in text
    assert "zfs-2.3.2-2" in text


def test_the_fleet_page_tells_what_is_between_servers(tmp_path: Path) -> None:
    one, two = records.healthy(), records.pulled()
    both = [replace(each, settings={**each.settings, "pool.guid": "77"}) for each in (one, two)]
    text = JustHTML(pages_of(tmp_path, *both)["index.html"], sanitize=False).root.to_text()
    for part in ("Across servers", "pool_shared", "ebb01: pool GUID 77", "77, also on ebb02", "Stop all writes now."):
        assert part in text, part


def test_a_record_of_another_form_does_not_stop_the_report(tmp_path: Path) -> None:
    broken = replace(records.pulled(), pool={"name": "archive"})
    (tmp_path / "ebb09.json").write_text("{")
    made = pages_of(tmp_path, records.healthy(), broken)
    assert sorted(made) == ["hosts/ebb01.html", "index.html", "labels/ebb01.html"]
    text = JustHTML(made["index.html"], sanitize=False).root.to_text()
    assert "ebb02.json" in text
    assert "ebb09.json" in text
