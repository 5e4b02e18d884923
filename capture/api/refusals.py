"""What every request may be answered instead of what it asked for, as the description of the API tells it."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel


class Why(BaseModel):
    """What is wrong, where, what was expected and what to do; `code` of the door's own refusals."""

    kind: str
    what: str
    where: str | None = None
    expected: str | None = None
    do: str | None = None
    code: str | None = None


class Refused(BaseModel):
    """The body of a refusal."""

    error: Why


def _told(text: str) -> dict[str, Any]:
    return {"description": text, "model": Refused}


def _plain(text: str) -> dict[str, Any]:
    schema = {"type": "object", "properties": {"detail": {"type": "string"}}, "required": ["detail"]}
    return {"description": text, "content": {"application/json": {"schema": schema}}}


REFUSALS: dict[int | str, dict[str, Any]] = {
    400: {
        "description": "It cannot be done as asked, or the body cannot be read",
        "content": {
            "application/json": {
                "schema": {
                    "anyOf": [
                        {"$ref": "#/components/schemas/Refused"},
                        {"type": "object", "required": ["detail"]},
                    ]
                }
            }
        },
    },
    401: _told("This device is not paired with the bench"),
    403: _told("From another site, from the network, or for the bench only"),
    404: _plain("There is no such address"),
    405: _plain("Not with this method"),
    413: _told("The request is too large, or does not say how large it is"),
    503: _told("The record refuses: the disk is full, or another program holds it"),
}
