# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The bay of each drive, from the first source that answers.

C(enclosure): the slot that an enclosure services process reports (Documentation/ABI/testing/sysfs-class-enclosure
of Linux; drivers/misc/enclosure.c). C(sas): the bay that the SAS expander or adapter reports
(drivers/scsi/scsi_transport_sas.c). C(map): a declared map from udev's ID_PATH. C(serial): a declared
map from serial numbers, which says where a drive should be and confirms nothing.

A source is asked for the whole drive: the kernel links an enclosure slot to one unit only.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from typing import Any, Callable, Dict, Iterable, List, Mapping, Optional, Sequence, Set, Tuple

from ..errors import InputError
from ..model import Bay
from .disks import Disk
from .pairing import Group
from .places import CLASS_ENCLOSURE, SOURCES, components, enclosure_id

_FIELD = re.compile(r"\{([a-z]+)(?:([+-])([0-9]{1,3}))?\}")
_PATTERN_PART = re.compile(r"\{([a-z]+)\}|\*|([A-Za-z0-9:._/-]+)|(.)", re.DOTALL)
_ENCLOSURE_NAME = re.compile(r"[a-z][a-z0-9_]{0,15}")
_ENCLOSURE_ID = re.compile(r"(?:0x)?([0-9a-f]{1,16})")


@dataclass(frozen=True)
class BayPattern:
    """One entry of a declared map from ID_PATH to bays, ready for use."""

    form: re.Pattern[str]
    bay: str
    where: str = "bay_map"

    def match(self, id_path: str) -> Optional[Bay]:
        """The bay that *id_path* means by this entry; None when the entry is about other paths."""
        found = self.form.fullmatch(id_path)
        if found is None:
            return None
        try:
            return _fill(self.bay, {name: int(value) for name, value in found.groupdict().items()})
        except InputError as error:
            raise InputError(
                "{0!r} does not make a bay name of {1}".format(self.bay, id_path), self.where, error.remedy
            ) from error


def _fill(template: str, numbers: Mapping[str, int]) -> Bay:
    def field(match: re.Match[str]) -> str:
        shift = int(match.group(3) or 0)
        return "{0:02d}".format(numbers[match.group(1)] + (-shift if match.group(2) == "-" else shift))

    return Bay.parse(_FIELD.sub(field, template))


def read_bay_map(entries: Sequence[Mapping[str, Any]], where: str = "bay_map") -> Tuple[BayPattern, ...]:
    """The declared map from ID_PATH to bays. Raises InputError naming the entry that is not allowed.

    An entry has C(pattern) and C(bay). In the pattern, C({name}) matches a decimal number, C(*) any text, everything
    else itself. In the bay, C({name}) is replaced by that number, and C({name+1}) or C({name-1}) by a shifted one:
    C(pci-0000:03:00.0-sas-phy{phy}-lun-*) to C(bay{phy+1}).
    """
    return tuple(_entry(entry, "{0}[{1}]".format(where, number)) for number, entry in enumerate(entries))


def _entry(entry: Mapping[str, Any], where: str) -> BayPattern:
    if set(entry) != {"pattern", "bay"} or not all(isinstance(value, str) for value in entry.values()):
        raise InputError("an entry needs pattern and bay, both text", subject=where)
    form, names = _compile(entry["pattern"], where + ".pattern")
    used = {match.group(1) for match in _FIELD.finditer(entry["bay"])}
    if used - names:
        raise InputError(
            "{0!r} uses {1}, which the pattern does not have".format(entry["bay"], ", ".join(sorted(used - names))),
            subject=where + ".bay",
            remedy="Names in the pattern: {0}.".format(", ".join(sorted(names)) or "none"),
        )
    try:
        # Any number larger than the largest shift shows whether the text around it makes a bay name.
        _fill(entry["bay"], dict.fromkeys(names, 1000))
    except InputError as error:
        raise InputError("{0!r} does not make a bay name".format(entry["bay"]), where + ".bay", error.remedy) from error
    return BayPattern(form, entry["bay"], where)


