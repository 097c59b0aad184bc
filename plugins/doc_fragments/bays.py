# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Options of every module that looks for drives: the sources of bays, and what drives should show."""

from __future__ import annotations


class ModuleDocFragment:
    """Documentation fragment; its argument spec is C(DRIVE_ARGUMENTS) in the private C(_face_drives)."""

    DOCUMENTATION = r"""
options:
  bay_map:
    description:
      - Maps device paths to bays, for a backplane without enclosure services. The first entry that matches counts.
    type: list
    elements: dict
    default: []
    suboptions:
      pattern:
        description:
          - A device path as udev gives it in C(ID_PATH), which is also the name of its link in C(/dev/disk/by-path).
          - C({name}) matches a decimal number; the name consists of lower-case letters.
          - C(*) matches any text.
        type: str
        required: true
      bay:
        description:
          - The bay. C({name}) is replaced by the number of that name in O(bay_map[].pattern), C({name+6}) and
            C({name-1}) by that number plus 6 and minus 1.
        type: str
        required: true
  bay_serials:
    description:
      - Declared bays, a dictionary with bay names as keys and serial numbers as values.
      - It says where a drive should be. Nothing on the host confirms it.
    type: dict
    default: {}
  enclosures:
    description:
      - Names for enclosures, a dictionary with the ids in C(/sys/class/enclosure/*/id) as keys and names such as
        V(west) as values.
      - If several enclosures have drives and none is named here, their names are made from their ids.
    type: dict
    default: {}
  bay_sources:
    description:
      - The sources for a drive's bay, in this order. The first source that reports a bay counts.
      - V(enclosure) is the slot that the drive's enclosure reports (SES), V(sas) is the bay that the SAS adapter or
        expander reports, V(map) is O(bay_map), V(serial) is O(bay_serials).
    type: list
    elements: str
    choices: [enclosure, sas, map, serial]
    default: [enclosure, sas, map, serial]
  unit_counts:
    description:
      - How many units a drive should show, a dictionary with serial numbers or models as keys.
      - A drive that is not listed here should show as many as most drives of its model.
    type: dict
    default: {}
  ranges:
    description:
      - The concurrent positioning ranges of drives for which kernel and adapter report none, a dictionary with serial
        numbers as keys.
      - >-
        A value is either C({equal: 2}) for 2 ranges of the same size, or a list of their sizes in bytes, which must add
        up to the drive's size.
      - Ranges that the kernel reports have priority. Nothing on the host confirms what is declared here.
      - A drive that M(evenkeel.split_actuator.unit_partition) has partitioned is recognised without this option.
    type: dict
    default: {}
"""
