"""What a stranger on the workshop's network tries, and what they get."""

from __future__ import annotations

import json
import re
import stat
from collections.abc import AsyncIterator
from pathlib import Path

import httpx
import pytest
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import ClientConnection, connect

from capture.api.app import create_app
from capture.api.door import COOKIE
from capture.daemon import network_address
from capture.pairing import (
    ADDRESSES_MOST,
    CODE_LENGTH,
    CODE_LIFE_S,
    DEVICES,
    DEVICES_MOST,
    LETTERS,
    TRIES_A_MINUTE,
    WRONG_TRIES,
    WRONG_TRIES_OF_ALL,
    Pairing,
    PairingError,
)
from config.clock import SteppedClock
from config.errors import InputError, StoreError
from tests.capture.daemon_process import DaemonProcess, hubproof, indicators_file
from tests.capture.test_bench import Station, at_work

BENCH = "http://198.51.100.5:4870"  # TEST-NET-2 of RFC 5737
TABLET = ("198.51.100.77", 50_000)
OWN, STRANGER = TABLET[0], "198.51.100.66"


@pytest.fixture
def clock() -> SteppedClock:
    return SteppedClock()


@pytest.fixture
def pairing(tmp_path: Path, clock: SteppedClock) -> Pairing:
    return Pairing(tmp_path, clock)


def test_a_code_lets_one_device_in(pairing: Pairing, tmp_path: Path) -> None:
    code = pairing.new_code().text
    token = pairing.exchange(f"{code[:3].lower()}-{code[3:]}", "  tablet\u202e at\nlift 2 ", OWN)
    device = pairing.device_of(token)
    assert device is not None
    assert device.name == "tablet atlift 2"
    with pytest.raises(PairingError, match="no pairing code stands"):
        pairing.exchange(code, "second", OWN)
    # another process of the station knows the device too, and the file cannot tell the token
    assert Pairing(tmp_path, SteppedClock()).device_of(token) == device
    assert token not in (tmp_path / DEVICES).read_text()
    assert stat.S_IMODE((tmp_path / DEVICES).stat().st_mode) == 0o600


def test_codes_and_tokens_cannot_be_guessed(pairing: Pairing) -> None:
    codes = {pairing.new_code().text for _ in range(500)}
    assert len(codes) == 500
    assert all(re.fullmatch(f"[{LETTERS}]{{{CODE_LENGTH}}}", code) for code in codes)
    # whoever holds all addresses of the network, and a bench that makes ten codes a day: once in 2400 years
    assert len(LETTERS) ** CODE_LENGTH / (WRONG_TRIES_OF_ALL * 10 * 365) > 2400
    tokens = {pairing.exchange(pairing.new_code().text, f"t{n}", OWN) for n in range(TRIES_A_MINUTE)}
    assert {len(token) for token in tokens} == {43}  # 32 random bytes in base64


def test_an_old_code_opens_nothing(pairing: Pairing, clock: SteppedClock) -> None:
    first = pairing.new_code().text
    second = pairing.new_code().text
    with pytest.raises(PairingError, match="not the pairing code"):
        pairing.exchange(first, "tablet", OWN)
    clock.advance(CODE_LIFE_S + 1)
    with pytest.raises(PairingError, match="no pairing code stands"):
        pairing.exchange(second, "tablet", OWN)


def test_who_guesses_is_shut_out_and_the_own_tablet_is_not(pairing: Pairing, clock: SteppedClock) -> None:
    code = pairing.new_code().text
    for _ in range(WRONG_TRIES):
        with pytest.raises(PairingError, match="not the pairing code"):
            pairing.exchange("000000", "stranger", STRANGER)
    with pytest.raises(PairingError, match="too many wrong codes came from this device"):
        pairing.exchange(code, "stranger", STRANGER)  # even with the code in hand
    for _ in range(100):
        with pytest.raises(PairingError):
            pairing.exchange("000000", "stranger", STRANGER)
    assert pairing.exchange(code, "tablet", OWN)
    clock.advance(61)
    assert pairing.exchange(pairing.new_code().text, "stranger", STRANGER)  # a fresh code, a fresh count


def test_guessing_from_many_addresses_voids_the_code(pairing: Pairing) -> None:
    code = pairing.new_code().text
    for number in range(WRONG_TRIES_OF_ALL):
        with pytest.raises(PairingError, match="not the pairing code"):
            pairing.exchange("000000", "stranger", f"198.51.100.{number}")
    with pytest.raises(PairingError, match="no pairing code stands"):
        pairing.exchange(code, "tablet", OWN)


