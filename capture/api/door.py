"""Who may come in: this machine's own pages and programs, and paired devices of the workshop's network.

A page of a stranger can make a browser call loopback addresses, by a plain request, by a WebSocket, or
by a name of its own that it lets resolve to 127.0.0.1. The Host header unmasks the last, Origin the rest.
A device on the network shows the token that it got for the pairing code.
"""

from __future__ import annotations

import re
import socket
from http.cookies import CookieError, SimpleCookie
from ipaddress import ip_address
from typing import Any

from starlette.datastructures import Headers
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from capture.pairing import Pairing

HOST = re.compile(r"(?:\[(?P<address>[0-9a-f:.]+)\]|(?P<name>[a-z0-9._-]+))(?::[0-9]{1,5})?")
SAID_ONCE = ("host", "origin", "content-length")
OWN_NAMES = frozenset({"127.0.0.1", "localhost", "::1"})
LARGEST_BODY = 65_536
LARGEST_PHOTO = 12_000_000
POLICY_VIOLATION = 1008  # RFC 6455, 7.4.1
COOKIE = "hubproof_device"
OPEN_TO_ALL = {("GET", "/"), ("POST", "/pair")}  # with the page's files: what an unpaired device needs
PAGE = "/page/"
BENCH_ONLY = ("/devices",)
FORWARDED = ("forwarded", "x-forwarded-for", "x-real-ip")

Refusal = tuple[int, str, str]
"""HTTP status, a code for programs, a sentence for people."""


class Door:
    """ASGI middleware that turns strangers away.

    Args:
        app: what is behind the door.
        pairing: the devices that may come in from the network; None when the door is shut to it.
    """

    def __init__(self, app: ASGIApp, pairing: Pairing | None = None) -> None:
        self._app = app
        self._pairing = pairing

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let in, or refuse with one sentence."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        refused = refusal(scope, self._pairing)
        if refused is None:
            await self._app(scope, receive, send)
        elif scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": POLICY_VIOLATION, "reason": refused[2]})
        else:
            status, code, why = refused
            told = {"error": {"kind": "InputError", "code": code, "what": why}}
            await JSONResponse(told, status_code=status)(scope, receive, send)


def refusal(scope: Scope, pairing: Pairing | None = None) -> Refusal | None:
    """Why a request is not let in, or None."""
    headers = Headers(scope=scope)
    here = is_here(scope, headers)
    if any(len(headers.getlist(name)) > 1 for name in SAID_ONCE):
        return 400, "said_twice", "a request names its host and its origin once"
    if host_name(headers.get("host", "")) not in (OWN_NAMES if here else _network_names(scope)):
        return 400, "wrong_host", "this address is not one of this station"
    origin = headers.get("origin")
    # "null" (a sandboxed page, a file) is a stranger too. Compared as text: a stranger's is not parsed
    if origin is not None and origin != f"http://{headers.get('host')}":
        return 403, "wrong_origin", "pages of other sites are not let in"
    length, most = headers.get("content-length", "0"), _largest_body(scope)
    if not length.isdecimal() or int(length) > most or "transfer-encoding" in headers:
        return 413, "too_large", f"a request holds at most {most} bytes and says how many"
    return None if here else _from_network(scope, headers, pairing)


def _from_network(scope: Scope, headers: Headers, pairing: Pairing | None) -> Refusal | None:
    if pairing is None:
        return 403, "not_open", "this station is not opened to the network"
    path = str(scope["path"])
    if path.startswith(BENCH_ONLY):
        return 403, "bench_only", "devices are let in and sent away at the bench only"
    if pairing.device_of(token_of(headers)) is None and not _open_to_all(scope):
        return 401, "not_paired", "this device is not paired with the bench"
    return None


def _open_to_all(scope: Scope) -> bool:
    if scope["type"] != "http":
        return False
    method, path = scope["method"], str(scope["path"])
    return (method, path) in OPEN_TO_ALL or (method == "GET" and path.startswith(PAGE))


def is_here(scope: Scope, headers: Headers) -> bool:
    """Whether a request comes from this machine itself, and not through a program that passes it on."""
    client: Any = scope.get("client")
    if not client or any(name in headers for name in FORWARDED):
        return False
    try:
        return ip_address(client[0]).is_loopback
    except ValueError:
        return False


def _network_names(scope: Scope) -> frozenset[str]:
    """The address the request was sent to, and this machine's name; never a name that a stranger chose."""
    server: Any = scope.get("server")
    name = socket.gethostname().lower()
    return frozenset({str(server[0])} if server else ()) | {name, f"{name}.local"}


def _largest_body(scope: Scope) -> int:
    return LARGEST_PHOTO if str(scope.get("path", "")).endswith("/photos") else LARGEST_BODY


def token_of(headers: Headers) -> str:
    """The token that a request shows, as its cookie; empty when it shows none."""
    try:
        cookie = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return ""
    return cookie.value if cookie else ""


def host_name(host: str) -> str:
    """The name in a Host header, without its port: ``127.0.0.1:4870``, ``[::1]:4870``.

    Empty when it is no host and port (RFC 9110, 7.2): nothing may stand behind the name but a number.
    """
    written = HOST.fullmatch(host.lower())
    return (written["address"] or written["name"]) if written else ""