def _compile(pattern: str, where: str) -> Tuple[re.Pattern[str], Set[str]]:
    names: Set[str] = set()
    parts: List[str] = []
    for match in _PATTERN_PART.finditer(pattern):
        name, text, stray = match.groups()
        if stray or name in names:
            raise InputError(
                "{0!r} is not allowed at {1!r}".format(pattern, match.group(0)),
                subject=where,
                remedy="Write ID_PATH as udev gives it, with {name} for a number (each name once) and * for any text.",
            )
        if name:
            names.add(name)
        parts.append("(?P<{0}>[0-9]+)".format(name) if name else re.escape(text) if text else ".*")
    if not parts:
        raise InputError("the pattern is empty", subject=where)
    return re.compile("".join(parts)), names


def read_enclosure_names(names: Mapping[str, Any], where: str = "enclosures") -> Dict[str, str]:
    """Declared names of enclosures by logical id (16 hexadecimal digits, as in sysfs). Raises InputError."""
    found: Dict[str, str] = {}
    for identifier, name in names.items():
        match = _ENCLOSURE_ID.fullmatch(str(identifier).lower())
        if match is None or not _ENCLOSURE_NAME.fullmatch(str(name)) or name in found.values():
            raise InputError(
                "{0!r}: {1!r} is not allowed".format(identifier, name),
                subject=where,
                remedy="Map each enclosure's id (as in /sys/class/enclosure/*/id, quoted) to a different name such as"
                " west: a lower-case letter, then up to 15 of a-z 0-9 _.",
            )
        found[enclosure_id(match.group(1))] = str(name)
    return found


def read_serial_bays(bays: Mapping[str, Any], where: str = "bay_serials") -> Dict[str, Bay]:
    """Declared bays by serial number, from a map of bay labels to serial numbers. Raises InputError."""
    found: Dict[str, Bay] = {}
    for label, serial in bays.items():
        try:
            bay = Bay.parse(str(label))
        except InputError as error:
            raise InputError(error.message, where, error.remedy) from error
        if not isinstance(serial, str) or not serial or serial in found:
            raise InputError("the serial {0!r} of {1} is empty or declared twice".format(serial, label), subject=where)
        found[serial] = bay
    return found


@dataclass(frozen=True)
class Placed:
    """The drives' bays: by drive number, the bay and its source; *shared* has the bays that several drives claim."""

    bays: Mapping[int, Tuple[Bay, str]]
    shared: Mapping[int, str]


Answers = Callable[[Group], Set[Bay]]


def place(drives: Sequence[Group], answers: Mapping[str, Answers], order: Sequence[str] = SOURCES) -> Placed:
    """Ask the sources in *order* about each drive, each source only if no earlier one answered.

    Contradicting answers about one drive, and one bay for two drives, do not count: such drives have no bay, and
    *shared* has the text of what was claimed.
    """
    bays: Dict[int, Tuple[Bay, str]] = {}
    shared: Dict[int, str] = {}
    for number, drive in enumerate(drives):
        for source in order:
            claimed = answers[source](drive) if source in answers else set()
            if claimed:
                if len(claimed) == 1:
                    bays[number] = (min(claimed), source)
                else:
                    shared[number] = " and ".join(sorted(bay.label for bay in claimed)) + " by " + source
                break
    owners: Dict[Bay, List[int]] = {}
    for number, (bay, _source) in bays.items():
        owners.setdefault(bay, []).append(number)
    for bay, numbers in owners.items():
        if len(numbers) > 1:
            for number in numbers:
                shared[number] = "{0} by {1}, shared by {2} drives".format(bay.label, bays[number][1], len(numbers))
                del bays[number]
    return Placed(bays, shared)


def enclosure_answers(names: Mapping[str, str], attached: Iterable[Sequence[Any]]) -> Answers:
    """Bays by the enclosure services processes that the kernel knows; *attached* as `read_attached` gives it."""
    slots: Dict[str, Set[Tuple[str, int]]] = {}
    for identifier, slot, hctl in attached:
        slots.setdefault(hctl, set()).add((identifier, slot))
    naming = _Naming(names, {identifier for found in slots.values() for identifier, _slot in found})

    def answer(drive: Group) -> Set[Bay]:
        found: Set[Bay] = set()
        for disk in _paths(drive):
            found |= {naming.bay(identifier, slot) for identifier, slot in slots.get(disk.hctl, ())}
        return found

    return answer


