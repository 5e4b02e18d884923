"""``hubproof verify``: a claim pack, or this station's own record, against later changes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from capture.commands.options import data_option, existing_database
from capture.counted import counted
from capture.folder import KEY
from config.errors import InputError

if TYPE_CHECKING:
    from analysis.claim.verify import Report

KNOWN_KEYS = "known_keys"
MOST_SHOWN = 20
NOT_WHOLE = 3


@click.command(short_help="Check a claim pack, or the station's record.")
@click.argument("pack", type=click.Path(path_type=Path), required=False)
@click.option(
    "--database",
    is_flag=True,
    help="Check the station's own record; with a PACK also that the pack was made from it.",
)
@click.option(
    "--known-keys",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help=f"Keys that you trust, a public key and a name a line; {KNOWN_KEYS} in the data folder if absent.",
)
@data_option
def command(pack: Path | None, database: bool, known_keys: Path | None, data: Path) -> int:
    """Check that nothing was changed, and compute every figure again.

    PACK is the zip file of a claim pack, or the folder that was in it. No database is needed. With
    --database and a PACK of this station, a record that was rewritten as a whole since is seen too.

    Exit status: 0 unchanged and recomputed; 1 something differs; 2 no claim pack; 3 unchanged and its
    figures recomputed, but another version wrote it, so that its report could not be compared. A key
    that is not known here is a warning: compare its fingerprint with one that the workshop gave you in
    another way.
    """
    if not database and pack is None:
        raise click.UsageError("name a PACK, or --database, or both")
    if pack is None:
        return _check_record(data)
    status = _check_pack(pack, known_keys, data)
    found = (status, *((_check_record(data), _check_origin(pack, data)) if database else ()))
    return 1 if 1 in found else max(found)


def _check_pack(pack: Path, known_keys: Path | None, data: Path) -> int:
    from analysis.claim.verify import read_known_keys, verify_pack

    listed = known_keys or data / KNOWN_KEYS
    known: dict[str, str] = {}
    if known_keys is not None or listed.is_file():
        try:
            known = read_known_keys(listed.read_text(encoding="utf-8"), str(listed))
        except (OSError, UnicodeDecodeError) as error:
            why = error.strerror if isinstance(error, OSError) else "it is no UTF-8 text"
            raise InputError(f"cannot be read: {why}", where=str(listed), expected="public keys") from error
    report = verify_pack(pack, known)
    return _tell(pack, report, known.get(report.fingerprint or ""))


def _tell(pack: Path, report: Report, name: str | None) -> int:
    for warning in report.warnings[:MOST_SHOWN]:
        click.echo(f"warning: {_visible(warning)}", err=True)
    if len(report.warnings) > MOST_SHOWN:
        click.echo(f"and {len(report.warnings) - MOST_SHOWN} more warnings", err=True)
    for fault in report.faults[:MOST_SHOWN]:
        click.echo(f"differs: {_visible(fault)}")
    if len(report.faults) > MOST_SHOWN:
        click.echo(f"and {len(report.faults) - MOST_SHOWN} more")
    if not report.good:
        click.echo(f"{pack}: changed, or not what its readings give")
        return 1
    signer = f"{report.fingerprint} ({_visible(name)})" if name else report.fingerprint
    what = f"{counted(report.figures, 'figure')}, {counted(report.runs, 'run')}; signed by {signer}"
    if not report.whole:
        click.echo(f"{pack}: unchanged and its figures recomputed, but not its report: {what}")
        click.echo("go by data/results, not by the report: another version wrote it")
        return NOT_WHOLE
    click.echo(f"{pack}: unchanged and recomputed: {what}")
    return 0


def _visible(text: str) -> str:
    """The text with everything that a terminal would obey or hide as an escape: a pack may be hostile."""
    return "".join(sign if sign.isprintable() else ascii(sign)[1:-1] for sign in text)


def _check_record(data: Path) -> int:
    from analysis.record import Store

    path = existing_database(data)
    with Store.open(path) as store:
        found = store.verify()
    for difference in found.differences[:MOST_SHOWN]:
        click.echo(f"differs: {difference.subject}: {difference.text}")
    if found.differences:
        count = counted(len(found.differences), "record is", "records are")
        click.echo(f"{path}: {count} not as written")
        return 1
    click.echo(
        f"{path}: unchanged: {counted(found.runs, 'run')}, {counted(found.readings, 'reading')}, "
        f"{counted(found.results, 'result')}; last link {found.last_link}"
    )
    return 0


def _check_origin(pack: Path, data: Path) -> int:
    """Whether this record still holds the link that the pack carries, blinded by this station's key."""
    from analysis.claim.pack import read_pack
    from analysis.claim.signature import load_key
    from analysis.claim.unpack import unpack
    from analysis.record import Store

    claim, _ = read_pack(unpack(pack).files)
    if claim.record is None:
        raise InputError("carries no link of a record", where=str(pack))
    bare, blinded = claim.record.last_link_sha256, claim.record.last_link_blinded
    with Store.open(existing_database(data)) as store:
        if blinded is None:
            held = store.has_link(lambda link: link == bare)
        else:
            key = load_key(data / KEY)
            held = store.has_link(lambda link: key.blinded(link) == blinded)
    if held:
        click.echo(f"{pack}: was made from this record, which still holds its link")
        return 0
    click.echo(
        f"differs: {pack}: this record does not hold the link of the pack: it is another station's, "
        "the record was rewritten since, or the signing key was replaced"
    )
    return 1
