# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Pages from their data: Jinja2 with every value escaped, on the controller."""

from __future__ import annotations

import os
from typing import Any, Dict, Optional

import jinja2
import markupsafe

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.report.chassis import TONES
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.report.fleet import FleetPage
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.report.host_page import HostPage
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.report.plots import WIDTH
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.report.sheet import Sheet

from .codes import Code

TEMPLATES = os.path.join(os.path.dirname(__file__), "templates")


class Pages:
    """Renders pages; make it once for all of them."""

    def __init__(self) -> None:
        self._environment = jinja2.Environment(
            loader=jinja2.FileSystemLoader(TEMPLATES),
            autoescape=True,
            undefined=jinja2.StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            keep_trailing_newline=True,
        )
        self._environment.globals.update(tones=TONES, width=WIDTH)
        # The same on every page, and ours: rendered once, and not escaped again.
        self._environment.globals["style"] = markupsafe.Markup(self._render("style.css.j2"))  # noqa: S704

    def host(self, page: HostPage, fleet: str = "", labels: str = "") -> str:
        """A host's page; *fleet* and *labels* are the addresses of the pages that it links to."""
        return self._render("host.html.j2", page=page, fleet=fleet, labels=labels)

    def fleet(self, page: FleetPage, title: str) -> str:
        """The page of all hosts."""
        return self._render("fleet.html.j2", page=page, title=title)

    def labels(self, sheet: Sheet, codes: Optional[Dict[str, Code]], host_page: str) -> str:
        """A host's sheet of bay labels, with a code for each serial number unless there are none."""
        return self._render("labels.html.j2", sheet=sheet, codes=codes, host_page=host_page)

    def _render(self, name: str, **values: Any) -> str:
        return self._environment.get_template(name).render(**values)
