"""``hubproof claim``: the signed claim pack of a job."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from capture.commands.job import PATH
from capture.commands.options import data_option, existing_database
from capture.counted import counted
from capture.folder import KEY
from config.errors import InputError

if TYPE_CHECKING:
    from analysis.claim.pack import Pack
    from analysis.claim.values import ClaimInput, Form, Job


@click.command(short_help="Write the signed claim pack of a job.")
@click.argument("job", required=False)
@click.option("--run", "runs", multiple=True, metavar="RUN", help="Claim with this run; may be repeated.")
@click.option("--wheel", metavar="WHEEL", help="Only this wheel end: front left, or FL, and so on.")
@click.option(
    "--details",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="The job's particulars as JSON instead of the recorded ones (schema: 'job' of job.json in a pack).",
)
@click.option(
    "--workshop",
    metavar="NAME",
    envvar="HUBPROOF_WORKSHOP",
    default="",
    help="Who hands it over; from HUBPROOF_WORKSHOP if not given.",
)
@click.option("--out", type=click.Path(path_type=Path), metavar="FILE", help="Zip to write, or its folder.")
@click.option("--with-customer", is_flag=True, help="Hand over the customer's name and the plate too.")
@click.option(
    "--language", type=click.Choice(["en", "de"]), default="en", show_default=True, help="Of the report."
)
@click.option(
    "--paper", type=click.Choice(["a4", "us-letter"]), default="a4", show_default=True, help="Of the report."
)
@click.option(
    "--first", type=click.Choice(["mm", "in"]), default="mm", show_default=True, help="Unit named first."
)
@PATH
@data_option
def command(
    job: str | None,
    runs: tuple[str, ...],
    wheel: str | None,
    details: Path | None,
    out: Path | None,
    with_customer: bool,
    language: str,
    paper: str,
    first: str,
    workshop: str,
    path_file: Path | None,
    data: Path,
) -> int:
    """Write the signed claim pack of a JOB, or of single runs.

    JOB is its id, the beginning of it, a VIN, or 'last'. The pack is one zip: the report (page 1 decides),
    every reading, every figure, the limits and the instruments, signed. `hubproof verify` checks it on any
    machine. The signing key is made on first use and stays in the data folder, readable by its owner only.
    """
    from analysis.claim.pack import make_pack
    from analysis.claim.signature import load_or_make_key
    from analysis.claim.values import Form

    if (job is None) == (not runs):
        raise click.UsageError("name either a JOB or runs with --run")
    if runs and wheel is not None:
        raise click.UsageError("--wheel goes with a JOB")
    form = Form.model_validate({"language": language, "paper": paper, "first_unit": first})
    told = _details(details)
    if job is None:
        claim = _of_runs(runs, told, form, data)
    else:
        claim = _of_job(job, wheel, workshop, form, path_file, data)
        claim = claim if told is None else replace(claim, job=told)
    key = load_or_make_key(data / KEY)
    pack = make_pack(claim, key, with_customer=with_customer)
    for warning in pack.warnings:
        click.echo(f"warning: {warning}", err=True)
    click.echo(f"{_write(pack, out)}: {counted(len(claim.runs), 'run')}, signed by {key.public.fingerprint}")
    return 0


def _of_runs(runs: tuple[str, ...], details: Job | None, form: Form, data: Path) -> ClaimInput:
    from analysis.claim.from_record import claim_from_record
    from analysis.record import Store

    with Store.open(existing_database(data)) as store:
        return claim_from_record(store, runs, details, form=form)


def _of_job(
    name: str, wheel: str | None, workshop: str, form: Form, path_file: Path | None, data: Path
) -> ClaimInput:
    from analysis.claim.from_record import claim_from_record, claim_of_job, runs_named
    from analysis.record import Store
    from analysis.record.jobs import Jobs
    from analysis.record.words import parse_wheel
    from config.path import load_path

    database = existing_database(data)
    position = None if wheel is None else parse_wheel(wheel)
    with Store.open(database) as store:
        # Runs may carry the number of a job that is kept elsewhere.
        named = runs_named(store, name, position)
        with Jobs.open(database) as jobs:
            if named and not jobs.has(name):
                return claim_from_record(store, named, form=form)
            job = jobs.find(name)
        return claim_of_job(store, job, load_path(path_file), position, workshop=workshop, form=form)


def _details(path: Path | None) -> Job | None:
    if path is None:
        return None
    from analysis.claim.documents import read_model
    from analysis.claim.values import Job

    try:
        return read_model(Job, path.read_bytes(), str(path))
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=str(path)) from error


def _write(pack: Pack, out: Path | None) -> Path:
    """Write the zip whole or not at all, under its own name unless a file was named."""
    name = f"{pack.name}.zip"
    path = Path(name) if out is None else out / name if out.is_dir() else out
    if path.exists() and not path.is_file():
        raise InputError("is no file, and not replaced", where=str(path), do="name a file or a folder")
    draft = path.with_name(f".{path.name}.new")
    try:
        draft.write_bytes(pack.content)
        draft.replace(path)
    except OSError as error:
        draft.unlink(missing_ok=True)
        raise InputError(f"cannot be written: {error.strerror}", where=str(path)) from error
    return path
