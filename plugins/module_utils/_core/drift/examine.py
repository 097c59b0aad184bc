# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""From what was observed on a host and what is declared for it to the host's record. Pure."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from typing import Any, Dict, List, Mapping, Optional, Sequence, Tuple

from .. import onhost
from ..declared import DeclaredDrive, complete, merge
from ..errors import CoreError, HostError, PromiseError, Refusal
from ..health.memory import read_scrubs
from ..health.pools import read_scan
from ..host.discover import Found, Wanted, assemble
from ..host.run import Result
from ..host.sight import Sight
from ..layout.assign import plan
from ..layout.guarantee import sentences
from ..layout.policy import Policy
from ..model import Drive, Finding, Layout
from ..plain import from_plain, to_plain
from ..record import HostRecord, moment
from ..server_class import ServerClass
from ..version import VERSION
from ..zfs.pools import read_pools
from ..zfs.report import facts, margins
from ..zfs.resolve import Index, Pool, resolve
from ..zfs.support import Support, read_support
from ..zfs.tree import PoolTree, Scan
from . import history, hosts
from .accept import Acceptance, apply
from .codes import AREAS, CODES
from .compared import settings_of
from .inventory import inventory_findings
from .observe import POOL_ARGV, ROOT_ARGV, SERVICE_ARGV, VERSION_ARGV
from .placement import distance, layout_findings
from .pools import State, Wishes, absent_findings, pool_findings


@dataclass(frozen=True)
class Declaration:
    """All that is declared for a host. *pool* is C(split_actuator_pool), without a name where none is declared.

    *layout* is the planned layout where it is known, *earlier* the one that an earlier drift run used. *hostid*,
    *services* and *scrub_days* are not compared when empty or 0. *areas* selects the findings. *kind* is the class
    of the server (empty: derived from the declaration). *kept* says whether the inventory on the host is compared
    with this one.
    """

    host: str = ""
    drives: Tuple[DeclaredDrive, ...] = ()
    plain_drives: Mapping[str, Any] = field(default_factory=dict)
    about: ServerClass = field(default_factory=ServerClass)
    wanted: Wanted = field(default_factory=Wanted)
    discovery: Mapping[str, Any] = field(default_factory=dict)
    pool: Mapping[str, Any] = field(default_factory=dict)
    support: Tuple[str, ...] = ()
    layout: Optional[Layout] = None
    earlier: Optional[Layout] = None
    hostid: str = ""
    services: Tuple[str, ...] = ()
    scrub_days: float = 0
    accepted: Tuple[Acceptance, ...] = ()
    areas: Tuple[str, ...] = tuple(AREAS)
    kind: str = ""
    kept: bool = False

    @property
    def pool_name(self) -> str:
        """The declared pool's name; empty for none."""
        return str(self.pool.get("name", ""))


class Replay:
    """Answers commands as a host answered them. Raises HostError for a command that was not run there."""

    def __init__(self, answers: Sequence[Mapping[str, Any]]) -> None:
        self._answers = {tuple(one["argv"]): Result(one["rc"], one["out"], one["err"]) for one in answers}

    def __call__(self, argv: Sequence[str]) -> Result:
        """What the host answered."""
        result = self._answers.get(tuple(argv))
        if result is None:
            raise HostError("{0} was not run on the host".format(" ".join(argv)), subject="host")
        if result.rc == 127:
            raise HostError(result.stderr, subject="host")
        return result

    def beginning(self, start: Sequence[str]) -> str:
        """The output of the first command that begins with these words; empty without one."""
        found = [one for argv, one in self._answers.items() if argv[: len(start)] == tuple(start)]
        return found[0].stdout if found else ""


@dataclass(frozen=True)
class _Sorted:
    """What was observed, put in order."""

    found: Found
    drives: Tuple[Drive, ...]
    pools: Tuple[Pool, ...]
    trees: Dict[str, PoolTree]
    silence: str
    services: Dict[str, Dict[str, str]]
    properties: Dict[str, Dict[str, str]]
    roots: Dict[str, Dict[str, str]]
    tools: str


