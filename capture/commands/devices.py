"""``hubproof devices``: the tablets of the workshop's network that may come in."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capture.commands.options import data_option, json_option

if TYPE_CHECKING:
    from capture.pairing import Code


@click.group(short_help="Pair tablets with the bench, list them, send one away.")
def command() -> None:
    """Pair tablets with the bench, list them, send one away.

    A tablet needs the daemon opened to the network: hubproof serve --network.
    """


@command.command("list")
@data_option
@json_option
def list_devices(data: Path, as_json: bool) -> None:
    """List the devices that may come in."""
    import json

    devices = _ask(data, "GET", "/devices")
    if as_json:
        for each in devices:
            click.echo(json.dumps(each, ensure_ascii=False))
        return
    if not devices:
        click.echo("no device is paired")
    for each in devices:
        click.echo(f"{each['id']}  {each['paired_utc']}  {each['name']}")


@command.command("pair")
@data_option
def pair(data: Path) -> None:
    """Show a code that lets one more device in."""
    from capture.daemon import network_address
    from capture.pairing import Code

    told = _ask(data, "POST", "/devices/code")
    port = _address(data).rpartition(":")[2]
    show_code(f"http://{network_address()}:{port}", Code(told["code"], told["life_s"]))


@command.command("revoke")
@click.argument("device")
@data_option
def revoke(device: str, data: Path) -> None:
    """Let DEVICE (its id or its name) in no more."""
    from urllib.parse import quote

    _ask(data, "DELETE", f"/devices/{quote(device, safe='')}")
    click.echo(f"{device} is sent away")


def _address(data: Path) -> str:
    from capture.folder import read_place
    from config.errors import InputError

    place = read_place(data)
    if place is None:
        raise InputError("no daemon works with this folder", where=str(data), do="hubproof serve --network")
    return place.address


def _ask(data: Path, method: str, path: str) -> Any:
    import asyncio

    import httpx

    from capture.client import TIMEOUT_S, DaemonStation

    async def asked() -> Any:
        address = _address(data)
        async with httpx.AsyncClient(base_url=address, timeout=TIMEOUT_S, trust_env=False) as client:
            return await DaemonStation(address, client).ask(method, path)

    return asyncio.run(asked())


def show_opened(address: str, new_code: Callable[[], Code]) -> None:
    """Show that the station is open, with a code where a person sees it; a log holds no secrets."""
    if sys.stdout.isatty():
        show_code(address, new_code())
    else:
        click.echo(f"open to this network at {address}; for a code: hubproof devices pair")


def show_code(address: str, code: Code) -> None:
    """Show where a tablet finds the station and what to type, as text and as a code to scan."""
    import io

    import segno

    drawn = io.StringIO()
    # behind the "#" the code stays in the tablet: a browser never sends that part
    segno.make(f"{address}/#pair={code.text}", error="l").terminal(drawn, compact=True)
    click.echo(f"open to this network at {address}")
    click.echo(f"pairing code {spoken(code)}: for one tablet, for {code.life_s // 60} minutes")
    click.echo(drawn.getvalue(), nl=False)
    click.echo("another code: hubproof devices pair")


def spoken(code: Code) -> str:
    """A code in two groups, as it is easily read aloud."""
    half = len(code.text) // 2
    return f"{code.text[:half]}-{code.text[half:]}"
