# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Generates docs/findings.md from the table in the code: C(python -m tests.unit.drift.findings_page)."""

from __future__ import annotations

import tests.checkout  # noqa: F401  pylint: disable=unused-import
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.drift.codes import AREAS, CODES
from tests.checkout import REPO

HEAD = """<!--
Copyright (c) 2026, The evenkeel maintainers
SPDX-License-Identifier: GPL-3.0-or-later
Generated from plugins/module_utils/_core/drift/codes.py by python -m tests.unit.drift.findings_page.
-->

# Findings

Every difference between the declaration and the host is a finding. The module `drift_info`, the playbook
[`drift`](drift.md), the drift runs on the host and the reports use the same codes. The meaning of a code never changes.

A finding has a `code`, a `severity`, its subject (`bay`, `serial` and, for a unit, `index`; `about` for everything
other than a drive), the `declared` and the `found` value, the time since when it has existed (`since`), and the
`remedy`.

* **error**: data is at risk, or a drive or unit cannot be used safely as it is.
* **warning**: the host is not as declared.
* **info**: worth knowing.

Where two severities are given, the text says which one applies. Before you touch a drive, remember that pulling it
removes both its units, and that [the usual cautions](safety.md) apply.
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
