# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The attributes that the modules of this collection share.

Modules that act use C(evenkeel.split_actuator.attributes); modules that only read use
C(evenkeel.split_actuator.attributes.info); modules that only compute use C(evenkeel.split_actuator.attributes.pure).
"""

from __future__ import annotations


class ModuleDocFragment:
    """Documentation fragments with the attributes of modules."""

    DOCUMENTATION = r"""
options: {}
attributes:
  action_group:
    description: C(group/evenkeel.split_actuator.split_actuator) in C(module_defaults) sets defaults for this module.
    support: full
    membership:
      - evenkeel.split_actuator.split_actuator
  check_mode:
    description: With C(--check), says what would happen and leaves the host as it is.
    support: full
    details:
      - The commands that would be run are returned word for word.
  diff_mode:
    description: With C(--diff), shows the state before and after.
    support: full
  idempotent:
    description: A second run with the same options finds nothing left to do and reports no change.
    support: full
  platform:
    description: The systems on which the module is tested.
    support: full
    platforms: debian
"""

    INFO = r"""
options: {}
attributes:
  action_group:
    description: C(group/evenkeel.split_actuator.split_actuator) in C(module_defaults) sets defaults for this module.
    support: full
    membership:
      - evenkeel.split_actuator.split_actuator
  check_mode:
    description: With C(--check), says what would happen and leaves the host as it is.
    support: full
    details:
      - The module only reads. It does the same with and without C(--check).
  diff_mode:
    description: With C(--diff), shows the state before and after.
    support: N/A
    details:
      - The module never changes anything.
  idempotent:
    description: A second run with the same options finds nothing left to do and reports no change.
    support: full
    details:
      - The module never reports a change.
  platform:
    description: The systems on which the module is tested.
    support: full
    platforms: debian
"""

    PURE = r"""
options: {}
attributes:
  action_group:
    description: C(group/evenkeel.split_actuator.split_actuator) in C(module_defaults) sets defaults for this module.
    support: full
    membership:
      - evenkeel.split_actuator.split_actuator
  check_mode:
    description: With C(--check), says what would happen and leaves the host as it is.
    support: full
    details:
      - The module only computes. It does the same with and without C(--check).
  diff_mode:
    description: With C(--diff), shows the state before and after.
    support: N/A
    details:
      - The module never changes anything.
  idempotent:
    description: A second run with the same options finds nothing left to do and reports no change.
    support: full
    details:
      - The same input gives the same result, whatever its order.
  platform:
    description: The systems on which the module is tested.
    support: full
    platforms: posix
"""
