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
  - Writes a page for each host from the records that the playbook C(drift) keeps. It shows bays and units by vdev, the
    layout and its guarantees, findings, history and trial results.
  - Writes a page for all hosts, ranked by margin, with the differences between servers that should be alike.
  - Writes a sheet of bay labels for each host, to print.
  - Each page is one file that loads nothing. You can send it by mail or put it on any web server.
  - Runs on the controller, whatever the host of the task is. It contacts no host.
  - Replaces a page only when its content changes. Pages of hosts that no longer have a record stay in the folder, but
    no page links to them.
requirements:
  - Jinja2, which is installed with ansible-core
  - segno on the controller, for the codes on the bay labels. Without it, the labels have no codes.
extends_documentation_fragment:
  - evenkeel.split_actuator.attributes
attributes:
  check_mode:
    details:
      - No command is run.
  diff_mode:
    details:
      - Lists the files that are new or that change.
options:
  records:
    description: The folder with the records, one JSON file for each host.
    type: path
    required: true
  dest:
    description: The folder to write to. V(index.html) in it becomes the page of all hosts.
    type: path
    required: true
  title:
    description: The title of the page of all hosts.
    type: str
    default: Servers
  expected:
    description: Hosts that should have a record. The page of all hosts names those without one.
    type: list
    elements: str
    default: []
  labels:
    description: Whether to write bay labels. Their codes take most of the time when there are many hosts.
    type: bool
    default: true
  bays_in_row:
    description: Bays in a row of the chassis map. V(0) chooses a number that divides them well.
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
start_page:
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
  description: The files that were written, or would be in check mode.
  type: list
  elements: str
  returned: success
  sample: [/srv/inventory/reports/pages/hosts/ebb02.html]
unchanged:
  description: How many files were already up to date.
  type: int
  returned: success
  sample: 8
unreadable:
  description: Records that could not be turned into a page, and why.
  type: list
  elements: str
  returned: success
  sample: []
"""
