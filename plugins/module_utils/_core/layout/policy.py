# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The requirements for a layout: the policy that people write, and its validation."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Dict, Mapping, Optional, Sequence

from ..checks import choice, flag, mapping, whole
from ..errors import InputError

KINDS = ("raidz", "mirror", "draid")
PREFERENCES = ("capacity", "safety", "throughput")
DEFAULT_PARITY = 2
MIRROR_WIDTHS = (2, 3, 4)
WIDEST = 255  # OpenZFS: children of a dRAID vdev; also far beyond any sensible raidz

MIXED_SIZES = ("separate", "allow")

_ALLOWED = ("kind", "parity", "width", "spares", "survive", "prefer", "siblings", "mixed_sizes", "draid")
_SURVIVE = ("drives", "enclosures")
_DRAID = ("data", "spares")


@dataclass(frozen=True)
class Survive:
    """Promises: any *drives* whole drives may fail, and any *enclosures* whole enclosures."""

    drives: int = 1
    enclosures: int = 0


@dataclass(frozen=True)
class Policy:
    """The requirements for a layout. Make it with `from_plain`, or call `check` on it.

    *parity*: raidz and dRAID parity (1 to 3); for a mirror it follows from the width.
    *width*: members of a vdev; 0 chooses by *prefer*. *spares*: whole drives. *siblings*:
    a vdev may hold both units of a drive, and the guarantee is then computed from that.
    *mixed_sizes*: a vdev may hold units that differ by more than OpenZFS accepts without force.
    *draid_data*: data devices in each dRAID group (0 chooses); *draid_spares*: distributed spares
    of each dRAID vdev (None: those of the vdevs that exist, else none).
    """

    kind: str = "raidz"
    parity: int = DEFAULT_PARITY
    width: int = 0
    spares: int = 0
    survive: Survive = Survive()
    prefer: str = "capacity"
    siblings: bool = False
    mixed_sizes: bool = False
    draid_data: int = 0
    draid_spares: Optional[int] = None

    @classmethod
    def from_plain(cls, data: Any, where: str = "policy") -> Policy:
        """The policy in a plain dictionary. InputError names the field, its value and what is allowed."""
        mapping(data, _ALLOWED, where)
        survive = _part(data, "survive", _SURVIVE, where)
        draid = _part(data, "draid", _DRAID, where)
        kind = choice(data.get("kind", cls.kind), KINDS, where + ".kind")
        if kind == "mirror" and "parity" in data:
            raise InputError(
                "{0!r} given, but a mirror has none".format(data["parity"]),
                subject=where + ".parity",
                remedy="Leave it out and set width: a mirror of width n survives n - 1 member failures.",
            )
        if kind != "draid" and draid:
            raise InputError(
                "{0!r} given for kind {1}".format(dict(draid), kind), subject=where + ".draid", remedy="Use kind draid."
            )
        policy = cls(
            kind=kind,
            parity=whole(data.get("parity", DEFAULT_PARITY), 1, 3, where + ".parity"),
            width=whole(data.get("width", 0), 0, WIDEST, where + ".width"),
            spares=whole(data.get("spares", 0), 0, 1000, where + ".spares"),
            survive=Survive(
                whole(survive.get("drives", Survive.drives), 0, 3, where + ".survive.drives"),
                whole(survive.get("enclosures", Survive.enclosures), 0, 3, where + ".survive.enclosures"),
            ),
            prefer=choice(data.get("prefer", cls.prefer), PREFERENCES, where + ".prefer"),
            siblings=flag(data.get("siblings", False), where + ".siblings"),
            mixed_sizes=choice(data.get("mixed_sizes", "separate"), MIXED_SIZES, where + ".mixed_sizes") == "allow",
            draid_data=whole(draid.get("data", 0), 0, WIDEST, where + ".draid.data"),
            draid_spares=whole(draid["spares"], 0, 100, where + ".draid.spares") if "spares" in draid else None,
        )
        return policy.check(where)

    def to_plain(self) -> Dict[str, Any]:
        """The dictionary that `from_plain` takes."""
        plain: Dict[str, Any] = {
            "kind": self.kind,
            "width": self.width,
            "spares": self.spares,
            "survive": {"drives": self.survive.drives, "enclosures": self.survive.enclosures},
            "prefer": self.prefer,
            "siblings": self.siblings,
            "mixed_sizes": "allow" if self.mixed_sizes else "separate",
        }
        if self.kind != "mirror":
            plain["parity"] = self.parity
        if self.kind == "draid":
            plain["draid"] = {"data": self.draid_data}
            if self.draid_spares is not None:
                plain["draid"]["spares"] = self.draid_spares
        return plain

    def check(self, where: str = "policy") -> Policy:
        """Itself, when its fields fit together; InputError otherwise."""
        if self.kind == "mirror" and self.width not in (0, *MIRROR_WIDTHS):
            raise InputError(
                "{0} is not a width of a mirror".format(self.width),
                subject=where + ".width",
                remedy="Allowed: 2, 3, 4, or 0 to let the planner choose.",
            )
        if self.width and self.width < self.least_width:
            raise InputError(
                "{0} members are too few for {1}".format(self.width, self.words),
                subject=where + ".width",
                remedy="Allowed: {0} to {1}, or 0 to let the planner choose.".format(self.least_width, WIDEST),
            )
        return self

    @property
    def distributed(self) -> int:
        """Distributed spares of each dRAID vdev."""
        return self.draid_spares or 0

    @property
    def promised_width(self) -> int:
        """The narrowest vdev that keeps the promises: a mirror's tolerance comes with its width."""
        if self.kind == "mirror":
            return max(self.least_width, self.survive.drives + 1, self.survive.enclosures + 1)
        return self.least_width

    @property
    def least_width(self) -> int:
        """The narrowest vdev that stores anything."""
        if self.kind == "mirror":
            return 2
        if self.kind == "draid":
            return self.parity + max(1, self.draid_data) + self.distributed
        return self.parity + 1

    @property
    def tolerance(self) -> int:
        """Member failures that a vdev of this width survives."""
        return self.width - 1 if self.kind == "mirror" else self.parity

    @property
    def words(self) -> str:
        """The kind as people say it."""
        return self.kind if self.kind == "mirror" else "{0}{1}".format(self.kind, self.parity)

    def with_width(self, width: int) -> Policy:
        """The same policy with the width chosen."""
        return replace(self, width=width)

    def net_members(self, width: int) -> float:
        """Members' worth of data in a vdev of *width*, before what OpenZFS reserves for itself."""
        if self.kind == "mirror":
            return 1
        if self.kind == "draid":
            data = self.group_data(width)
            return (width - self.distributed) * data / (data + self.parity)
        return width - self.parity

    def group_data(self, width: int) -> int:
        """Data devices in each dRAID group: as set, else 8 (zpoolconcepts(7)), fewer in a narrow vdev."""
        return self.draid_data or max(1, min(8, width - self.distributed - self.parity))


def _part(data: Mapping[str, Any], name: str, allowed: Sequence[str], where: str) -> Mapping[str, Any]:
    part = data.get(name)
    return {} if part is None else mapping(part, allowed, "{0}.{1}".format(where, name))
