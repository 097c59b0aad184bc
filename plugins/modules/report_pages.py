#!/usr/bin/python
# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later

from __future__ import annotations

DOCUMENTATION = r"""
module: report_pages
short_description: Writes a report of servers as web pages that need no network and no script
version_added: 0.1.0
author:
  - The evenkeel maintainers (@evenkeel)
description:
  - Makes a page for each host from the records that the playbook C(check) keeps. It shows bays and units by vdev, the
    layout and what it guarantees, findings, history and trial results.
  - Makes a page for all hosts, ranked by margin, with what differs between servers that should be alike.
  - Makes a sheet of bay labels for each host, to print.
  - Each page is one file. It loads nothing, so that it can be sent by mail or put on any web server.
  - Works on the controller, whatever the host of the task is. No host is asked.
  - Pages are replaced only when their content changes. Pages of hosts that have no record any more are left there, but
    no page leads to them.
requirements:
  - Jinja2, which ansible-core brings
  - segno on the controller, for the codes on the bay labels. Without it, labels are made without codes.
extends_documentation_fragment:
  - evenkeel.split_actuator.attributes
attributes:
  check_mode:
    details:
      - No command is run.
  diff_mode:
    details:
      - The files that are new or that change are listed.
options:
  records:
    description: The folder with the records, one JSON file for each host.
    type: path
    required: true
  dest:
    description: The folder to write to. V(index.html) in it is the page of all hosts.
    type: path
    required: true
  title:
    description: What the page of all hosts is called.
    type: str
    default: Servers
  expected:
    description: Hosts that should have a record. Those that have none are named on the page of all hosts.
    type: list
    elements: str
    default: []
  labels:
    description: Whether to make bay labels. Their codes take most of the time when there are many hosts.
    type: bool
    default: true
  bays_in_row:
    description: How many bays stand in a row in the map of a chassis, V(0) for a number that divides them well.
    type: int
    default: 0
seealso:
  - module: evenkeel.split_actuator.drift_info
"""

EXAMPLES = r"""
- name: Write the report
  evenkeel.split_actuator.report_pages:
    records: "{{ inventory_dir }}/reports"
    dest: "{{ inventory_dir }}/reports/pages"
    title: Tide archive
    expected: "{{ groups['tide_archive'] }}"
  run_once: true
"""

RETURN = r"""
index:
  description: The page of all hosts.
  type: str
  returned: success
  sample: /srv/inventory/reports/pages/index.html
hosts:
  description: The hosts with a page.
  type: list
  elements: str
  returned: success
  sample: [ebb01, ebb02]
written:
  description: The files that were written, or in check mode would be.
  type: list
  elements: str
  returned: success
  sample: [/srv/inventory/reports/pages/hosts/ebb02.html]
unchanged:
  description: How many files were so already.
  type: int
  returned: success
  sample: 8
unreadable:
  description: Records that no page could be made of, and why.
  type: list
  elements: str
  returned: success
  sample: []
"""
