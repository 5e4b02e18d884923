"""Devices of the workshop's network: one comes in by its code; the bench lists them and sends them away."""

from __future__ import annotations

from typing import Annotated

from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, ConfigDict, StringConstraints

from capture.api.door import COOKIE
from capture.messages import Message
from capture.pairing import Pairing, PairingError
from config.errors import InputError

YEAR_S = 365 * 24 * 3600


class PairRequest(BaseModel):
    """The code as typed, and what the device shall be called."""

    model_config = ConfigDict(extra="forbid")

    code: Annotated[str, StringConstraints(max_length=20)]
    device: Annotated[str, StringConstraints(max_length=200)] = "device"


class PairedDevice(Message):
    """A device that may come in; `paired_utc` is RFC 3339."""

    id: str
    name: str
    paired_utc: str


class PairingCode(Message):
    """A code for one device, and for how long it stands, in seconds."""

    code: str
    life_s: int


def add_pairing(app: FastAPI, pairing: Pairing | None) -> None:
    """Add the routes of pairing; without `pairing` they say that the network is shut out."""

    @app.post("/pair", status_code=204, responses={401: {}, 429: {}})
    async def pair(request: PairRequest, came: Request) -> Response:
        address = came.client.host if came.client else ""
        try:
            token = _opened(pairing).exchange(request.code, request.device, address)
        except PairingError as error:
            told = {"error": {"kind": "InputError", "code": "not_paired", "what": error.what, "do": error.do}}
            status = 429 if error.wait_s else 401
            headers = {"Retry-After": str(error.wait_s)} if error.wait_s else {}
            return JSONResponse(told, status_code=status, headers=headers)
        answer = Response(status_code=204)
        answer.set_cookie(COOKIE, token, max_age=YEAR_S, httponly=True, samesite="strict", path="/")
        return answer

    @app.get("/devices")
    async def devices() -> tuple[PairedDevice, ...]:
        return tuple(
            PairedDevice(id=each.id, name=each.name, paired_utc=each.paired_utc)
            for each in (pairing.devices() if pairing else ())
        )

    @app.post("/devices/code")
    async def code() -> PairingCode:
        fresh = _opened(pairing).new_code()
        return PairingCode(code=fresh.text, life_s=fresh.life_s)

    @app.delete("/devices/{device}", status_code=204)
    async def revoke(device: str) -> Response:
        _opened(pairing).revoke(device)
        return Response(status_code=204)


def _opened(pairing: Pairing | None) -> Pairing:
    if pairing is None:
        raise InputError(
            "this station is not opened to the network", do="start it with hubproof serve --network"
        )
    return pairing
