# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The lab: a virtual storage server with real Debian, real OpenZFS and drives of several units."""
