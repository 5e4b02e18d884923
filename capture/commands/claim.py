"""``hubproof claim``: the signed claim pack of a job."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from capture.commands.options import data_option, existing_database
from config.errors import InputError

if TYPE_CHECKING:
    from analysis.claim.pack import Pack
    from analysis.claim.values import Job

KEY = "signing_key"


@click.command(short_help="Write the signed claim pack of a job.")
@click.argument("job", required=False)
@click.option("--run", "runs", multiple=True, metavar="RUN", help="Claim with this run; may be repeated.")
@click.option("--wheel", metavar="WHEEL", help="Only this wheel end: front left, or FL, and so on.")
@click.option(
    "--details",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="The job's particulars as JSON: vehicle, complaint, technician (see the schema in any pack).",
)
@click.option("--out", type=click.Path(path_type=Path), metavar="FILE", help="Zip to write, or its folder.")
@click.option("--with-customer", is_flag=True, help="Hand over the customer's name and the plate too.")
@click.option("--language", type=click.Choice(["en", "de"]), default="en", show_default=True)
@click.option("--paper", type=click.Choice(["a4", "us-letter"]), default="a4", show_default=True)
@click.option(
    "--first", type=click.Choice(["mm", "in"]), default="mm", show_default=True, help="Unit named first."
)
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
    data: Path,
) -> int:
    """Write the signed claim pack of a JOB, or of single runs.

    The pack is one zip: the report (page 1 decides), every reading, every figure, the limits and the
    instruments, signed. `hubproof verify` checks it on any machine. The signing key is made on first use
    and stays in the data folder, readable by its owner only.
    """
    from analysis.claim.from_record import claim_from_record, runs_of_job
    from analysis.claim.pack import make_pack
    from analysis.claim.signature import load_or_make_key
    from analysis.claim.values import Form
    from analysis.record import Store
    from analysis.record.words import parse_wheel

    if (job is None) == (not runs):
        raise click.UsageError("name either a JOB or runs with --run")
    form = Form.model_validate({"language": language, "paper": paper, "first_unit": first})
    position = parse_wheel(wheel) if wheel is not None else None
    with Store.open(existing_database(data)) as store:
        ids = list(runs) if job is None else runs_of_job(store, job, position)
        if not ids:
            raise InputError(f"job {job!r} has no run to claim with", do="see 'hubproof runs'")
        claim = claim_from_record(store, ids, _details(details), form=form)
    key = load_or_make_key(data / KEY)
    pack = make_pack(claim, key, with_customer=with_customer)
    click.echo(f"{_write(pack, out)}: {len(claim.runs)} runs, signed by {key.public.fingerprint}")
    return 0


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
    draft = path.with_name(f".{path.name}.new")
    try:
        draft.write_bytes(pack.content)
        draft.replace(path)
    except OSError as error:
        draft.unlink(missing_ok=True)
        raise InputError(f"cannot be written: {error.strerror}", where=str(path)) from error
    return path
