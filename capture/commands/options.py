"""Options that several commands share, and where the station keeps its data."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from capture.folder import DATABASE, INDICATORS

if TYPE_CHECKING:
    from config.indicators import Indicator

Function = TypeVar("Function", bound=Callable[..., Any])
SHORT_ID = 13  # the milliseconds of a UUIDv7: enough to tell the runs or jobs of one bench apart


def data_folder() -> Path:
    """The folder of this user's data on this system."""
    from platformdirs import user_data_path

    return user_data_path("hubproof", appauthor=False)


def data_option(function: Function) -> Function:
    """Add ``--data DIR``, given to the function as `data`, a `Path`."""
    return click.option(
        "--data",
        type=click.Path(file_okay=False, path_type=Path),
        envvar="HUBPROOF_DATA",
        default=data_folder,
        metavar="DIR",
        help="Folder of the station's data, instead of this user's data folder.",
    )(function)


def indicators_option(function: Function) -> Function:
    """Add ``--indicators FILE``, given to the function as `indicators_file`."""
    return click.option(
        "--indicators",
        "indicators_file",
        type=click.Path(dir_okay=False, path_type=Path),
        metavar="FILE",
        help="The workshop's indicators, instead of indicators.toml in the data folder.",
    )(function)


def station_indicators(data: Path, file: Path | None) -> tuple[Indicator, ...]:
    """The indicators of the station: of `file`, else of its data folder, else none. Never the examples.

    Raises:
        InputError: the file is missing or wrong.
    """
    from config.indicators import load_indicators

    own = file or data / INDICATORS
    return load_indicators(own) if file or own.is_file() else ()


def json_option(function: Function) -> Function:
    """Add ``--json``, given to the function as `as_json`."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON, one object a line.")(function)


def existing_database(data: Path) -> Path:
    """The database of a data folder, for commands that only read.

    Raises:
        StoreError: there is none yet.
    """
    from config.errors import StoreError

    path = data / DATABASE
    if not path.is_file():
        raise StoreError(
            "there is no database yet", where=str(path), do="measure first, or name the folder with --data"
        )
    return path


def existing_folder(data: Path) -> Path:
    """The data folder, for commands that need a record in it: a name typed wrongly must not make a new one.

    Raises:
        StoreError: there is none yet.
    """
    existing_database(data)
    return data
