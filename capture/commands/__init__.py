"""The commands, one file each, loaded only when called.

A command is a module of this package with a click command named ``command``, and a line in `COMMANDS`.
Its heavy imports stand inside its function: ``hubproof --help`` loads none of them.
"""

from __future__ import annotations

import errno
import importlib
import io
import os
import sys
import tempfile
import traceback
from types import TracebackType

import click

from config.errors import HubproofError

COMMANDS = {
    "demo": "Measure a simulated hub from end to end.",
    "serve": "Run the daemon that owns the indicators and keeps the record.",
    "devices": "Pair tablets with the bench, list them, send one away.",
    "indicators": "List, find, describe and check the indicators.",
    "measure": "Measure run-out or end play, or check the set-up at rest.",
    "analyse": "Judge the run-out, end play or bore of trace files.",
    "job": "Take a vehicle through inspection, repair and release.",
    "fit": "How tight a bearing sits in its bore, and the press force.",
    "clock": "Find the bolt position of the disc with the least run-out.",
    "study": "Study how far readings repeat between trials and technicians.",
    "backup": "Copy the record while the station works, and check the copy.",
    "service": "Write a systemd user unit that keeps the daemon running.",
    "runs": "List the runs that were kept, or show one.",
    "export": "Write kept runs as CSV, JSON or Parquet.",
    "claim": "Write the signed claim pack of a job.",
    "verify": "Check a claim pack, or the station's record.",
    "schema": "Print the JSON Schema of a result.",
    "simulate": "Keep a simulated indicator alive for bench tests.",
}
"""Name of each command (and of its module) and its first line of help, in the order of use."""

INTERRUPTED = 130
INTERNAL_ERROR = 70  # EX_SOFTWARE of sysexits.h: none of the statuses that say something about a hub


class _LazyGroup(click.Group):
    """Commands that are imported when they are called; the list of them comes from `COMMANDS`."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            from difflib import get_close_matches

            for near in get_close_matches(cmd_name, COMMANDS, n=1):
                raise click.UsageError(f"No such command {cmd_name!r}. Did you mean {near!r}?", ctx)
            return None
        command = importlib.import_module(f"capture.commands.{cmd_name}").command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


def _print_version(ctx: click.Context, _: click.Parameter, wanted: bool) -> None:
    if wanted and not ctx.resilient_parsing:
        from importlib.metadata import version

        click.echo(f"hubproof {version('hubproof')}")
        ctx.exit()


@click.group(
    cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100}
)
@click.option(
    "--version",
    is_flag=True,
    expose_value=False,
    is_eager=True,
    callback=_print_version,
    help="Print the version.",
)
def group() -> None:
    """Run-out and end play of a wheel hub, from a digital indicator to the proof.

    Measuring needs the vehicle on stands that hold it, and the vehicle maker's procedure and figures:
    they take precedence over anything said here.
    """


def run(arguments: list[str] | None = None) -> int:
    """Run one command and tell every foreseen trouble as one line on standard error.

    Args:
        arguments: as typed, without the program's name; None for those of the process.

    Returns:
        The exit status.
    """
    try:
        status = group.main(args=arguments, prog_name="hubproof", standalone_mode=False)
        if sys.stdout is not None:
            sys.stdout.flush()  # what cannot be written is told here, not by the interpreter as it ends
    except HubproofError as error:
        return _refuse(error.line(), error.exit_status)
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message(), err=True)
        return error.exit_code
    except click.UsageError as error:
        path = error.ctx.command_path if error.ctx else "hubproof"
        told = error.format_message().rstrip(".")
        told += "" if told.endswith("?") else ";"
        return _refuse(f"{path}: {told} see '{path} --help'", error.exit_code)
    except click.ClickException as error:
        return _refuse(error.format_message(), error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        return INTERRUPTED
    except BrokenPipeError:
        _drop_output()
        return 0
    except SystemExit:
        return 0  # no command ends so: click or the tables' printer met the broken pipe, and drop the output
    except OSError as error:
        if error.filename is not None:
            told = f"{error.filename}: cannot be read or written: {error.strerror}"
        elif error.errno == errno.ENOSPC:
            _drop_output()
            told = f"the output: cannot be written: {error.strerror}"
        else:
            raise
        return _refuse(told, HubproofError.exit_status)
    return status if isinstance(status, int) else 0


def _drop_output() -> None:
    """Nobody takes the output any more; what is still buffered must not raise again at the exit."""
    if sys.stdout is not None:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)


def _refuse(message: str, status: int) -> int:
    click.echo(" ".join(message.split()), err=True)
    return status


def _tell_internal_error(
    kind: type[BaseException], error: BaseException, trace: TracebackType | None
) -> None:
    """Tell an error of the program itself in one line, and keep the details for whoever mends it."""
    with tempfile.NamedTemporaryFile(
        "w", prefix="hubproof-error-", suffix=".txt", delete=False, encoding="utf-8"
    ) as file:
        traceback.print_exception(kind, error, trace, file=file)
    what = " ".join(f"{kind.__name__}: {error}".split())
    click.echo(f"an error in Hubproof itself: {what}; please report it with the file {file.name}", err=True)
    raise SystemExit(INTERNAL_ERROR)


def main() -> None:
    """The console command ``hubproof``."""
    sys.excepthook = _tell_internal_error
    if sys.stdin is None:  # closed by whoever started this: asked something, it has no answer
        sys.stdin = open(os.devnull, encoding="utf-8")  # noqa: SIM115 - for as long as the process lives
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a sign that the terminal lacks is no reason to end
    sys.exit(run())
