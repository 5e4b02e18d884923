"""Spoiled files, settings, requests and messages at every door: refused in one line, in bounded time.

    python -m tests.bench.fuzz [--count 3000] [--seed 1]

Each input is a good one that was cut, doubled, flipped, mixed with hostile pieces, or blown up. It may be
taken or refused; an error that is not one clear line, an answer of the server's own failing, or an input
that takes seconds, is a find. The bytes of indicators and claim packs have fuzzers of their own.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import random
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

from analysis.trace_file import read_trace
from capture.api.app import create_app
from config.errors import HubproofError
from config.indicators import load_indicators
from config.path import load_path
from config.settings import load_limits, shipped
from tests.bench.load import Line, table, told

SLOW_S = 4.0  # of process time: another program may hold the machine
LONGEST_TALK_S = 30.0  # by the clock, since the station is another process
HOSTILE = (
    b"nan", b"NaN", b"inf", b"-Infinity", b"1e999", b"-1e-999", b"1e308", b"0x10", b"1_000", b"\xff\xfe",
    b"\x00", b"\x1a", b"\xf0\x9f\x92\xa9", b"\xc0\xaf", b'"', b"'", b"\\", b"\r", b"\n", b"\r\n\r\n", b",",
    b"=cmd|' /C calc'!A0", b";", b"../../../../etc/passwd", b"%00", b"%s%n", b"{{7*7}}", b"<script>",
    b"' OR 1=1 --", b"9" * 400, b"-" * 300, b"[" * 2_000, b"{" * 2_000, b"a" * 70_000, b"#", b"time_s",
    b"reading_mm", b"mark",
    "١٢".encode(), b"\xe2\x80\xae", b"1" + b"0" * 30, b"18446744073709551616", b"-0",
)  # fmt: skip

TRACE = b"time_s,reading_mm,mark,flag\r\n# an invented hub\r\n" + b"".join(
    b"%.3f,%.3f,%d,%s\r\n" % (i * 0.02, (i % 37) / 1_000, i % 50 == 0, b"hold" if i == 9 else b"")
    for i in range(200)
)


@dataclass
class Found:
    """What the inputs of one door came to."""

    taken: int = 0
    refused: int = 0
    finds: list[str] = field(default_factory=list)
    slowest_s: float = 0.0

    def timed(self, took_s: float, what: str, most_s: float = SLOW_S) -> None:
        self.slowest_s = max(self.slowest_s, took_s)
        if took_s > most_s:
            self.finds.append(f"{took_s:.1f} s: {what[:200]}")


def spoiled(good: bytes, dice: random.Random) -> bytes:
    """`good` after one to four mishaps."""
    data = bytearray(good)
    for _ in range(dice.randint(1, 4)):
        at = dice.randrange(len(data) + 1)
        end = min(len(data), at + dice.choice((1, 3, 20, 300)))
        match dice.randrange(7):
            case 0:
                del data[at:end]
            case 1:
                data[at:at] = data[at:end] * dice.choice((1, 2, 50))
            case 2 if data:
                data[at % len(data)] ^= 1 << dice.randrange(8)
            case 3:
                data[at:end] = dice.choice(HOSTILE)
            case 4:
                data[at:at] = dice.choice(HOSTILE)
            case 5:
                data = data[:at]
            case _:
                data[at:end] = dice.randbytes(end - at)
    return bytes(data)


def clear(error: HubproofError) -> bool:
    """One line, of a length that a person reads, without the signs of an inner error."""
    line = error.line()
    return "\n" not in line and line.isprintable() and len(line) < 2_000 and "Traceback" not in line


def files(count: int, seed: int, good: bytes, name: str, load: Callable[[Path], object]) -> Found:
    """Spoiled copies of a good file, each loaded as a command would."""
    dice, found = random.Random(seed), Found()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        for number in range(count):
            data = spoiled(good, dice)
            path.write_bytes(data)
            began = time.process_time()
            try:
                load(path)
                found.taken += 1
            except HubproofError as error:
                found.refused += 1
                if not clear(error):
                    found.finds.append(f"{name} {number}: {error.line()[:300]!r}")
            except (Exception, RecursionError) as error:  # noqa: BLE001 - this is what is looked for
                found.finds.append(f"{name} {number}: {type(error).__name__}: {error} {data[:80]!r}")
            found.timed(time.process_time() - began, f"{name} {number}")
    return found


# The daemon's door -------------------------------------------------------------------------------

BODIES: tuple[tuple[str, str, dict[str, Any]], ...] = (
    ("POST", "/runs", {"kind": "runout", "turns": 3, "limit": "0.05 mm", "wheel": "front left"}),
    (
        "POST",
        "/runs",
        {"kind": "endplay", "strokes": 3, "indicator": "tested", "job": "x", "stage": "as found"},
    ),
)
NAMES = ("last", "019b", "nothing", "..%2F..", "%00", "a" * 300, "front left", "1", "tested")
QUERIES = ("last=1", "last=-1", "last=9" + "9" * 40, "kind=runout", "wheel=x", "job=%FF", "a&&=&")
TYPES = ("application/json", "application/json", "text/plain", "application/json; charset=utf-7")


def routes(app: Any) -> list[tuple[str, str]]:
    """Every method and path that the application answers."""
    return [
        (method.upper(), path)
        for path, methods in app.openapi()["paths"].items()
        for method in methods
        if method in ("get", "post", "put", "delete", "patch")
    ]


async def requests(bench: Any, count: int, seed: int) -> Found:
    """Spoiled bodies, paths, queries and headers against every route, in this process."""
    app, dice, found = create_app(bench), random.Random(seed), Found()
    known = routes(app)
    transport = httpx.ASGITransport(app)  # an error inside the application comes out here
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:4870") as client:
        for number in range(count):
            method, path, content, headers = a_request(known, dice)
            began = time.process_time()
            try:
                answer = await client.request(method, path, content=content, headers=headers)
                if answer.status_code >= 500 and answer.status_code != 503:
                    found.finds.append(f"{number}: {answer.status_code} {method} {path!r} {content[:80]!r}")
                elif answer.is_success:
                    found.taken += 1
                else:
                    found.refused += 1
                if "Traceback" in answer.text:
                    found.finds.append(f"{number}: a traceback for {method} {path!r}")
            except httpx.InvalidURL:
                continue
            except (Exception, RecursionError) as error:  # noqa: BLE001 - this is what is looked for
                what = f"{type(error).__name__}: {error}"
                found.finds.append(f"{number}: {method} {path!r} {content[:80]!r}: {what}")
            found.timed(time.process_time() - began, f"{method} {path}")
    return found


def a_request(known: list[tuple[str, str]], dice: random.Random) -> tuple[str, str, bytes, dict[str, str]]:
    method, path = dice.choice(known)
    while "{" in path:
        before, _, rest = path.partition("{")
        name = dice.choice(
            ("last", "019b", "nothing", "..%2F..", "%00", "a" * 300, "front left", "1", "tested")
        )
        path = before + name + rest.partition("}")[2]
    if dice.random() < 0.4:
        query = dice.choice(
            ("last=1", "last=-1", "last=9" + "9" * 40, "kind=runout", "wheel=x", "job=%FF", "a&&=&")
        )
        path += "?" + query
    _, _, body = dice.choice(BODIES)
    content = json.dumps(body).encode()
    if dice.random() < 0.8:
        content = spoiled(content, dice)[:60_000]
    headers = {
        "content-type": dice.choice(("application/json", "text/plain", "application/json; charset=utf-7"))
    }
    return method, path, content if method != "GET" else b"", headers


def messages(address: str, count: int, seed: int) -> Found:
    """Frames that no listener sends, against the running daemon: it may close the socket, never fall."""
    from websockets.exceptions import ConnectionClosed, InvalidStatus
    from websockets.sync.client import connect

    dice, found = random.Random(seed), Found()
    url = address.replace("http", "ws") + "/live"
    for number in range(count):
        began = time.perf_counter()
        try:
            with connect(url + dice.choice(("", "?beat=true", "?beat=%FF", "?x")), proxy=None) as socket:
                for _ in range(dice.randint(1, 5)):
                    frame = spoiled(b'{"type": "readings", "run": null}', dice)
                    if dice.random() < 0.1:
                        frame *= 3_000_000 // len(frame or b"x") if frame else 1
                    socket.send(frame if dice.random() < 0.5 else frame.decode("latin-1"))
                found.taken += 1
        except (ConnectionClosed, InvalidStatus):
            found.refused += 1
        found.timed(time.perf_counter() - began, f"message {number}", LONGEST_TALK_S)
    answer = httpx.get(address + "/health", trust_env=False, timeout=10)
    if answer.status_code != 200:
        found.finds.append(f"the daemon answers {answer.status_code} afterwards")
    return found


# All of them -------------------------------------------------------------------------------------


def all_files(count: int, seed: int) -> dict[str, Found]:
    return {
        "trace files": files(count, seed, TRACE, "trace.csv", read_trace),
        "indicators.toml": files(
            count // 3, seed, shipped("indicators.toml").encode(), "indicators.toml", load_indicators
        ),
        "limits.toml": files(count // 3, seed, shipped("limits.toml").encode(), "limits.toml", load_limits),
        "path.toml": files(count // 3, seed, shipped("path.toml").encode(), "path.toml", load_path),
    }


async def at_the_door(count: int, seed: int) -> Found:
    from tests.capture.test_bench import at_work

    with tempfile.TemporaryDirectory() as folder:
        async with at_work(Path(folder)) as station:
            return await requests(station.bench, count, seed)


def on_the_socket(count: int, seed: int) -> Found:
    from tests.capture.daemon_process import DaemonProcess, indicators_file

    with tempfile.TemporaryDirectory() as folder:
        described = indicators_file(Path(folder), {"bench": "/dev/none"})
        with DaemonProcess(Path(folder) / "data", described) as daemon:
            found = messages(daemon.address, count, seed)
            if "Traceback" in daemon.said():
                found.finds.append("the daemon's log has a traceback: " + daemon.said()[-1_500:])
    return found


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--count", type=int, default=3_000)
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    before_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    doors = all_files(given.count, given.seed)
    doors["requests"] = asyncio.run(at_the_door(given.count, given.seed))
    doors["messages on the socket"] = on_the_socket(given.count // 10, given.seed)
    grown_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024 - before_mb
    lines = []
    for name, found in doors.items():
        for find in found.finds[:10]:
            told(f"FOUND in {name}: {find}")
        lines += [
            Line(f"{name}: taken", found.taken, ""),
            Line(f"{name}: refused", found.refused, ""),
            Line(f"{name}: not refused clearly", len(found.finds), "", at_most=0),
            Line(f"{name}: slowest", found.slowest_s, "s", at_most=SLOW_S),
        ]
    lines.append(Line("largest memory grown by", grown_mb, "MB", at_most=200))
    sys.exit(0 if table(f"Fuzz, seed {given.seed}", lines) else 1)


if __name__ == "__main__":
    main()
