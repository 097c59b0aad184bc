# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Refuses a pool of untested drives where a trial is required. Pure."""

from __future__ import annotations

from typing import Dict, List, Sequence

from ..errors import Refusal
from ..model import Member
from .order import VERDICTS
from .results import Results


def refuse_untried(members: Sequence[Member], results: Results, require: str) -> None:
    """Refuses drives that had no trial, or whose verdict is worse than *require* (C(accept) or C(look))."""
    reasons = []
    wanted: Dict[str, List[Member]] = {}
    for member in members:
        wanted.setdefault(member.serial, []).append(member)
    for serial, units in sorted(wanted.items(), key=lambda one: (one[1][0].bay, one[0])):
        where = "{0} (serial {1})".format(units[0].bay or "bay unknown", serial)
        had = results.of(serial)
        if had is None:
            reasons.append("{0}: it has had no trial".format(where))
        elif max(member.index for member in units) >= len(had.alone):
            reasons.append("{0}: its trial covered {1} of its units".format(where, len(had.alone)))
        elif VERDICTS.index(had.verdict) > VERDICTS.index(require):
            reasons.append("{0}: {1}, {2}".format(where, had.verdict, "; ".join(had.reasons)))
    if reasons:
        raise Refusal(
            "Some drives of the layout have not passed the required trial ({0}); nothing was changed.".format(require),
            reasons,
            "Run the playbook trial and replace the drives that it rejects. To build anyway, relax require_trial.",
        )