def examine(seen: Mapping[str, Any], wish: Declaration, earlier: Optional[HostRecord] = None) -> HostRecord:
    """The record of a host: what was observed (`observe`) against the declaration. Raises CoreError for what is not
    allowed.

    The state that scheduled drift runs keep on the host says since when a finding exists. On a host without it,
    *earlier* does: the controller's record of the last run.
    """
    know = _sort(seen, wish)
    layout = _layout(know, wish)
    pool = next((one for one in know.pools if one.name == wish.pool_name), None)
    if pool is None and not wish.pool_name and len(know.pools) == 1:
        pool = know.pools[0]
    state = _state(seen, earlier)
    scrubs = _scrubs(know, seen, state, earlier)
    findings = [*_inventory(know, seen, wish), *_host(know, seen, wish), *_pools(know, seen, wish, layout, scrubs)]
    at = moment(seen["at"])
    counting, accepted = apply(_wanted(findings, wish), wish.accepted, at[:10])
    after = history.advance(state, [*counting, *(one.finding for one in accepted)], at)
    guarantees = _guarantees(layout)
    return HostRecord(
        host=wish.host,
        checked_at=at,
        findings=history.dated(counting, after),
        accepted=tuple(replace(one, finding=history.dated([one.finding], after)[0]) for one in accepted),
        drives=tuple(to_plain(drive) for drive in know.found.drives),
        declared=dict(wish.plain_drives),
        bays=wish.about.bays or tuple(drive.bay for drive in wish.drives),
        layout=layout,
        guarantees=guarantees,
        pool=facts(pool) if pool is not None else None,
        margin=margins(pool).pool if pool is not None and not pool.suspended else None,
        settings=settings_of(seen, wish.kind or _kind(wish), know.found.drives, know.services, know.tools, pool,
                             know.properties, know.roots),
        history=after.events,
        trial=_trial(seen["files"].get("trial", "")),
        scrubs=scrubs,
    )  # fmt: skip


def _sort(seen: Mapping[str, Any], wish: Declaration) -> _Sorted:
    found = assemble(from_plain(Sight, seen["sight"], "sight"), wish.wanted)
    run = Replay(seen["commands"])
    trees: Tuple[PoolTree, ...] = ()
    silence = ""
    if seen["zfs"]:
        try:
            trees = read_pools(run)
        except CoreError as error:
            silence = str(error)
    elif wish.pool_name:
        silence = "the zfs kernel module is not loaded"
    index = Index(found.drives, wish.drives, seen.get("nodes", {}))
    return _Sorted(
        found=found,
        drives=complete(wish.drives, found.drives),
        pools=tuple(resolve(tree, index) for tree in trees),
        trees={tree.name: tree for tree in trees},
        silence=silence,
        services=hosts.read_services(run.beginning(SERVICE_ARGV)),
        properties=_table(run.beginning(POOL_ARGV)),
        roots=_table(run.beginning(ROOT_ARGV)),
        tools=next((line[4:] for line in run.beginning(VERSION_ARGV).splitlines() if line.startswith("zfs-")), ""),
    )


def _table(text: str) -> Dict[str, Dict[str, str]]:
    """Name, property and value in lines with tabs, by name."""
    found: Dict[str, Dict[str, str]] = {}
    for line in text.splitlines():
        words = line.split("\t")
        if len(words) >= 3:
            found.setdefault(words[0], {})[words[1]] = words[2]
    return found


def _layout(know: _Sorted, wish: Declaration) -> Optional[Layout]:
    """The layout that the pool should have: the given one, else the one that the declaration gives.

    A pool that has grown differs from the layout that its drives would get from scratch: the layout that an earlier
    run used stays. Of both, the one that is closer to the pool counts.
    """
    policy = wish.pool.get("policy")
    if wish.layout is not None or not policy or not any(drive.use == "data" for drive in wish.drives):
        return wish.layout
    pool = next((one for one in know.pools if one.name == wish.pool_name), None)
    earlier = _carried(wish.earlier, wish.drives)
    try:
        drives = merge(wish.drives, know.found.drives)
        rules = Policy.from_plain(_given(policy), "split_actuator_pool.policy")
        if earlier is not None and pool is not None and not distance(pool, earlier) and _whole(earlier, drives):
            return earlier
        choices = [plan(drives, rules)]
        if earlier is not None:
            choices.append(plan(drives, rules, earlier))
    except (PromiseError, Refusal):
        return earlier
    return min(choices, key=lambda one: distance(pool, one) if pool is not None else 0)


def _whole(layout: Layout, drives: Sequence[Drive]) -> bool:
    """Whether a layout contains every declared drive."""
    known = {one.serial for vdev in layout.vdevs for one in vdev.members}
    known |= {one.serial for one in layout.spares} | {one.member.serial for one in layout.unused}
    return {drive.serial for drive in drives} <= known


def _carried(layout: Optional[Layout], drives: Sequence[DeclaredDrive]) -> Optional[Layout]:
    """An earlier layout with the drives that are in its bays now; None when one of its bays is empty now."""
    if layout is None:
        return None
    there = {drive.bay: drive.serial for drive in drives if drive.use == "data"}
    members = [one for vdev in layout.vdevs for one in vdev.members]
    if any(one.bay not in there for one in members):
        return None
    return replace(
        layout,
        vdevs=tuple(
            replace(vdev, members=tuple(replace(one, serial=there[one.bay]) for one in vdev.members))
            for vdev in layout.vdevs
        ),
        spares=tuple(
            replace(
                spare,
                serial=there.get(spare.bay, spare.serial),
                members=tuple(replace(one, serial=there.get(one.bay, one.serial)) for one in spare.members),
            )
            for spare in layout.spares
        ),
        unused=tuple(one for one in layout.unused if one.member.serial in there.values()),
    )


def _given(options: Any) -> Any:
    # Ansible fills options that were left out with None.
    if not isinstance(options, Mapping):
        return options
    return {name: _given(value) for name, value in options.items() if value is not None}


