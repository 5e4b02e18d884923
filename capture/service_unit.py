"""The systemd unit of the daemon, as text."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

WATCHDOG_S = 30

UNIT = """\
# Written by hubproof service; write it again after the program was moved.
[Unit]
Description=Hubproof: reads the indicators and keeps the record
StartLimitIntervalSec=300
StartLimitBurst=10

[Service]
Type=notify
NotifyAccess=main
ExecStart={command}
WatchdogSec={watchdog_s}
Restart=on-failure
RestartSec=2
TimeoutStartSec=60
TimeoutStopSec=20

# What it does not need is shut. Nothing here gives the process a user namespace of its own (ProtectSystem=
# and its like would): there this user's groups do not hold, and with them the right to the serial ports.
UMask=0077
NoNewPrivileges=yes
LockPersonality=yes
RestrictSUIDSGID=yes
RestrictRealtime=yes
RestrictNamespaces=yes
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6 AF_BLUETOOTH AF_NETLINK
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallErrorNumber=EPERM
MemoryMax=1G
TasksMax=128

[Install]
WantedBy=default.target
"""


def unit(arguments: Sequence[str], data: Path) -> str:
    """The unit that runs this very installation.

    Args:
        arguments: of ``hubproof``, absolute paths.
        data: the station's folder, for the line that says where it works.

    Source: systemd.service(5), systemd.exec(5), sd_notify(3).
    """
    command = [sys.executable, "-m", "capture", *arguments]
    words = " ".join(_quoted(word) for word in command)
    return UNIT.format(command=words, watchdog_s=WATCHDOG_S).replace(
        "[Service]\n", f"[Service]\n# data in {data}\n".replace("%", "%%"), 1
    )


def _quoted(word: str) -> str:
    """One word of a command line of a unit: quoted, with systemd's own signs doubled."""
    escaped = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return f'"{escaped}"'
