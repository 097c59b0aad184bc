# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Makes docs/findings.md of the code's own table: C(python -m tests.unit.drift.findings_page)."""

from __future__ import annotations

import tests.checkout  # noqa: F401  pylint: disable=unused-import
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.codes import AREAS, CODES
from tests.checkout import REPO

HEAD = """<!--
Copyright (c) 2026, The evenkeel maintainers
SPDX-License-Identifier: GPL-3.0-or-later
This page is made of plugins/module_utils/_core/drift/codes.py by python -m tests.unit.drift.findings_page.
-->

# Findings

Every difference between what is declared and what is found is a finding. `drift_info`, the playbook
[check](drift.md), the scheduled check and the reports use the same codes, and a code never changes its meaning.

A finding has a `code`, a `severity`, its subject (`bay`, `serial` and `index`, the unit, where it is about a drive;
`about` for everything else), what was `declared`, what was `found`, `since` when it has been there, and the `remedy`.

* **error**: data is at risk, or a drive or unit cannot be used safely as it is.
* **warning**: the host is not as declared.
* **info**: worth knowing.

Where two severities are given, the text says which applies. Before a drive is touched, remember that both its units
leave with it, and that [the usual cautions](safety.md) apply.
"""


def page() -> str:
    """The text of the page."""
    parts = [HEAD]
    for area, about in AREAS.items():
        parts += ["", f"## {area.capitalize()}: {about}", "", "| code | severity | what it means | what to do |",
                  "| --- | --- | --- | --- |"]  # fmt: skip
        parts += [
            f"| `{one.name}` | {', '.join(one.severities)} | {one.means} | {one.remedy} |"
            for one in CODES.values()
            if one.area == area
        ]
    return "\n".join(parts) + "\n"


if __name__ == "__main__":
    (REPO / "docs" / "findings.md").write_text(page(), encoding="utf-8")
