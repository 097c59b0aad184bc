# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Faults put into every stage of the jobs on the virtual server, and what came of it."""
