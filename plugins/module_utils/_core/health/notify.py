# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Reports the service's state to the service manager (sd_notify(3): a datagram to a socket)."""

from __future__ import annotations

import os
import socket


def notify(message: str) -> bool:
    """Send *message*, such as C(READY=1) or C(WATCHDOG=1); False when there is no listener."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
            sender.sendto(message.encode(), address)
    except OSError:
        return False
    return True
