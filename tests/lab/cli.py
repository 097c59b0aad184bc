# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The lab from the shell: python3 -m tests.lab COMMAND ... (see README.md)."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from . import disks, parts
from .errors import LabError
from .image import DEFAULT_RELEASE, RELEASES, image_for, prune
from .lab import Lab
from .parts import Limits, Port, ReadError
from .paths import cache_dir, state_dir, tell_stderr
from .state import State
from .tables import parse_size

Run = Callable[[argparse.Namespace], int | None]


def main(argv: Sequence[str] | None = None) -> int:
    """Runs one command; foreseeable errors become one message and code 1."""
    options = _parser().parse_args(argv)
    try:
        answer = options.run(options)
    except LabError as error:
        print(f"lab: {error}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 130
    return answer or 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python3 -m tests.lab", description="A virtual storage server.")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    def command(name: str, run: Run, text: str, lab: bool = True) -> argparse.ArgumentParser:
        one = commands.add_parser(name, help=text, description=text)
        one.set_defaults(run=run)
        if lab:
            one.add_argument("--name", help="the lab's name, when it is not the only one")
        return one

    one = command("image", _image, "Build a root image unless the cache has it", lab=False)
    one.add_argument("--release", choices=RELEASES, default=DEFAULT_RELEASE)
    one.add_argument("--prune", action="store_true", help="also remove images of older recipes that no lab uses")
    one = command("up", _up, "Make the lab if there is none, boot it, wait until it can be reached")
    one.add_argument("chassis", nargs="?", help="chassis file, or the name of one in tests/lab/chassis")
    one.add_argument("--release", choices=RELEASES, help="in place of the chassis file's")
    one.add_argument("--inventory", type=Path, help="also write the Ansible inventory here")
    one = command("down", _down, "End the lab and remove its disks")
    one.add_argument("--keep", action="store_true", help="shut down in order and keep disks and state")
    one.add_argument("--all", action="store_true", help="every lab of this cache")
    command("status", _status, "Tell what labs there are, or what is in one")
    one = command("ssh", _ssh, "Log in, or run a command as root")
    one.add_argument("command", nargs=argparse.REMAINDER)
    one = command("inventory", _inventory, "Write an Ansible inventory")
    one.add_argument("file", type=Path)
    command("units", lambda o: print(json.dumps(_lab(o).guest_units(), indent=1)), "Show what the guest's kernel sees")
    command("stop", lambda o: _lab(o).stop(), "Shut the guest down in order")
    command("boot", lambda o: _lab(o).boot(), "Power on and wait for the guest")
    command("power-cut", lambda o: _lab(o).power_cut(), "Kill the emulator")
    one = command("fresh-root", _fresh_root, "Install the operating system anew; drives stay as they are")
    one.add_argument("--release", choices=RELEASES)
    one.add_argument("--hostid", help="8 hexadecimal digits, or 'none' for no file")
    _drive_commands(command)
    for name, text in (
        ("snapshot", "Keep the content of all drives under a name"),
        ("rollback", "Bring back the drives' content (power cut and boot)"),
        ("checkpoint", "Keep the whole running machine, memory included"),
        ("restore", "Bring the whole machine back in seconds"),
    ):
        one = command(name, _keeping, text)
        one.set_defaults(do=name)
        one.add_argument("tag")
    return parser


def _drive_commands(command: Callable[..., argparse.ArgumentParser]) -> None:
    def of_drive(name: str, run: Callable[[argparse.Namespace], object], text: str) -> argparse.ArgumentParser:
        one = command(name, lambda o: (run(o), 0)[1], text)
        one.add_argument("drive", type=_which, help="bay number or serial")
        return one

    one = of_drive("pull", _pull, "Pull a drive")
    one.add_argument("--unit", type=int, help="only this unit")
    one.add_argument("--announce", action="store_true", help="the guest forgets it at once (SAS)")
    one = of_drive("push", _push, "Put a pulled drive back, or with --serial a new one into a bay")
    one.add_argument("--unit", type=int, help="only this unit")
    one.add_argument("--bay", type=int, help="into this bay instead of its own")
    one.add_argument("--serial", help="a new, empty drive of this serial, otherwise like the bay's last")
    one = of_drive("move", lambda o: _lab(o).move(o.drive, o.bay, o.port), "Move a drive to another bay or port")
    one.add_argument("--bay", type=int)
    one.add_argument("--port", type=_port, help="ADAPTER:TARGET")
    one = of_drive("limit", lambda o: _lab(o).limit(o.drive, Limits(o.iops, o.bps), o.unit, o.shared), "Limit speed")
    one.add_argument("--unit", type=int)
    one.add_argument("--iops", type=int, default=0)
    one.add_argument("--bps", type=lambda text: parse_size(text, "--bps"), default=0)
    one.add_argument("--shared", action="store_true", help="one budget for all units")
    one = of_drive("hang", lambda o: _lab(o).hang(o.drive, o.unit), "Let a unit stop answering")
    one.add_argument("unit", type=int)
    one = of_drive("unhang", lambda o: _lab(o).unhang(o.drive, o.unit), "Let it answer again")
    one.add_argument("unit", type=int)
    one = of_drive(
        "fail-reads", lambda o: _lab(o).fail_reads(o.drive, o.unit, o.sectors), "Make sectors unreadable; none clears"
    )
    one.add_argument("unit", type=int)
    one.add_argument("sectors", nargs="*", type=_sectors, help="SECTOR or SECTOR+COUNT, of 512 bytes")
    one = of_drive("hash", lambda o: print(_lab(o).content_hash(o.drive, o.unit)), "Hash a unit's content")
    one.add_argument("unit", type=int)


def _lab(options: argparse.Namespace) -> Lab:
    """The lab that is named, or the only one there is."""
    if options.name:
        return Lab(name=options.name, tell=tell_stderr)
    names = _names()
    if len(names) != 1:
        raise LabError(f"{len(names)} labs ({', '.join(names) or 'none'}): say which with --name")
    return Lab(name=names[0], tell=tell_stderr)


def _names() -> list[str]:
    return sorted(path.parent.name for path in (cache_dir() / "labs").glob("*/lab.json"))


def _image(options: argparse.Namespace) -> None:
    print(image_for(options.release, tell_stderr).folder)
    if options.prune:
        roots = [root for name in _names() for root in state_dir(name).glob("root*.qcow2")]
        prune([str(disks.base_of(root).parent) for root in roots], tell_stderr)


def _up(options: argparse.Namespace) -> None:
    if options.chassis is None:
        lab = _lab(options)
    else:
        path = Path(options.chassis)
        if not path.exists():
            path = Path(__file__).with_name("chassis") / f"{options.chassis}.yml"
        chassis = parts.load(path)
        if options.release:
            chassis = replace(chassis, release=options.release)
        lab = Lab(chassis, name=options.name, tell=tell_stderr)
    lab.up()
    if options.inventory:
        lab.write_inventory(options.inventory)


def _down(options: argparse.Namespace) -> None:
    labs = [Lab(name=name, tell=tell_stderr) for name in _names()] if options.all else [_named_or_none(options)]
    for lab in labs:
        if lab is not None:
            lab.down(keep=options.keep)


def _named_or_none(options: argparse.Namespace) -> Lab | None:
    """Ending what is not there is no error."""
    return None if not options.name and not _names() else _lab(options)


def _status(options: argparse.Namespace) -> int:
    names = [options.name] if options.name else _names()
    for name in names:
        lab = Lab(name=name)
        state: State = lab.state
        pid = state.process.pid if state.process and lab.running else None
        print(
            f"{name}: {f'running, process {pid}' if pid else 'off'}, {state.release}, port {state.port}, {lab.folder}"
        )
        for slot in sorted(state.slots, key=lambda slot: slot.drive.bay) if options.name or len(names) == 1 else []:
            drive = slot.drive
            where = ", ".join(f"{port.adapter}:{port.target}" for port in drive.ports)
            units = ",".join(str(unit.index) for unit in slot.units()) or "-"
            print(
                f"  bay {drive.bay:2d}  {drive.serial:16s} {'in ' if slot.inside else 'out'} units {units:5s} {where}"
            )
    return 0 if names else 3


def _ssh(options: argparse.Namespace) -> int:
    words = options.command[1:] if options.command[:1] == ["--"] else options.command
    argv = _lab(options).ssh().argv(" ".join(words) if words else None)
    os.execvp(argv[0], argv)  # noqa: S606


def _inventory(options: argparse.Namespace) -> None:
    _lab(options).write_inventory(options.file)


def _fresh_root(options: argparse.Namespace) -> None:
    _lab(options).fresh_root(options.release, options.hostid)


def _keeping(options: argparse.Namespace) -> None:
    getattr(_lab(options), options.do)(options.tag)


def _pull(options: argparse.Namespace) -> None:
    if options.unit is None:
        _lab(options).pull(options.drive, options.announce)
    else:
        _lab(options).pull_unit(options.drive, options.unit, options.announce)


def _push(options: argparse.Namespace) -> None:
    lab = _lab(options)
    if options.unit is not None:
        lab.push_unit(options.drive, options.unit)
    elif options.serial:
        lab.push(lab.new_drive(options.drive, options.serial))
    else:
        lab.push(options.drive, options.bay)


def _which(text: str) -> int | str:
    return int(text) if text.isdigit() and len(text) <= 4 else text


def _port(text: str) -> Port:
    adapter, target = text.rsplit(":", 1)
    return Port(adapter, int(target))


def _sectors(text: str) -> ReadError:
    first, *count = text.split("+", 1)
    return ReadError(int(first), int(count[0]) if count else 1)
