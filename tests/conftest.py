# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Lets tests import the collection by its full name, and names a profile of Hypothesis."""

from hypothesis import HealthCheck, settings

import tests.checkout  # noqa: F401  pylint: disable=unused-import

# `make unit` uses the profile "ci" that Hypothesis brings: the same examples every time.
settings.register_profile("fuzz", max_examples=5_000, deadline=None, suppress_health_check=list(HealthCheck))