def _inventory(know: _Sorted, seen: Mapping[str, Any], wish: Declaration) -> List[Finding]:
    support = [*wish.support, *(device for one in _support(wish) for device in one.devices)]
    found = list(inventory_findings(wish.drives, know.found, wish.about, support))
    files = seen["files"]
    rules, aliases = files.get("rules"), files.get("aliases")
    return found + hosts.name_findings(know.drives, seen["names"], know.found.drives, rules, aliases)


def _support(wish: Declaration) -> Tuple[Support, ...]:
    return read_support(wish.pool.get("support") or [], "split_actuator_pool.support")


def _host(know: _Sorted, seen: Mapping[str, Any], wish: Declaration) -> List[Finding]:
    found = hosts.identity_findings(seen["hostid"], seen["hostid_kept"], wish.hostid)
    found += hosts.service_findings(know.services, wish.services, seen["files"].get("health", ""))
    found += hosts.version_findings(know.tools, seen["module"], seen["programs"], VERSION)
    if wish.pool_name in [pool.name for pool in know.pools]:
        found += hosts.boot_findings(wish.pool_name, seen["cache"], know.services)
    if wish.kept:
        declared = onhost.Inventory(wish.host, wish.drives, wish.pool, wish.discovery, wish.about)
        found += hosts.kept_findings(seen["files"].get("inventory", ""), declared)
    return found


def _scrubs(
    know: _Sorted, seen: Mapping[str, Any], state: history.State, earlier: Optional[HostRecord]
) -> Dict[str, int]:
    """When a scrub last finished, by pool GUID: as the pool says now, or as was known before a resilver replaced it.

    The health service, the host's scheduled drift run and the controller's record remember it.
    """
    kept = [read_scrubs(seen["files"].get("scrubs", "")), state.scrubs, earlier.scrubs if earlier is not None else {}]
    found: Dict[str, int] = {}
    for pool in know.pools:
        scan = know.trees[pool.name].scan or Scan()
        ended = read_scan(scan).ended if scan.function == "scrub" and scan.state == "finished" else None
        known = [one for one in (ended, *(each.get(pool.guid) for each in kept)) if one is not None]
        if known:
            found[pool.guid] = max(known)
    return found


def _pools(
    know: _Sorted, seen: Mapping[str, Any], wish: Declaration, layout: Optional[Layout], scrubs: Mapping[str, int]
) -> List[Finding]:
    serials = [drive.serial for drive in wish.drives]
    found = absent_findings(wish.pool_name, know.pools, seen["states"], know.silence, serials)
    policy = Policy.from_plain(_given(wish.pool["policy"])) if wish.pool.get("policy") else None
    for pool in know.pools:
        ours = pool.name == wish.pool_name
        state = State(
            scan=know.trees[pool.name].scan or Scan(),
            last_scrub=scrubs.get(pool.guid),
            properties=know.properties.get(pool.name, {}),
            root=know.roots.get(pool.name, {}),
        )
        wishes = _wishes(wish) if ours else Wishes(scrub_days=wish.scrub_days)
        found += pool_findings(pool, state, wishes, seen["at"])
        found += layout_findings(
            pool, layout if ours else None, policy if ours else None, _support(wish) if ours else None
        )
    return found


def _wishes(wish: Declaration) -> Wishes:
    features = wish.pool.get("features") or ()
    return Wishes(
        scrub_days=wish.scrub_days,
        features=(features,) if isinstance(features, str) else tuple(map(str, features)),
        pool_settings=wish.pool.get("pool_settings") or {},
        root_settings=wish.pool.get("root_settings") or {},
    )


def _wanted(findings: Sequence[Finding], wish: Declaration) -> List[Finding]:
    kept = [one for one in findings if CODES[one.code].area in wish.areas]
    return sorted(kept, key=_order)


def _order(one: Finding) -> Tuple[Any, ...]:
    return (one.bay, one.serial, one.about, one.code, -1 if one.index is None else one.index, one.found)


def _state(seen: Mapping[str, Any], earlier: Optional[HostRecord]) -> history.State:
    text = seen["files"].get("state")
    if text is not None:
        return history.from_text(text)
    return history.from_record(earlier) if earlier is not None else history.State()


def _trial(text: str) -> Optional[Dict[str, Any]]:
    """The last trial's result as it is kept on the host; None without one that can be read."""
    try:
        data = json.loads(text) if text else None
    except ValueError:
        return None
    return data if isinstance(data, dict) else None


def _guarantees(layout: Optional[Layout]) -> Dict[str, Any]:
    if layout is None:
        return {}
    return {
        "drives": layout.survives_drives,
        "enclosures": layout.survives_enclosures,
        "sentences": list(sentences(layout)),
    }


def _kind(wish: Declaration) -> str:
    """The class of a server from its declaration: servers with the same pool, policy and bays are one class."""
    parts = [wish.pool_name, repr(sorted(_given(wish.pool.get("policy") or {}).items())), ",".join(wish.about.bays)]
    return "|".join(parts)
