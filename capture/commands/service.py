"""``hubproof service``: the daemon as a service of this user, started with the computer and watched."""

from __future__ import annotations

import os
from pathlib import Path

import click

from capture.commands.options import data_option, indicators_option

UNIT_NAME = "hubproof.service"


@click.command(short_help="Write a systemd user unit that keeps the daemon running.")
@data_option
@indicators_option
@click.option(
    "--limits", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE", help="The workshop's limits."
)
@click.option("--port", type=click.IntRange(1, 65_535), default=4870, show_default=True)
@click.option("--network", is_flag=True, help="Let paired tablets of the workshop's network in too.")
@click.option("--print", "only_print", is_flag=True, help="Print the unit instead of writing it.")
def command(
    data: Path, indicators_file: Path | None, limits: Path | None, port: int, network: bool, only_print: bool
) -> None:
    """Write the unit that lets systemd start the daemon, watch it, and start it again when it hangs.

    It runs as this user, who must have the right to the serial ports (see the message of a refused port).
    The log goes to the journal, which keeps and rotates it: journalctl --user --unit hubproof.
    """
    from capture.service_unit import unit
    from config.errors import InputError

    arguments = ["serve", "--data", str(data.absolute()), "--port", str(port)]
    for option, file in (("--indicators", indicators_file), ("--limits", limits)):
        if file is not None and not file.is_file():
            raise InputError("there is no such file", where=str(file), do=f"name another with {option}")
        arguments += [] if file is None else [option, str(file.absolute())]
    arguments += ["--network"] if network else []
    text = unit(arguments, data.absolute())
    if only_print:
        click.echo(text, nl=False)
        return
    folder = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config") / "systemd" / "user"
    path = folder / UNIT_NAME
    try:
        folder.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(f"cannot be written: {error.strerror}", where=str(path)) from error
    click.echo(f"written: {path}")
    click.echo("start it now and at every login:  systemctl --user daemon-reload")
    click.echo(f"                                  systemctl --user enable --now {UNIT_NAME}")
    click.echo("start it without a login:         loginctl enable-linger")
