"""``hubproof indicators learn``: describe an indicator by listening to it."""

from __future__ import annotations

import re
import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capture.commands.options import data_option, indicators_option, json_option
from capture.folder import INDICATORS

if TYPE_CHECKING:
    from capture.learning.confirm import Learned
    from config.indicators import Indicator

ADDRESS = re.compile(r"[0-9A-Fa-f]{2}(:[0-9A-Fa-f]{2}){5}|[0-9A-Fa-f]{8}(-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}")
USB = re.compile(r"[0-9A-Fa-f]{4}:[0-9A-Fa-f]{4}")
DATE = click.DateTime(["%Y-%m-%d"])


@click.command("learn", short_help="Describe an indicator by listening to it.")
@click.argument("port", metavar="PORT|ADDRESS")
@click.option("--name", metavar="NAME", help="What the station is to call it.")
@click.option(
    "--known", metavar="LENGTH", help='A length to set when asked, like a gauge block of "1.000 mm".'
)
@click.option("--unit", type=click.Choice(["mm", "in", "um"]), help="Of bare numbers, when it is known.")
@click.option("--no-known", is_flag=True, help="Do without a known length: scale and sign stay unconfirmed.")
@click.option("--permissible-error", metavar="LENGTH", help="The maker's figure.")
@click.option("--range", "range_", metavar="LENGTH", help="Travel of the plunger.")
@click.option(
    "--plunger-out", metavar="LENGTH", help="What it shows with the plunger fully out, when that stays."
)
@click.option("--serial-number", default="", metavar="TEXT")
@click.option("--calibrated", type=DATE, metavar="DATE")
@click.option("--calibration-due", type=DATE, metavar="DATE")
@click.option("--resolution", metavar="LENGTH", help="Its step; else told by its values.")
@click.option("--baud", type=click.IntRange(110, 4_000_000), help="Else the usual ones are tried.")
@click.option("--data-bits", type=click.Choice(["7", "8"]), default="8", show_default=True)
@click.option("--parity", type=click.Choice(["none", "even", "odd"]), default="none", show_default=True)
@click.option("--stop-bits", type=click.Choice(["1", "2"]), default="1", show_default=True)
@click.option("--query", metavar="TEXT", help="What to ask a silent indicator.")
@click.option("--characteristic", metavar="UUID", help="Of a Bluetooth peripheral, when it has several.")
@click.option("--replace", is_flag=True, help="In place of an entry of the same name.")
@click.option("--dry-run", is_flag=True, help="Print the entry, write nothing.")
@indicators_option
@data_option
@json_option
def learn(
    port: str, data: Path, indicators_file: Path | None, as_json: bool, dry_run: bool, **asked: Any
) -> None:
    """Listen to what is at PORT (a path, socket://…, rfc2217://…, a USB id like 0403:6001) or at a Bluetooth
    ADDRESS, propose how it is read, confirm scale, unit and sign with a known length, and write the entry.

    The plunger rests until the known length is asked for. The entry goes into the station's own indicators
    file; the file as it was is kept beside it.
    """
    import asyncio

    from config.indicators_file import add_indicator
    from config.toml_text import indicator_toml

    def say(text: str) -> None:
        click.echo(text, err=as_json)

    details = _details(port, asked)
    link, learned = asyncio.run(_learn(port, say, details, asked))
    described = _entry(details, link, learned, say)
    if dry_run:
        click.echo(indicator_toml(described))
        return
    file = indicators_file or data / INDICATORS
    kept = add_indicator(file, described, replace=asked["replace"])
    if as_json:
        _print_json(described, learned, file, kept)
    else:
        say(indicator_toml(described))
        say(f"Written to {file}" + (f"; the file as it was: {kept}" if kept else ""))
        if not learned.confirmed:
            say("No known length confirmed its scale and sign: check it before you rely on it.")
        say("A running daemon reads it when it is started again.")


