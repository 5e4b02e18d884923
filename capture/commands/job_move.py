"""A job taken to another bench: written to a file there, merged from it here."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from capture.commands.job_options import say
from capture.commands.options import data_option, existing_folder, json_option
from capture.counted import counted


@click.command("export", short_help="Write a JOB to a file, for another bench.")
@click.argument("job")
@click.option("--out", type=click.Path(path_type=Path), metavar="FILE", help="File to write, or its folder.")
@data_option
@json_option
def export(job: str, out: Path | None, data: Path, as_json: bool) -> None:
    """Write a JOB with its runs and photos to a file, to take it up on another bench."""
    from analysis.record.job_merge import ENDING, export_job
    from capture.jobs import jobs_in

    with jobs_in(existing_folder(data)) as jobs:
        found = jobs.find(job)
        name = f"{found.id}{ENDING}"
        file = Path(name) if out is None else out / name if out.is_dir() else out
        export_job(jobs, found, file)
    say({"job": found.id, "file": str(file)}, str(file), as_json)


@click.command("import", short_help="Merge a job's FILE from another bench.")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@data_option
@json_option
def import_file(file: Path, data: Path, as_json: bool) -> None:
    """Merge a job's FILE from another bench: entries of both stay, of each step the latest counts."""
    from analysis.record.job_merge import import_job
    from capture.jobs import jobs_in

    with jobs_in(data) as jobs:
        merged = import_job(jobs, file)
    for text in merged.differing:
        click.echo(text, err=True)
    what = "opened here" if merged.new_job else "merged"
    came = (
        counted(merged.entries, "entry", "entries"),
        counted(merged.runs, "run"),
        counted(merged.photos, "photo"),
    )
    text = f"job {merged.job} {what}: {', '.join(came)}"
    say(asdict(merged), text, as_json)
