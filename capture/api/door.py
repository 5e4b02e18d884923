"""Who may come in: requests meant for this machine, from this machine's own pages and programs.

A page of a stranger can make a browser call loopback addresses, by a plain request, by a WebSocket, or
by a name of its own that it lets resolve to 127.0.0.1. The Host header unmasks the last, Origin the rest.
"""

from __future__ import annotations

from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Receive, Scope, Send

OWN_NAMES = frozenset({"127.0.0.1", "localhost", "::1"})
LARGEST_BODY = 65_536
POLICY_VIOLATION = 1008  # RFC 6455, 7.4.1


class Door:
    """ASGI middleware that turns strangers away."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let in, or refuse with one sentence."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        refused = refusal(Headers(scope=scope))
        if refused is None:
            await self._app(scope, receive, send)
        elif scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": POLICY_VIOLATION, "reason": refused[1]})
        else:
            status, why = refused
            answer = JSONResponse({"error": {"kind": "InputError", "what": why}}, status_code=status)
            await answer(scope, receive, send)


def refusal(headers: Headers) -> tuple[int, str] | None:
    """HTTP status and sentence when a request is not let in, else None."""
    if host_name(headers.get("host", "")) not in OWN_NAMES:
        return 400, "this address is not one of this station"
    origin = headers.get("origin")
    # "null" (a sandboxed page, a file) is a stranger too
    if origin is not None and (
        urlsplit(origin).scheme != "http" or urlsplit(origin).netloc != headers.get("host")
    ):
        return 403, "pages of other sites are not let in"
    length = headers.get("content-length", "0")
    if not length.isdecimal() or int(length) > LARGEST_BODY or "transfer-encoding" in headers:
        return 413, f"a request holds at most {LARGEST_BODY} bytes and says how many"
    return None


def host_name(host: str) -> str:
    """The name in a Host header, without its port: ``127.0.0.1:4870``, ``[::1]:4870``."""
    if host.startswith("["):
        return host[1:].partition("]")[0]
    return host.partition(":")[0].lower()
