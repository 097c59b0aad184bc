# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The service that runs a trial on its host, without a connection and across a reboot. Pure."""

from __future__ import annotations

from typing import Tuple

from ..host.run import Command
from .state import FOLDER

NAME = "evenkeel-trial.service"
UNIT_FILE = "/etc/systemd/system/" + NAME
PROGRAM = "/usr/local/lib/evenkeel/trial.pyz"

# KillMode=mixed: a stop must reach the trial, not fio, which would end early with plausible figures.
UNIT = """\
# Written by evenkeel.split_actuator.drive_trial; it runs only while a trial is ordered.
[Unit]
Description=Trial of split-actuator drives
ConditionPathExists={folder}/wanted
After=systemd-udevd.service

[Service]
Type=exec
ExecStart=/usr/bin/python3 -IB {program}
WorkingDirectory={folder}
KillMode=mixed
TimeoutStopSec=60
UMask=0022
NoNewPrivileges=yes
ProtectSystem=strict
ReadWritePaths=/var/lib/evenkeel/split_actuator
# It has the lock that every action of this collection holds. Others use it too, so it is kept.
RuntimeDirectory=evenkeel
RuntimeDirectoryPreserve=yes
ProtectHome=yes
PrivateTmp=yes
PrivateNetwork=yes
ProtectClock=yes
ProtectHostname=yes
ProtectKernelLogs=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
ProtectControlGroups=yes
LockPersonality=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
RestrictNamespaces=yes
SystemCallArchitectures=native
CapabilityBoundingSet=CAP_SYS_ADMIN CAP_SYS_RAWIO
DevicePolicy=closed
DeviceAllow=block-sd rw
DeviceAllow=block-device-mapper rw
DeviceAllow=block-blkext rw

[Install]
WantedBy=multi-user.target
""".format(folder=FOLDER, program=PROGRAM)


def start_commands(unit_changed: bool) -> Tuple[Command, ...]:
    """Start the trial now; enabled, so that it continues after a boot."""
    reload = (Command(("systemctl", "daemon-reload"), "read the new unit file"),) if unit_changed else ()
    return (
        *reload,
        Command(("systemctl", "--quiet", "enable", NAME), "continue after a reboot"),
        Command(("systemctl", "start", NAME), "start the trial"),
    )


STOP = Command(("systemctl", "stop", NAME), "stop the trial")
ACTIVE = ("systemctl", "show", "--property=ActiveState", "--value", NAME)
