"""``hubproof backup``: a whole copy of the record, taken while the station works."""

from __future__ import annotations

from pathlib import Path

import click

from capture.commands.options import data_option, existing_database
from capture.counted import counted


@click.command(short_help="Copy the record while the station works, and check the copy.")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--check", is_flag=True, help="Check an older backup instead: nothing is written.")
@data_option
def command(file: Path, check: bool, data: Path) -> None:
    """Copy the station's record to FILE, which must not be there yet, and check the copy.

    The copy is one state of the record: what was stored when the copy was begun. A run that goes on is
    in it with the readings it had. It is readable by its owner only. To go back to a backup, stop the
    station and put the file in the data folder as hubproof.sqlite, or into a folder of its own named with
    --data. The signing key of claim packs is not in it: keep a copy of the file signing_key apart.
    """
    from analysis.record.backup import back_up, check_backup

    checked = check_backup(file) if check else back_up(existing_database(data), file)
    size_mb = file.stat().st_size / 1e6
    click.echo(
        f"{file}: {counted(checked.runs, 'run')}, {counted(checked.readings, 'reading')},"
        f" {counted(checked.results, 'result')}, {size_mb:.1f} MB; whole,"
        f" and its chain ends in {checked.last_link[:16]}"
    )