def _details(port: str, asked: dict[str, Any]) -> dict[str, Any]:
    """What no listening can tell, typed or asked for before anybody listens.

    Raises:
        UsageError: something is missing, and nobody can be asked.
    """
    tail = re.sub(r"[^\w .-]+", "-", port.rstrip("/").rsplit("/", 1)[-1]).strip("-. ")[:40]
    wanted = {
        "name": ("What is it to be called?", tail or "indicator"),
        "permissible_error": ("Permissible error (maker's figure)", "0.003 mm"),
        "range_": ("Travel of the plunger", "12.7 mm"),
    }
    found: dict[str, Any] = {}
    for key, (question, usual) in wanted.items():
        found[key] = asked[key]
        if found[key] is None and sys.stdin.isatty():
            found[key] = click.prompt(question, default=usual)
        elif found[key] is None and key == "name":
            found[key] = usual
    missing = [f"--{key.rstrip('_').replace('_', '-')}" for key, value in found.items() if value is None]
    known = asked["known"]
    if known is None and not asked["no_known"]:
        if sys.stdin.isatty():
            known = click.prompt("Known length to set (gauge block, feeler)", default="1.000 mm")
        else:
            missing.append("--known (or --no-known)")
    if missing:
        raise click.UsageError("needs " + ", ".join(missing))
    return {**found, "known": None if asked["no_known"] else known, **_more(asked)}


def _more(asked: dict[str, Any]) -> dict[str, Any]:
    def day(when: datetime | None) -> Any:
        return when.date() if when is not None else None

    return {
        "serial_number": asked["serial_number"],
        "calibrated": day(asked["calibrated"]),
        "calibration_due": day(asked["calibration_due"]),
        "plunger_out": asked["plunger_out"],
        "resolution": asked["resolution"],
    }


async def _learn(
    port: str, say: Any, details: dict[str, Any], asked: dict[str, Any]
) -> tuple[dict[str, Any], Learned]:
    from config.clock import SystemClock
    from config.errors import InputError
    from config.lengths import parse_length_nm

    known_nm = None if details["known"] is None else parse_length_nm(details["known"], where="--known")
    if known_nm is not None and known_nm <= 0:
        raise InputError("is not above zero", where="--known", expected="a plunger pushed in by a length")
    if ADDRESS.fullmatch(port):
        from capture.learning.radio import learn_bluetooth

        return await learn_bluetooth(
            port,
            say,
            SystemClock(),
            known_nm=known_nm,
            unit=asked["unit"],
            characteristic=asked["characteristic"],
        )
    from capture.learning.listening import BAUDS, learn_serial

    link = {
        "kind": "serial",
        **({"usb": port} if USB.fullmatch(port) else {"port": port}),
        "data_bits": int(asked["data_bits"]),
        "parity": asked["parity"],
        "stop_bits": int(asked["stop_bits"]),
    }
    return await learn_serial(
        link,
        say,
        SystemClock(),
        bauds=(asked["baud"],) if asked["baud"] else BAUDS,
        known_nm=known_nm,
        unit=asked["unit"],
        query=asked["query"],
    )


def _entry(details: dict[str, Any], link: dict[str, Any], learned: Learned, say: Any) -> Indicator:
    """The whole entry, validated.

    Raises:
        InputError: the details are no lengths or dates, or the step is not known.
    """
    from pydantic import ValidationError

    from config.errors import InputError
    from config.indicators import Indicator

    resolution = details["resolution"]
    if resolution is None and learned.resolution_nm is not None:
        resolution = f"{learned.resolution_nm} nm"
        say(f"Its values come in steps of {learned.resolution_nm / 1e6:g} mm.")
    if resolution is None:
        raise InputError("too few values were seen to tell its step", where="--resolution", do="give it")
    content = {
        "name": details["name"],
        "resolution": resolution,
        "permissible_error": details["permissible_error"],
        "range": details["range_"],
        "rate_hz": learned.rate_hz,
        **{key: details[key] for key in ("serial_number", "calibrated", "calibration_due", "plunger_out")},
        "link": link,
        "format": learned.form,
    }
    try:
        return Indicator.model_validate({key: value for key, value in content.items() if value is not None})
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise InputError(first["msg"].removeprefix("Value error, "), where=f"--{where}") from error


def _print_json(described: Indicator, learned: Learned, file: Path, kept: Path | None) -> None:
    import json

    told = {
        "kind": "learned",
        "file": str(file),
        "kept": str(kept) if kept else None,
        "confirmed": learned.confirmed,
        "indicator": described.model_dump(mode="json"),
    }
    click.echo(json.dumps(told, ensure_ascii=False))
