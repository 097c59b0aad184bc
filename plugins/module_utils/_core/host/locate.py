# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The locate light of a bay, for a limited time.

The light is a transient systemd service: it switches the light on and sleeps. However it ends (timeout,
stopped, killed, host shut down), systemd switches the light off. So the light does not depend on the
process that asked for it. There is one light for each bay: the units of a drive share it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Dict, List, Mapping, Optional, Sequence, Tuple

from ..errors import CoreError, HostError, InputError
from ..model import Bay, Drive
from .run import Command, Runner, checked
from .sysfs import read_text

LONGEST = 3600
METHODS = ("auto", "sysfs", "ledctl")

# Names of slots come from the enclosure. These characters mean nothing to systemd inside quotes.
_SAFE = re.compile(r"[A-Za-z0-9 ._:,#()+/-]+")
_WRITE = 'echo {0} > "$0"'


@dataclass(frozen=True)
class Light:
    """The light of a bay: *how* is C(sysfs), with the attribute's path as *target*, or C(ledctl), with a node."""

    bay: str
    how: str
    target: str

    @property
    def service(self) -> str:
        """The transient service that holds the light."""
        return "evenkeel-locate-{0}.service".format(self.bay)

    def switch(self, on: bool) -> Tuple[str, ...]:
        """The command that switches it at once and without a time limit."""
        if self.how == "sysfs":
            return ("sh", "-c", _WRITE.format(1 if on else 0), self.target)
        return ("ledctl", "{0}={1}".format("locate" if on else "locate_off", self.target))

    @property
    def lit(self) -> Optional[bool]:
        """Whether it is on now; None where that cannot be read."""
        return read_text(self.target) == "1" if self.how == "sysfs" else None


def find_lights(
    bays: Sequence[str], slots: Mapping[Bay, str], drives: Sequence[Drive], method: str = "auto"
) -> Tuple[Light, ...]:
    """The lights of *bays*: through the enclosure where it knows the bay, else through the drive in it.

    *slots* are those of `bays.enclosure_slots`. Raises InputError naming the bay that has no light.
    """
    by_bay: Dict[Bay, Drive] = {drive.bay: drive for drive in drives if drive.bay is not None}
    return tuple(_find(Bay.parse(label), slots, by_bay, method) for label in dict.fromkeys(bays))


def _find(bay: Bay, slots: Mapping[Bay, str], by_bay: Mapping[Bay, Drive], method: str) -> Light:
    path = slots.get(bay, "") if method != "ledctl" else ""
    if path and _SAFE.fullmatch(path):
        return Light(bay.label, "sysfs", path + "/locate")
    drive = by_bay.get(bay) if method != "sysfs" else None
    nodes = [path.node for unit in drive.units for path in unit.paths] if drive else []
    if nodes:
        return Light(bay.label, "ledctl", nodes[0])
    raise InputError(
        "no enclosure has a light for it{0}".format("" if method == "sysfs" else ", and it holds no drive"),
        subject=bay.label,
        remedy="Bays with lights: {0}.".format(_span(sorted(slots))),
    )


def _span(bays: Sequence[Bay]) -> str:
    if not bays:
        return "none; check that the kernel module ses is loaded"
    if len(bays) > 12:
        return "{0} from {1} to {2}".format(len(bays), bays[0].label, bays[-1].label)
    return ", ".join(bay.label for bay in bays)


def blink(light: Light, seconds: int) -> Command:
    """The command that switches the light on for *seconds*."""
    if not 1 <= seconds <= LONGEST:
        raise InputError("{0} is not from 1 to {1}".format(seconds, LONGEST), subject="on_seconds")
    return Command(
        (
            "systemd-run",
            "--quiet",
            "--collect",
            "--unit={0}".format(light.service),
            "--description=Locate light of {0}".format(light.bay),
            "--property=ExecStartPre={0}".format(_line(light.switch(True))),
            "--property=ExecStopPost={0}".format(_line(light.switch(False))),
            "sleep",
            str(seconds),
        ),
        "locate light of {0} for {1} s".format(light.bay, seconds),
    )


def _line(argv: Sequence[str]) -> str:
    """A command as systemd reads it from a property."""
    words = ["'{0}'".format(word) if '"' in word else '"{0}"'.format(word) for word in argv]
    return " ".join(words)


@dataclass(frozen=True)
class Lights:
    """What was done with lights, or would be done in check mode. *before* and *after* are text for a diff."""

    commands: Tuple[Command, ...]
    before: str
    after: str


def shine(run: Runner, lights: Sequence[Light], seconds: int, check_mode: bool) -> Lights:
    """Switch lights on for *seconds*; one that is on already keeps its earlier time.

    Raises CommandError, or CoreError when the light's state can be read and it stays off.
    """
    on = [light for light in lights if _active(run, light)]
    todo = [(light, blink(light, seconds)) for light in lights if light not in on]
    done = Lights(tuple(command for _light, command in todo), _states(lights, on), _states(lights, lights))
    if check_mode:
        return done
    for light, command in todo:
        checked(run, command.argv, "See `journalctl -u {0}`.".format(light.service))
        if light.lit is False:
            checked(run, ("systemctl", "stop", light.service))
            raise CoreError(
                "the enclosure accepted the command, but the light is still off",
                subject=light.bay,
                remedy="Try method ledctl, or find the bay by the serial number on the drive's label.",
            )
    return done


def darken(run: Runner, lights: Sequence[Light], check_mode: bool) -> Lights:
    """Switch lights off, whoever switched them on. Raises CommandError, or HostError when one stays on."""
    on = [light for light in lights if _active(run, light)]
    commands: List[Command] = []
    for light in lights:
        if light in on:
            commands.append(Command(("systemctl", "stop", light.service), "locate light of {0} off".format(light.bay)))
        elif light.lit:
            commands.append(Command(light.switch(False), "locate light of {0} off".format(light.bay)))
    shining = [light for light in lights if light in on or light.lit]
    done = Lights(tuple(commands), _states(lights, shining), _states(lights, ()))
    if check_mode:
        return done
    for command in commands:
        checked(run, command.argv)
    left = [light.bay for light in lights if light.lit]
    if left:
        raise HostError("the light is still on", subject=", ".join(left), remedy="Ask the enclosure's manufacturer.")
    return done


def _active(run: Runner, light: Light) -> bool:
    return run(("systemctl", "is-active", "--quiet", light.service)).rc == 0


def _states(lights: Sequence[Light], on: Sequence[Light]) -> str:
    return "".join("{0}: {1}\n".format(light.bay, "on" if light in on else "off") for light in lights)
