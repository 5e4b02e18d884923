"""A message bus of its own for one test, so that the system's is never touched. Linux only."""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path

BUS_CONFIGURATION = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <listen>unix:dir={folder}</listen>
  <auth>EXTERNAL</auth>
  <policy context="default">
    <allow send_destination="*" eavesdrop="true"/>
    <allow eavesdrop="true"/>
    <allow own="*"/>{denied}
  </policy>
</busconfig>
"""


class PrivateBus:
    """A message bus for one test, in a process of its own. Use as a context; `address` is where it listens.

    Args:
        denied: a service to which nobody may speak, as where the system's policy leaves a user out.

    Raises:
        FileNotFoundError: ``dbus-daemon`` is not installed.
    """

    def __init__(self, denied: str | None = None) -> None:
        self._denied = f'\n    <deny send_destination="{denied}"/>' if denied else ""
        self._folder = tempfile.TemporaryDirectory(prefix="private-bus-")
        self._process: subprocess.Popen[str] | None = None
        self.address = ""

    def __enter__(self) -> PrivateBus:
        configuration = Path(self._folder.name) / "bus.conf"
        configuration.write_text(BUS_CONFIGURATION.format(folder=self._folder.name, denied=self._denied))
        command = ["dbus-daemon", f"--config-file={configuration}", "--print-address=1", "--nofork"]
        self._process = subprocess.Popen(  # noqa: S603 (a fixed command)
            command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )
        assert self._process.stdout is not None
        self.address = self._process.stdout.readline().strip()
        return self

    def kill(self) -> None:
        """End the bus at once, as a crash does."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            assert self._process.stdout is not None
            self._process.stdout.close()
            self._process = None

    def __exit__(self, *_: object) -> None:
        self.kill()
        self._folder.cleanup()