def enclosure_slots(names: Mapping[str, str], root: str = CLASS_ENCLOSURE) -> Dict[Bay, str]:
    """The directory in sysfs of every bay that an enclosure services process knows, also of an empty one.

    Bays are named as `enclosure_answers` does; a name that two slots would have is left out.
    """
    parts = list(components(root))
    used = {identifier for identifier, _slot, path in parts if os.path.islink(path + "/device")}
    used = used or {identifier for identifier, _slot, _path in parts}
    naming = _Naming(names, used)
    found: Dict[Bay, List[str]] = {}
    for identifier, slot, path in parts:
        if identifier in used or identifier in names:
            found.setdefault(naming.bay(identifier, slot), []).append(path)
    return {bay: paths[0] for bay, paths in found.items() if len(paths) == 1}


def sas_answers(drives: Sequence[Group], names: Mapping[str, str], reported: Mapping[str, Sequence[str]]) -> Answers:
    """Bays by the SAS transport, *reported* as `read_sas` gives them. An adapter that reports one bay for all drives
    does not count."""
    claims: Dict[str, Tuple[str, int]] = {}
    owners: Dict[str, Dict[int, Set[int]]] = {}
    for number, drive in enumerate(drives):
        for end_device in {disk.end_device for disk in _paths(drive) if disk.end_device in reported}:
            bay, enclosure = reported[end_device]
            identifier = enclosure_id(enclosure)
            claims[end_device] = (identifier, int(bay))
            owners.setdefault(identifier, {}).setdefault(int(bay), set()).add(number)
    silent = {identifier for identifier, bays in owners.items() if _says_nothing(identifier, bays)}
    naming = _Naming(names, {identifier for identifier, _slot in claims.values() if identifier not in silent})

    def answer(drive: Group) -> Set[Bay]:
        found = {claims[disk.end_device] for disk in _paths(drive) if disk.end_device in claims}
        return {naming.bay(identifier, slot) for identifier, slot in found if identifier not in silent}

    return answer


def _says_nothing(identifier: str, bays: Mapping[int, Set[int]]) -> bool:
    """Whether the numbers are an adapter's default: one for several drives, or a lone 0 without an enclosure."""
    crowded = any(len(drives) > 1 for drives in bays.values())
    return crowded or (set(bays) == {0} and not int(identifier or "0", 16))


def map_answers(patterns: Sequence[BayPattern]) -> Answers:
    """Bays by a declared map from ID_PATH; the first entry that matches a path counts."""

    def answer(drive: Group) -> Set[Bay]:
        found: Set[Bay] = set()
        for disk in _paths(drive):
            bays = [bay for bay in (pattern.match(disk.id_path) for pattern in patterns) if bay is not None]
            found.update(bays[:1])
        return found

    return answer


def serial_answers(bays: Mapping[str, Bay]) -> Answers:
    """Bays as declared for serial numbers."""

    def answer(drive: Group) -> Set[Bay]:
        serial = drive.first.serial
        return {bays[serial]} if serial in bays else set()

    return answer


def _paths(drive: Group) -> List[Disk]:
    return [disk for unit in drive.units for disk in unit.paths]


class _Naming:
    """Names of enclosures: declared; else none where there is only one; else made from the id."""

    def __init__(self, names: Mapping[str, str], found: Set[str]) -> None:
        self._names = names
        self._alone = len(found) < 2 and not names

    def bay(self, identifier: str, slot: int) -> Bay:
        """The bay of a slot in the enclosure with this id."""
        if self._alone:
            return Bay("", slot)
        # The first digit of an id is always 5 (NAA registered), so 15 digits distinguish enclosures.
        return Bay(self._names.get(identifier, "e" + identifier[-15:]), slot)
