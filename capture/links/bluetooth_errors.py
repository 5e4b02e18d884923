"""What goes wrong with Bluetooth, told in one line to the person who can mend it on this system."""

from __future__ import annotations

import sys

from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakError,
)

from config.errors import LinkError

TORN = (AssertionError, KeyError)
"""What the library raises when a link is lost in the middle of a call: its own tables change under it."""
FAILURES = (BleakError, TimeoutError, OSError, EOFError, *TORN)
"""All that the Bluetooth library raises when something is wrong with the radio or the peripheral."""

OFF, NONE, DENIED, SERVICE = "off", "none", "denied", "service"
WHAT = {
    OFF: "Bluetooth is off",
    NONE: "this computer has no Bluetooth adapter that can read an indicator",
    DENIED: "Bluetooth is not allowed to this program",
    SERVICE: "the system's Bluetooth service does not run",
}
LINUX = {
    OFF: "switch it on: rfkill unblock bluetooth, then bluetoothctl power on",
    NONE: "plug in an adapter with Bluetooth Low Energy; bluetoothctl list shows those there are",
    DENIED: "join the group bluetooth: sudo usermod -aG bluetooth $USER, then log out and in again",
    SERVICE: "start it: sudo systemctl start bluetooth",
}
MAC = {
    OFF: "switch it on in System Settings, Bluetooth",
    NONE: "use a Mac with Bluetooth Low Energy",
    DENIED: "allow this terminal in System Settings, Privacy & Security, Bluetooth, and start again",
    SERVICE: "switch Bluetooth off and on in System Settings, Bluetooth",
}
WINDOWS = {
    OFF: "switch it on in Settings, Bluetooth & devices",
    NONE: "plug in an adapter with Bluetooth Low Energy",
    DENIED: "allow it in Settings, Privacy & security, Radios, and start again",
    SERVICE: "start it: open Services and start Bluetooth Support Service",
}
REASONS = {
    BleakBluetoothNotAvailableReason.NO_BLUETOOTH: NONE,
    BleakBluetoothNotAvailableReason.NO_BLE_CENTRAL_ROLE: NONE,
    BleakBluetoothNotAvailableReason.POWERED_OFF: OFF,
    BleakBluetoothNotAvailableReason.DENIED_BY_USER: DENIED,
    BleakBluetoothNotAvailableReason.DENIED_BY_SYSTEM: DENIED,
    BleakBluetoothNotAvailableReason.DENIED_BY_UNKNOWN: DENIED,
    BleakBluetoothNotAvailableReason.UNKNOWN: SERVICE,
}
DBUS_NAMES = {
    "org.bluez.Error.NotReady": OFF,
    "org.bluez.Error.NotAuthorized": DENIED,
    "org.freedesktop.DBus.Error.AccessDenied": DENIED,
    "org.freedesktop.DBus.Error.ServiceUnknown": SERVICE,
    "org.freedesktop.DBus.Error.NameHasNoOwner": SERVICE,
    "org.freedesktop.DBus.Error.NoReply": SERVICE,
}
FORGOTTEN = ("org.freedesktop.DBus.Error.UnknownObject", "org.freedesktop.DBus.Error.UnknownMethod")


def trouble_of(error: BaseException) -> str | None:
    """Which trouble of this computer's own Bluetooth is behind `error`; None when it is the indicator's."""
    if isinstance(error, BleakBluetoothNotAvailableError):
        return REASONS[error.reason]
    if isinstance(error, BleakDBusError):
        return DBUS_NAMES.get(error.dbus_error)
    if isinstance(error, FileNotFoundError | ConnectionRefusedError):  # no message bus to ask the service on
        return SERVICE
    if isinstance(error, PermissionError):
        return DENIED
    if isinstance(error, BleakError) and str(error).startswith("adapter ") and "not found" in str(error):
        return NONE  # pulled out since the list of adapters was read
    return None


def what_to_do(trouble: str, platform: str = sys.platform) -> str:
    """The remedy of a trouble on one system (as `sys.platform` names it)."""
    advice = WINDOWS if platform == "win32" else MAC if platform == "darwin" else LINUX
    return advice[trouble]


def told(error: BaseException, where: str, platform: str = sys.platform) -> LinkError:
    """`error` as a line: what is wrong, and what to do."""
    trouble = trouble_of(error)
    if trouble is not None:
        return LinkError(WHAT[trouble], where=where, do=what_to_do(trouble, platform))
    if isinstance(error, TimeoutError):
        return LinkError("does not answer", where=where, do="switch it on and bring it nearer")
    if isinstance(error, TORN):
        return LinkError("the radio link was lost while connecting", where=where, do="bring it nearer")
    forgotten = isinstance(error, BleakDBusError) and error.dbus_error in FORGOTTEN
    if forgotten or isinstance(error, BleakDeviceNotFoundError):
        return LinkError("was forgotten by the system", where=where, do="wait: it is looked for again")
    detail = " ".join(str(error).split())[:120] or type(error).__name__
    return LinkError(f"cannot be reached ({detail})", where=where, do="switch it off and on")
