#!/usr/bin/python
# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later

from __future__ import annotations

DOCUMENTATION = r"""
module: health_program
short_description: Installs the program of the health service, packed from this collection's own library
version_added: 0.1.0
author:
  - The evenkeel maintainers (@evenkeel)
description:
  - Packs the parts of this collection's library that the health service needs into one file that Python runs.
  - It is the same code, in the same version, that the modules of this collection run.
  - The role P(evenkeel.split_actuator.health_exporter#role) uses it and sets up the services around it.
extends_documentation_fragment:
  - evenkeel.split_actuator.attributes
options:
  path:
    description:
      - The path of the program. Its directory must exist.
      - The file is owned by root. Everybody may read and run it; it contains no secrets.
    type: path
    default: /usr/local/lib/evenkeel/health.pyz
"""

EXAMPLES = r"""
- name: Install the health service's program
  evenkeel.split_actuator.health_program:
  notify: Restart the health service
"""

RETURN = r"""
path:
  description: The path of the program.
  type: str
  returned: success
  sample: /usr/local/lib/evenkeel/health.pyz
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

from ansible_collections.evenkeel.split_actuator.plugins.module_utils import _face_service
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_program import install_program


def main() -> None:
    """Entry point."""
    install_program(_face_service, "/usr/local/lib/evenkeel/health.pyz")


if __name__ == "__main__":
    main()