def test_tries_of_any_number_of_addresses_fill_no_memory(pairing: Pairing) -> None:
    for number in range(ADDRESSES_MOST + 50):
        with pytest.raises(PairingError, match="no pairing code stands"):
            pairing.exchange("000000", "stranger", f"10.0.{number // 256}.{number % 256}")
    assert len(pairing._tries_ns) == ADDRESSES_MOST


def test_guessing_fast_is_slowed_down(pairing: Pairing, clock: SteppedClock) -> None:
    for _ in range(TRIES_A_MINUTE):
        with pytest.raises(PairingError):
            pairing.exchange("000000", "stranger", STRANGER)
    clock.advance(20)
    with pytest.raises(PairingError, match="too many tries; wait 40 s") as refused:
        pairing.exchange(pairing.new_code().text, "stranger", STRANGER)
    assert refused.value.wait_s == 40
    assert pairing.exchange(pairing.new_code().text, "tablet", OWN)  # nobody waits for another's tries
    clock.advance(41)
    assert pairing.exchange(pairing.new_code().text, "stranger", STRANGER)


def test_a_device_is_sent_away(pairing: Pairing) -> None:
    kept = pairing.exchange(pairing.new_code().text, "tablet", OWN)
    gone = pairing.exchange(pairing.new_code().text, "phone", OWN)
    assert pairing.revoke("phone").name == "phone"
    assert pairing.device_of(gone) is None
    assert pairing.device_of(kept) is not None
    with pytest.raises(InputError, match="no device is called so"):
        pairing.revoke("phone")


def test_too_many_devices(pairing: Pairing, clock: SteppedClock) -> None:
    for number in range(DEVICES_MOST):
        clock.advance(60)
        pairing.exchange(pairing.new_code().text, f"tablet {number}", OWN)
    with pytest.raises(InputError, match="32 devices are paired already"):
        pairing.exchange(pairing.new_code().text, "one more", OWN)


@pytest.mark.parametrize("content", ["{", '[{"id": "1"}]', "[1]", "null"])
def test_a_broken_file_of_devices_is_told(tmp_path: Path, content: str) -> None:
    (tmp_path / DEVICES).write_text(content)
    with pytest.raises(StoreError, match="every device then pairs anew"):
        Pairing(tmp_path, SteppedClock())


@pytest.fixture
async def network(tmp_path: Path, pairing: Pairing) -> AsyncIterator[tuple[Station, httpx.AsyncClient]]:
    """A station opened to the network, and a tablet that is not paired."""
    async with at_work(tmp_path / "station") as station:
        transport = httpx.ASGITransport(create_app(station.bench, pairing), client=TABLET)
        async with httpx.AsyncClient(transport=transport, base_url=BENCH) as client:
            yield station, client


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("GET", "/health"),
        ("GET", "/runs"),
        ("POST", "/runs"),
        ("GET", "/openapi.json"),
        ("GET", "/page"),
        ("POST", "/"),
        ("GET", "/nothing"),
        ("GET", f"{BENCH}//health"),
        ("GET", "/%2e/health"),
    ],
)
async def test_an_unpaired_device_gets_nothing(
    network: tuple[Station, httpx.AsyncClient], method: str, path: str
) -> None:
    answer = await network[1].request(method, path)
    assert answer.status_code == 401
    assert answer.json()["error"]["code"] == "not_paired"
    assert network[0].bench.active() == ()


async def test_an_unpaired_device_sees_the_page_that_asks_for_the_code(
    network: tuple[Station, httpx.AsyncClient],
) -> None:
    assert (await network[1].get("/")).status_code == 200
    assert (await network[1].get("/page/main.js")).status_code == 200
    assert (await network[1].get("/page/..%2f..%2fbench.py")).status_code == 404


@pytest.mark.parametrize(
    ("headers", "status", "code"),
    [
        ({"host": "evil.example:4870"}, 400, "wrong_host"),  # a name that was let resolve to the bench
        ({"host": "localhost:4870"}, 400, "wrong_host"),
        ({"origin": "http://evil.example"}, 403, "wrong_origin"),
        ({"cookie": f"{COOKIE}=guessed"}, 401, "not_paired"),
        ({"cookie": f"{COOKIE}="}, 401, "not_paired"),
        ({"cookie": "\x00;=;;" + COOKIE}, 401, "not_paired"),
        ({"x-forwarded-for": "127.0.0.1"}, 401, "not_paired"),
        ({"forwarded": "for=127.0.0.1"}, 401, "not_paired"),
        ({"content-length": "99999999"}, 413, "too_large"),
    ],
)
async def test_tricks(
    network: tuple[Station, httpx.AsyncClient], headers: dict[str, str], status: int, code: str
) -> None:
    answer = await network[1].get("/runs", headers=headers)
    assert (answer.status_code, answer.json()["error"]["code"]) == (status, code)


