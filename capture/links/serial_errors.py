"""What goes wrong with a serial port, told to the person who can mend it."""

from __future__ import annotations

import errno

from serial import SerialException
from serial.tools import list_ports

from capture.system import TERMINAL_ERRORS, permission_advice, who_holds
from config.errors import LinkError
from config.indicators import SerialLink

NO_PORT = {errno.ENOENT, errno.ENODEV, errno.ENXIO}
TAKEN = {errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK}
NOT_ALLOWED = {errno.EACCES, errno.EPERM}
REFUSED = {errno.ECONNREFUSED, errno.EHOSTUNREACH, errno.ENETUNREACH, errno.ETIMEDOUT}
FOREIGN_WORDS = (
    # pyserial and Windows give the cause in words only
    ("filenotfounderror", errno.ENOENT),
    ("no such file", errno.ENOENT),
    ("could not exclusively lock", errno.EBUSY),
    ("permissionerror", errno.EACCES),
    ("permission denied", errno.EACCES),
    ("connection refused", errno.ECONNREFUSED),
    ("timed out", errno.ETIMEDOUT),
)


def ports_there_are() -> str:
    """The serial ports of this computer in one line."""
    found = [f"{port.device} ({port.description})" for port in list_ports.comports()]
    return ", ".join(sorted(found)) or "none is plugged in"


def cause(error: BaseException) -> int | None:
    """The errno behind `error`, found through wrapped causes, numbers and words."""
    number = error.args[0] if isinstance(error, TERMINAL_ERRORS) else getattr(error, "errno", None)
    if isinstance(number, int):
        return number
    text = str(error).lower()
    for words, meant in FOREIGN_WORDS:
        if words in text:
            return meant
    before = error.__cause__ or error.__context__
    return cause(before) if before is not None else None


def not_opened(port: str, error: Exception) -> LinkError:
    """Why `port` could not be opened."""
    number = cause(error)
    port = port or "the serial port"
    if number in TAKEN:
        holder = who_holds(port)
        by = f"another program ({holder})" if holder else "another program"
        return LinkError(
            f"is taken by {by}",
            where=port,
            do="close the program that reads this port (a daemon of this station reads its own indicators)",
        )
    if number in NOT_ALLOWED:
        return LinkError("permission denied", where=port, do=permission_advice(port))
    if number in REFUSED:
        return LinkError(
            "nobody answers there", where=port, do="check that the network converter is on, and its port"
        )
    if number in NO_PORT:
        return LinkError("no such port", where=port, expected=f"one of the ports: {ports_there_are()}")
    detail = str(error).split("\n")[0]
    if isinstance(error, SerialException) or number is not None:
        return LinkError(f"cannot be opened ({detail})", where=port, do="plug it in again")
    return LinkError(f"is no port ({detail})", where=port, expected=f"one of: {ports_there_are()}")


def lost(port: str, error: BaseException) -> LinkError:
    """A port that was open and ended."""
    return LinkError(
        "unplugged or switched off", where=port, do=f"plug it in again; it is looked for ({_short(error)})"
    )


def no_such_usb(link: SerialLink) -> LinkError:
    """No USB device with the described ids."""
    number = f" with serial number {link.usb_serial_number}" if link.usb_serial_number else ""
    return LinkError(
        f"no USB device {link.usb}{number} is plugged in",
        where="indicator",
        expected=f"one of the ports: {ports_there_are()}",
    )


def _short(error: BaseException) -> str:
    return str(error).split("(")[0].strip()[:60] or type(error).__name__
