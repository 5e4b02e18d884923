"""Tells the service manager how the daemon stands: the datagrams of sd_notify(3), which need no library."""

from __future__ import annotations

import asyncio
import os
import socket
from collections.abc import Mapping
from typing import TYPE_CHECKING

from capture.counted import counted

if TYPE_CHECKING:
    from capture.bench import Bench

SHARE = 3
"""So many times within the watchdog's time the daemon says that it is alive."""

US_PER_S = 1_000_000


class Notifier:
    """One service manager; without one every call does nothing.

    Args:
        environment: where the manager leaves NOTIFY_SOCKET and WATCHDOG_USEC; that of the process by default.
    """

    def __init__(self, environment: Mapping[str, str] | None = None) -> None:
        given = os.environ if environment is None else environment
        self._address = given.get("NOTIFY_SOCKET", "")
        watched = given.get("WATCHDOG_USEC", "")
        meant_for_us = given.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        self.watchdog_s = int(watched) / US_PER_S if watched.isdecimal() and meant_for_us else None

    def tell(self, *lines: str) -> None:
        """Send ``READY=1``, ``STATUS=…`` and their like; a manager that has gone is no trouble of ours."""
        family = getattr(socket, "AF_UNIX", None)
        if not self._address or family is None:
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        with socket.socket(family, socket.SOCK_DGRAM) as sender:
            try:
                sender.sendto("\n".join(lines).encode(), address)
            except OSError:
                return

    async def keep_telling(self, bench: Bench) -> None:
        """Say again and again that the daemon is alive, while the bench is; at once over without a watchdog.

        Sent from the event loop: a loop that hangs is silent, and the manager starts the daemon again.
        """
        while self.watchdog_s is not None:
            if bench.is_well:
                self.tell("WATCHDOG=1", f"STATUS={_status(bench)}")
            await asyncio.sleep(self.watchdog_s / SHARE)


def _status(bench: Bench) -> str:
    """One line for whoever asks the service manager."""
    health = bench.health()
    live = sum(state == "live" for state in health.indicators.values())
    trouble = f"; not recording: {health.why}" if health.why else ""
    going_on = counted(len(health.active_runs), "run goes on", "runs go on")
    return f"{live} of {len(health.indicators)} indicators live, {going_on}{trouble}"
