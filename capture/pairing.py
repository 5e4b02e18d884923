"""Which devices of the workshop's network may come in: a short code at the bench buys a long token.

A code is made only when somebody at the bench asks for it, lives in memory, serves one device and is void
after a few minutes. Wrong tries are counted by the address they come from: who guesses is shut out, and the
technician's own tablet still gets in. A token is kept as its SHA-256 only, so that the file of devices
opens no door to who reads it. Tokens are compared in constant time.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import secrets
from collections import Counter, deque
from dataclasses import asdict, dataclass
from pathlib import Path

from capture.system import replace_private
from config.clock import NS_PER_S, Clock
from config.errors import InputError, StoreError

DEVICES = "devices.json"
LETTERS = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"  # none that is read as another: no 0 O 1 I L
CODE_LENGTH = 6  # 31^6, nine hundred million: a hundred tries open it once in nine million codes
CODE_LIFE_S = 600
WRONG_TRIES = 5
"""Of one address at one code."""
WRONG_TRIES_OF_ALL = 100
"""Of all addresses at one code: then it is void. Twenty addresses of the network are needed for that."""
TRIES_A_MINUTE = 10
"""Of one address."""
ADDRESSES_MOST = 1024
"""Whose latest tries are remembered; the one that was first heard is forgotten for one more."""
MINUTE_S = 60
TOKEN_BYTES = 32
DEVICES_MOST = 32
NAME_LONGEST = 40


class PairingError(InputError):
    """A code that opens nothing.

    Args:
        what: why, in one sentence.
        wait_s: seconds until another try is heard; 0 when at once.
    """

    def __init__(self, what: str, *, wait_s: int = 0, do: str | None = None) -> None:
        super().__init__(what, do=do)
        self.wait_s = wait_s


@dataclass(frozen=True, slots=True)
class Code:
    """A pairing code and how long it stands, in seconds."""

    text: str
    life_s: int = CODE_LIFE_S


@dataclass(frozen=True, slots=True)
class Device:
    """A device that may come in: `paired_utc` is RFC 3339, `token_sha256` the hash of its token."""

    id: str
    name: str
    paired_utc: str
    token_sha256: str


class Pairing:
    """The paired devices of a station, and the code that lets one more in.

    Args:
        data: the station's folder, which holds the file of devices.
        clock: the station's clock.

    Raises:
        StoreError: the file of devices cannot be read.
    """

    def __init__(self, data: Path, clock: Clock) -> None:
        self._file = data / DEVICES
        self._clock = clock
        self._devices = _read(self._file)
        self._code: str | None = None
        self._code_until_ns = 0
        self._wrong: Counter[str] = Counter()  # at the code that stands, by address
        self._tries_ns: dict[str, deque[int]] = {}  # the latest, by address

    def devices(self) -> tuple[Device, ...]:
        """The paired devices, the oldest first."""
        return self._devices

    def new_code(self) -> Code:
        """A fresh code; the one before is void."""
        self._code = "".join(secrets.choice(LETTERS) for _ in range(CODE_LENGTH))
        self._code_until_ns = self._clock.monotonic_ns() + CODE_LIFE_S * NS_PER_S
        self._wrong.clear()
        return Code(self._code)

    def exchange(self, code: str, name: str, address: str) -> str:
        """The token of a new device, for the code of the bench; the code is spent.

        Args:
            code: as typed; case, spaces and hyphens do not count.
            name: what the device shall be called.
            address: of the network, from which this try comes; those of others do not count against it.

        Raises:
            PairingError: wrong, spent or late code, or too many tries.
            InputError: the name is empty, or there are too many devices.
            StoreError: the file of devices cannot be written.
        """
        self._slow_down(address)
        name = _tidy(name)
        typed = code.upper().replace("-", "").replace(" ", "")
        if self._code is None or self._clock.monotonic_ns() > self._code_until_ns:
            self._code = None
            raise PairingError("no pairing code stands", do="ask for one at the bench: hubproof devices pair")
        if self._wrong[address] >= WRONG_TRIES:
            raise PairingError(
                "too many wrong codes came from this device", do="ask for a new code at the bench"
            )
        if not hmac.compare_digest(typed.encode(), self._code.encode()):
            self._count_wrong(address)
            raise PairingError("this is not the pairing code")
        if len(self._devices) >= DEVICES_MOST:
            raise InputError(f"{DEVICES_MOST} devices are paired already", do="revoke one at the bench")
        self._code = None
        token = secrets.token_urlsafe(TOKEN_BYTES)
        paired = self._clock.utc().isoformat(timespec="seconds").replace("+00:00", "Z")
        self._keep((*self._devices, Device(secrets.token_hex(4), name, paired, _hash(token))))
        return token

    def _slow_down(self, address: str) -> None:
        now = self._clock.monotonic_ns()
        if address not in self._tries_ns and len(self._tries_ns) >= ADDRESSES_MOST:
            del self._tries_ns[next(iter(self._tries_ns))]
        tries_ns = self._tries_ns.setdefault(address, deque(maxlen=TRIES_A_MINUTE))
        if len(tries_ns) == TRIES_A_MINUTE and now - tries_ns[0] < MINUTE_S * NS_PER_S:
            wait_s = MINUTE_S - (now - tries_ns[0]) // NS_PER_S
            raise PairingError(f"too many tries; wait {wait_s} s", wait_s=wait_s)
        tries_ns.append(now)

    def _count_wrong(self, address: str) -> None:
        self._wrong[address] += 1
        if self._wrong.total() >= WRONG_TRIES_OF_ALL:
            self._code = None

    def device_of(self, token: str) -> Device | None:
        """Whose token this is; None for nobody's. Takes the same time for every wrong one."""
        hashed = _hash(token)
        found = None
        for device in self._devices:
            if hmac.compare_digest(device.token_sha256, hashed):
                found = device
        return found

    def revoke(self, device: str) -> Device:
        """Let a device in no more, named by its id or its name.

        Raises:
            InputError: no such device, or several of that name.
            StoreError: the file of devices cannot be written.
        """
        found = [each for each in self._devices if device in (each.id, each.name)]
        if len(found) != 1:
            what = "no device is called so" if not found else "several devices are called so; give its id"
            raise InputError(what, where=device)
        self._keep(tuple(each for each in self._devices if each is not found[0]))
        return found[0]

    def _keep(self, devices: tuple[Device, ...]) -> None:
        text = json.dumps([asdict(each) for each in devices], indent=1, ensure_ascii=False)
        try:
            replace_private(self._file, text)
        except OSError as error:
            raise StoreError(f"cannot be written: {error.strerror}", where=str(self._file)) from error
        self._devices = devices


def _hash(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()


def _tidy(name: str) -> str:
    tidy = " ".join("".join(letter for letter in name if letter.isprintable()).split())[:NAME_LONGEST].strip()
    if not tidy:
        raise InputError("a device needs a name", expected="such as tablet at lift 2")
    return tidy


def _read(file: Path) -> tuple[Device, ...]:
    try:
        return tuple(Device(**each) for each in json.loads(file.read_text(encoding="utf-8")))
    except FileNotFoundError:
        return ()
    except (OSError, ValueError, TypeError) as error:
        raise StoreError(
            f"cannot be read: {error}", where=str(file), do="delete it; every device then pairs anew"
        ) from error
