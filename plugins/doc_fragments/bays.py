# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Options of every module that looks for drives: how bays are told, what drives should show."""

from __future__ import annotations


class ModuleDocFragment:
    """Documentation fragment; its argument spec is C(DRIVE_ARGUMENTS) in the private C(_face_drives)."""

    DOCUMENTATION = r"""
options:
  bay_map:
    description:
      - How device paths map to bays, for a backplane without enclosure services. The first entry that matches counts.
    type: list
    elements: dict
    default: []
    suboptions:
      pattern:
        description:
          - A device path as udev gives it in C(ID_PATH), which is also the name of its link in C(/dev/disk/by-path).
          - C({name}) stands for a decimal number, where the name is made of lower-case letters.
          - C(*) stands for any text.
        type: str
        required: true
      bay:
        description:
          - The bay, in which C({name}) is the number of that name in O(bay_map[].pattern), and C({name+6}) or
            C({name-1}) the number shifted.
        type: str
        required: true
  bay_serials:
    description:
      - Bays by declaration, a dictionary of bay names and serial numbers.
      - It says where a drive should be. Nothing on the host confirms it.
    type: dict
    default: {}
  enclosures:
    description:
      - Names for enclosures, a dictionary of the ids in C(/sys/class/enclosure/*/id) and names such as V(west).
      - Where several enclosures have drives and none is named here, their names are made from their ids.
    type: dict
    default: {}
  bay_sources:
    description:
      - Which sources are asked for a drive's bay, in this order. The first that answers counts.
      - V(enclosure) is the slot that the drive's enclosure reports (SES), V(sas) what the SAS adapter or expander
        reports, V(map) is O(bay_map), V(serial) is O(bay_serials).
    type: list
    elements: str
    choices: [enclosure, sas, map, serial]
    default: [enclosure, sas, map, serial]
  unit_counts:
    description:
      - How many units a drive should show, a dictionary with serial numbers or models as keys.
      - A drive that is not named here should show as many as most drives of its model.
    type: dict
    default: {}
  ranges:
    description:
      - The independent access ranges of drives for which kernel and adapter report none, a dictionary with serial
        numbers as keys.
      - >-
        A value is either C({equal: 2}) for that many ranges of the same size, or the list of their sizes in bytes,
        which must add up to the drive's size.
      - What the kernel reports counts first. Nothing on the host confirms what is declared here.
      - A drive that M(evenkeel.split_actuator.unit_partition) has split is recognised without it.
    type: dict
    default: {}
"""
