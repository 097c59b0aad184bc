# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""One case from `chassis` judged: planned by the library, looked at by `audit` and `brute`.

A fault is a line "kind: what". Kinds beside those of `audit`: traceback, slow, input (refused as
wrong input), order (of the drives changes the layout), impossible (refused though possible), remedy
(named, and does not do), proven (called the best, and is not), lame (spares too small though others
do), siblings (shared for no gain), brute (better than the brute force says is possible).
"""

from __future__ import annotations

import re
import signal
import time
import traceback
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from itertools import count

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import InputError, PromiseError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.assign import plan
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.policy import Policy
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Drive, Layout, Member, Vdev
from tests.unit.layout import audit
from tests.unit.layout.audit import FUZZ, Key, key, worst
from tests.unit.layout.brute import Brute, one_vdev
from tests.unit.layout.chassis import Case, Part

SECONDS = 5.0  # processor time of one plan; issue: 3 s for any 100 drives, and these are 40 at most
MOST_SECONDS = 30.0
MOST_STEPS = 20000
MORE_DRIVES = (
    r"(\d+) more (?:such )?drives?(?: like [^ ]*(?:bay unknown)? ?\(serial (\w+)\))?"
    r"(?: spread over the enclosures that hold fewest)?"
)


class _Slow(BaseException):
    """Out of time; no `except Exception` swallows it."""


def judge(case: Case) -> list[str]:
    """All faults of a case; none when there is nothing to plan."""
    placed = None
    if case.before is not None:
        try:
            placed = plan(case.first_drives, case.before)
        except (InputError, PromiseError):
            return []
    drives = case.drives
    began = time.process_time()
    try:
        with _limited():
            layout = plan(drives, case.policy, placed)
    except PromiseError as error:
        return refused(drives, case, placed, error)
    except InputError as error:
        expected = case.policy.survive.enclosures and any(drive.bay is None for drive in drives)
        return [] if expected else [f"input: {error}"]
    except _Slow:
        return [f"slow: more than {MOST_SECONDS} s"]
    except Exception as error:  # noqa: BLE001  whatever it is, it is the fault that is looked for
        return [f"traceback: {error!r} at {traceback.format_tb(error.__traceback__)[-1].strip()}"]
    took = time.process_time() - began
    found = [f"slow: {took:.1f} s"] if took > SECONDS else []
    found += audit.faults(drives, case.policy, layout, placed)
    if plan(drives[::-1], case.policy, placed) != layout:
        found.append("order: the drives in another order give another layout")
    # A layout that breaks a rule may well store more than those that keep it.
    return found if found or not case.small else compared(drives, case.policy, layout, placed)


@contextmanager
def _limited() -> Iterator[None]:
    def stop(*_given: object) -> None:
        raise _Slow

    before = signal.signal(signal.SIGVTALRM, stop)
    signal.setitimer(signal.ITIMER_VIRTUAL, MOST_SECONDS)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, before)


def kinds(found: Sequence[str]) -> set[str]:
    """The kinds of faults."""
    return {fault.split(":")[0] for fault in found}


def shrunk(case: Case, kind: str) -> Case:
    """The case with as few drives as still show the kind of fault."""
    for number in sorted({part.number for part in (*case.parts, *case.gone)}, reverse=True):
        fewer = case.without(number)
        if fewer.parts and (fewer.before is None or fewer.first) and kind in kinds(judge(fewer)):
            case = fewer
    return case


# Refusals


def refused(drives: Sequence[Drive], case: Case, placed: Layout | None, error: PromiseError) -> list[str]:
    """Faults of a refusal: it would have been possible, or a remedy does not do."""
    policy = case.policy
    if placed is None:
        way = fresh_way(drives, policy, case.small)
        return [f"impossible: {way}; said: {error}"] if way else remedies(case, error)
    way = repair_way(drives, policy, placed)
    return [f"impossible: {way}; said: {error}"] if way else _smaller_promise(drives, policy, placed, error)


def _smaller_promise(drives: Sequence[Drive], policy: Policy, placed: Layout, error: PromiseError) -> list[str]:
    named = re.findall(r"(survive\.(?:drives|enclosures) \d+)", error.remedy)
    if not named or "may need" in error.remedy:
        return []
    for words in named:
        policy = changed(policy, *_named(words))
    try:
        plan(drives, policy, placed)
    except (InputError, PromiseError) as again:
        return [f"remedy: {named!r} does not do; said: {error}; then: {again}"]
    return []


def _named(words: str) -> tuple[str, int]:
    name, value = words.split()
    return name, int(value)


def fresh_way(drives: Sequence[Drive], policy: Policy, small: bool) -> str:
    """Words for a layout that keeps the promises; empty when there is none, or it is not known."""
    width = 0
    if small:
        width = Brute(drives, policy).possible(policy.spares)
    elif not policy.siblings:
        width = one_vdev(drives, policy)
    return f"there is a vdev of width {width} beside {policy.spares} spares" if width else ""


def repair_way(drives: Sequence[Drive], policy: Policy, placed: Layout) -> str:
    """Words for units that can take the empty places; empty when there are none, or it is not known."""
    there = {(drive.serial, unit.index): unit.size for drive in drives for unit in drive.units}
    serves = {key(member) for vdev in placed.vdevs for member in vdev.members}
    serves |= {key(m) for spare in placed.spares for m in spare.members if all(key(m) in there for m in spare.members)}
    free = [unit for unit in sorted(there) if unit not in serves]
    homes = audit.homes_of(drives)
    vdevs = [[key(member) if key(member) in there else None for member in vdev.members] for vdev in placed.vdevs]
    least = [min(member.size for member in vdev.members) for vdev in placed.vdevs]
    places = [(number, at) for number, vdev in enumerate(vdevs) for at, unit in enumerate(vdev) if unit is None]
    steps = count()

    def stands(number: int) -> bool:
        serials = [unit[0] for unit in vdevs[number] if unit is not None]
        parity = placed.vdevs[number].parity
        return (
            worst(serials, 1) <= (max(1, parity) if policy.siblings else 1)
            and worst(serials, policy.survive.drives) <= parity
            and worst([homes[serial] for serial in serials], policy.survive.enclosures) <= parity
        )

    def fill(step: int, used: frozenset[Key]) -> bool:
        if step == len(places):
            return True
        number, at = places[step]
        for unit in free:
            if unit not in used and there[unit] >= least[number] and next(steps) < MOST_STEPS:
                vdevs[number][at] = unit
                if stands(number) and fill(step + 1, used | {unit}):
                    return True
                vdevs[number][at] = None
        return False

    if all(stands(number) for number in range(len(vdevs))) and fill(0, frozenset()):
        return f"{len(places)} empty places, filled: {[vdevs[number][at] for number, at in places]}"
    return ""


# Remedies


def remedies(case: Case, error: PromiseError) -> list[str]:
    """Remedies of "It works with X, or Y." that do not help when tried alone; "may need" says that more may be."""
    if error.remedy == "Add drives, or ask for fewer spares.":
        return []  # names no number
    if not error.remedy.startswith("It works with "):
        return [] if "may need" in error.remedy or not error.remedy else [f"remedy: not understood: {error.remedy}"]
    found = []
    for words in error.remedy.removeprefix("It works with ").rstrip(".").split(", or "):
        words = words.split(": a spare must")[0].strip()
        tries = list(applied(case, words))
        if not tries:
            found.append(f"remedy: not understood: {words!r} in {error}")
        elif not any(_plans(parts, policy) for parts, policy in tries):
            found.append(f"remedy: {words!r} does not do; said: {error}")
    return found


def _plans(parts: Sequence[Part], policy: Policy) -> bool:
    try:
        with _limited():
            plan([part.drive for part in parts], policy)
    except (InputError, PromiseError, _Slow):
        return False
    return True


def applied(case: Case, words: str) -> Iterator[tuple[tuple[Part, ...], Policy]]:
    """What the words of a remedy may mean: drives are added of any kind that is there; nothing when not understood."""
    match = re.fullmatch(r"(width|parity|survive\.drives|survive\.enclosures|spares) (\d+)", words)
    if match:
        try:
            yield case.parts, changed(case.policy, match[1], int(match[2]))
        except InputError:
            yield (), case.policy  # no such policy: nothing that could be planned
        return
    if words == "mixed_sizes: allow":
        yield case.parts, replace(case.policy, mixed_sizes=True)
        return
    match = re.fullmatch(MORE_DRIVES, words)
    if match:
        for sizes in sorted({part.sizes for part in case.parts if match[2] in (None, f"ACS{part.number:05d}")}):
            yield _more_drives(case.parts, int(match[1]), sizes), case.policy
        return
    match = re.fullmatch(r"(\d+) enclosures with at least (\d+) drives? each", words)
    if match:
        for sizes in sorted({part.sizes for part in case.parts}):
            for topped in (False, True):
                yield _more_homes(case.parts, int(match[1]), int(match[2]), sizes, topped), case.policy


def changed(policy: Policy, name: str, value: int) -> Policy:
    """The policy with one value changed, as a person would."""
    plain = policy.to_plain()
    *outer, last = name.split(".")
    (plain[outer[0]] if outer else plain)[last] = value
    return Policy.from_plain(plain)


def _more_drives(parts: Sequence[Part], many: int, sizes: tuple[int, ...]) -> tuple[Part, ...]:
    grown = list(parts)
    for number in range(500, 500 + many):
        homes = Counter(part.enclosure for part in grown)
        home = min(sorted(homes), key=lambda name: homes[name])
        grown.append(Part(number, home, sizes, parts[0].bay))
    return tuple(grown)


def _more_homes(parts: Sequence[Part], homes: int, each: int, sizes: tuple[int, ...], topped: bool) -> tuple[Part, ...]:
    grown = list(parts)
    number = count(500)
    there = Counter(part.enclosure for part in parts)
    names = [*there, *(f"new{n}" for n in range(homes - len(there)))]
    for name in names:
        if topped or name not in there:
            grown += [Part(next(number), name, sizes) for _one in range(each - there[name])]
    return tuple(grown)


# The best


def compared(drives: Sequence[Drive], policy: Policy, layout: Layout, placed: Layout | None) -> list[str]:
    """What is called proven beside the best that there is."""
    if not layout.vdevs:
        return []
    old = len(placed.vdevs) if placed else 0
    new = layout.vdevs[old:]
    kept = {spare.serial for spare in placed.spares} if placed else set()
    held = {key(member) for vdev in layout.vdevs[:old] for member in vdev.members}
    held |= {key(m) for spare in layout.spares if spare.serial in kept for m in spare.members}
    free = frozenset((d.serial, unit.index) for d in drives for unit in d.units) - held
    spares = [spare for spare in layout.spares if spare.serial not in kept]
    still = tuple(spare for spare in layout.spares if spare.serial in kept)
    width = len(layout.vdevs[0].members)
    rule = replace(policy, width=width)
    shared = any(len({m.serial for m in vdev.members}) < width for vdev in new)
    capacity = sum(min(member.size for member in vdev.members) for vdev in new)
    slack = 0 if policy.mixed_sizes else FUZZ * width * max(1, len(new))
    lame = not all(stands_in([m.size for m in spare.members], new) for spare in spares)
    if placed and policy.spares and audit.has_spares(replace(layout, vdevs=layout.vdevs[:old], spares=still)):
        return _grown_beside(Brute(drives, rule, free), layout, capacity, slack, len(spares))
    best = Brute(drives, rule, free).best(width, len(spares))
    found = []
    if lame and best.capacity > 0:
        found.append(f"lame: spares too small for a vdev, though others make {best.capacity}")
    most = best.lame if lame else best.capacity
    if "capacity" in layout.proven and most > capacity + slack:
        found.append(f"proven: capacity {capacity} of width {width}, possible {most}")
    if best.lame < capacity:
        found.append(f"brute: capacity {capacity}, the brute force finds {best.lame}")
    if placed is None and not shared and not lame and "capacity" in layout.proven:
        found += _finer(drives, replace(rule, siblings=False), layout, capacity, policy.siblings)
    if placed is None and shared and not lame and best.capacity:
        apart = Brute(drives, replace(rule, siblings=False), free).best(width, len(spares))
        if apart.capacity >= capacity + slack:
            found.append(f"siblings: shared for no gain: {capacity}, apart {apart.capacity}")
    return found


def _grown_beside(brute: Brute, layout: Layout, capacity: int, slack: int, spares: int) -> list[str]:
    """Growth where the kept spares and the new ones share the drives between them; `audit` looks at those."""
    width = len(layout.vdevs[0].members)
    most = brute.best(width, 0).lame
    found = [] if most >= capacity else [f"brute: capacity {capacity}, the brute force finds {most}"]
    possible = brute.best(width, spares).capacity if spares else most
    if "capacity" in layout.proven and possible > capacity + slack:
        found.append(f"proven: capacity {capacity} of width {width}, possible {possible}")
    return found


def stands_in(spare: Sequence[int], vdevs: Sequence[Vdev]) -> bool:
    """Whether a spare drive's units do for every drive's places, each at least as large as its vdev counts on."""
    wanted: dict[str, list[int]] = {}
    for vdev in vdevs:
        for member in vdev.members:
            wanted.setdefault(member.serial, []).append(min(other.size for other in vdev.members))
    large = sorted(spare, reverse=True)
    return all(
        len(places) <= len(large)
        and all(have >= need for have, need in zip(large, sorted(places, reverse=True), strict=False))
        for places in wanted.values()
    )


def _finer(drives: Sequence[Drive], rule: Policy, layout: Layout, capacity: int, siblings: bool) -> Iterator[str]:
    sizes = sorted({unit.size for drive in drives for unit in drive.units})
    if any(0 < larger - size <= FUZZ for size in sizes for larger in sizes):
        return  # which layouts have the most capacity depends on what is taken as one size
    best = Brute(drives, rule).best(rule.width, rule.spares, finer=True)
    if best.fatal is None or best.spread is None or best.capacity != capacity:
        return
    fatal, spread = measured(drives, layout.vdevs[0].parity + 1, [vdev.members for vdev in layout.vdevs])
    beside = "-spares" if rule.spares else "-siblings" if siblings else ""
    if "fatal_sets" in layout.proven and fatal > best.fatal:
        yield f"proven{beside}: fatal sets {fatal}, possible {best.fatal}"
    elif "spread" in layout.proven and fatal == best.fatal and spread > best.spread:
        yield f"proven{beside}: spread {spread}, possible {best.spread}"
    if (fatal, spread) < (best.fatal, best.spread):
        yield f"brute: fatal sets and spread {(fatal, spread)}, the brute force finds {(best.fatal, best.spread)}"


def measured(drives: Sequence[Drive], size: int, vdevs: Sequence[Sequence[Member]]) -> tuple[int, int]:
    """Fatal sets of drives of a size, and spread, counted plainly."""
    homes = audit.homes_of(drives)
    holders = [sorted(member.serial for member in held) for held in vdevs]
    fatal = {chosen for held in holders for chosen in audit.combinations(held, size)}
    spread = sum(many**2 for held in holders for many in Counter(homes[serial] for serial in held).values())
    return len(fatal), spread