async def test_what_a_proxy_passes_on_is_not_from_this_machine(tmp_path: Path, pairing: Pairing) -> None:
    async with at_work(tmp_path / "station") as station:
        transport = httpx.ASGITransport(create_app(station.bench, pairing), client=("127.0.0.1", 1))
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:4870") as client:
            assert (await client.get("/health")).status_code == 200
            answer = await client.get("/health", headers={"x-forwarded-for": "198.51.100.9"})
            assert answer.status_code == 401


async def test_pairing_through_the_door(network: tuple[Station, httpx.AsyncClient], pairing: Pairing) -> None:
    client = network[1]
    assert (await client.post("/pair", json={"code": "ABCDEF"})).status_code == 401
    answer = await client.post("/pair", json={"code": pairing.new_code().text, "device": "tablet"})
    assert answer.status_code == 204
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert (await client.get("/health")).status_code == 200
    # a paired device lets nobody else in and sends nobody away
    for method, path in (("GET", "/devices"), ("POST", "/devices/code"), ("DELETE", "/devices/tablet")):
        refused = await client.request(method, path)
        assert (refused.status_code, refused.json()["error"]["code"]) == (403, "bench_only")
    pairing.revoke("tablet")
    assert (await client.get("/health")).status_code == 401


async def test_trying_codes_fast_is_answered_with_wait(
    network: tuple[Station, httpx.AsyncClient],
) -> None:
    answers = [await network[1].post("/pair", json={"code": "ABCDEF"}) for _ in range(TRIES_A_MINUTE + 1)]
    assert [each.status_code for each in answers] == [401] * TRIES_A_MINUTE + [429]
    assert answers[-1].headers["retry-after"] == "60"


async def test_a_shut_station_has_no_codes(tmp_path: Path) -> None:
    async with at_work(tmp_path) as station:
        transport = httpx.ASGITransport(create_app(station.bench))
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:1") as client:
            answer = await client.post("/devices/code")
            assert answer.status_code == 400
            assert "hubproof serve --network" in answer.text
            assert (await client.get("/devices")).json() == []
        shut = httpx.ASGITransport(create_app(station.bench), client=TABLET)
        async with httpx.AsyncClient(transport=shut, base_url=BENCH) as client:
            assert (await client.get("/")).status_code == 403


def until_closed(socket: ClientConnection) -> ConnectionClosed:
    """How the station ended a conversation."""
    for _ in range(100):
        try:
            socket.recv(timeout=30)
        except ConnectionClosed as closed:
            return closed
    raise AssertionError("the station went on talking")


@pytest.mark.slow
@pytest.mark.skipif(network_address().startswith("127."), reason="this machine is on no network")
def test_a_tablet_on_a_real_network(tmp_path: Path) -> None:
    with DaemonProcess(tmp_path / "data", indicators_file(tmp_path, {}), "--network") as daemon:
        outside = daemon.address.replace("127.0.0.1", network_address())
        live = outside.replace("http", "ws") + "/live?beat=true"
        with httpx.Client(base_url=outside, trust_env=False) as tablet:
            assert tablet.get("/health").status_code == 401
            with pytest.raises(InvalidStatus, match="403"), connect(live, proxy=None):
                pass
            said = hubproof("devices", "pair", "--data", str(daemon.data)).stdout
            code = re.search(r"pairing code (\w{3}-\w{3}): for one tablet", said)
            assert code, said
            assert tablet.post("/pair", json={"code": code[1], "device": "tablet"}).status_code == 204
            assert tablet.get("/health").status_code == 200
            listed = hubproof("devices", "list", "--json", "--data", str(daemon.data)).stdout
            assert json.loads(listed)["name"] == "tablet"
            token = {"Cookie": f"{COOKIE}={tablet.cookies[COOKIE]}"}
            with connect(live, proxy=None, additional_headers=token) as socket:
                assert json.loads(str(socket.recv(timeout=30)).split("\n")[0])["type"]
                assert hubproof("devices", "revoke", "tablet", "--data", str(daemon.data)).returncode == 0
                closed = until_closed(socket)
            assert closed.rcvd is not None
            assert closed.rcvd.code == 1008
            assert tablet.get("/health").status_code == 401
            assert tablet.cookies[COOKIE] not in daemon.said()  # no secret in the log
            assert "pairing code" not in daemon.said()
