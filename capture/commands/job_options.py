"""Options and ways to answer that the ``hubproof job`` commands share."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from config.errors import InputError

TECHNICIAN = click.option("--technician", required=True, metavar="NAME", help="Who does it.")
WHEEL = click.option("--wheel", metavar="POSITION", help="Front left, FL …; not needed with one wheel end.")
PATH = click.option(
    "--path",
    "path_file",
    type=click.Path(dir_okay=False, path_type=Path),
    envvar="HUBPROOF_PATH",
    help="The workshop's own path of steps, instead of path.toml in the data folder.",
)


def pairs(typed: Sequence[str], what: str, where: str, example: str) -> dict[str, str]:
    """What was typed as ``name=value``, by name.

    Raises:
        InputError: no equals sign, or a name twice.
    """
    found: dict[str, str] = {}
    for text in typed:
        name, equals, value = text.partition("=")
        if not equals or name.strip() in found:
            why = "is there twice" if equals else f"is not a {what}"
            raise InputError(f"{text!r} {why}", where=where, expected=f"such as {example}")
        found[name.strip()] = value.strip()
    return found


def say(value: dict[str, Any], text: str | None, as_json: bool) -> None:
    """One line: `value` as JSON, or `text` for people (None for none)."""
    if as_json:
        import json

        click.echo(json.dumps(value, ensure_ascii=False))
    elif text is not None:
        click.echo(text)
