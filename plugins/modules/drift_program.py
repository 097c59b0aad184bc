#!/usr/bin/python
# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later

from __future__ import annotations

DOCUMENTATION = r"""
module: drift_program
short_description: Installs the program of the scheduled drift run, packed from this collection's own library
version_added: 0.1.0
author:
  - The evenkeel maintainers (@evenkeel)
description:
  - Packs the parts of this collection's library that the scheduled drift run needs into one file that Python runs.
  - It is the same code, in the same version, that M(evenkeel.split_actuator.drift_info) runs.
  - The role P(evenkeel.split_actuator.drift_schedule#role) uses it and sets up the timer around it.
extends_documentation_fragment:
  - evenkeel.split_actuator.attributes
options:
  path:
    description:
      - The path of the program. Its directory must exist.
      - The file is owned by root. Everybody may read and run it; it contains no secrets.
    type: path
    default: /usr/local/lib/evenkeel/drift.pyz
"""

EXAMPLES = r"""
- name: Install the program of the scheduled drift run
  evenkeel.split_actuator.drift_program:
"""

RETURN = r"""
path:
  description: The path of the program.
  type: str
  returned: success
  sample: /usr/local/lib/evenkeel/drift.pyz
version:
  description: The version of the collection that it was packed from.
  type: str
  returned: success
  sample: 0.1.0
commands:
  description: The commands that were run; always empty.
  type: list
  elements: list
  returned: success
  sample: []
"""

from ansible_collections.evenkeel.split_actuator.plugins.module_utils import _face_drift_program
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_program import install_program


def main() -> None:
    """Entry point."""
    install_program(_face_drift_program, "/usr/local/lib/evenkeel/drift.pyz")


if __name__ == "__main__":
    main()
