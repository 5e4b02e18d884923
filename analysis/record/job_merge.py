"""A job carried from bench to bench: everything of it in one file, merged into another record.

The file is a zip with a record of this one job (`job.sqlite`, opened by any SQLite browser) and its photos.
Names of jobs, entries, runs and results are the same everywhere, so that merging twice changes nothing, and
two benches that both went on have both their entries afterwards: of each step the latest counts. Whatever
comes in is linked anew in this record's hash chain, after the other record's own chain was checked.
"""

from __future__ import annotations

import hashlib
import sqlite3
import tempfile
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.record import chain, queries
from analysis.record.database import connect, migrate, told, writing
from analysis.record.job_values import Attachment, JobRecord
from analysis.record.jobs import Jobs
from analysis.record.photos import keep_photo, photo_path, read_photo
from analysis.record.verify import unlinked, verify
from config.errors import InputError

DATABASE, PHOTOS = "job.sqlite", "photos"
LARGEST = 500_000_000
ENDING = ".hubproof-job"
RESULT = "result"
"""Of the tables that belong to a run, the one that may grow later and has rows of its own."""


@dataclass(frozen=True, slots=True)
class Merged:
    """What came in: how many entries and runs were new, and steps that both benches recorded differently."""

    job: str
    new_job: bool
    entries: int
    runs: int
    photos: int
    released: bool
    differing: tuple[str, ...]


def export_job(jobs: Jobs, job: JobRecord, file: Path) -> None:
    """Write a job with its runs and photos as one file, whole or not at all.

    Raises:
        InputError: a run of it still goes on, or the file cannot be written.
        StoreError: a photo is gone or was changed.
    """
    photos = {photo.sha256: photo for end in job.wheels for _, photo in end.photos}
    with tempfile.TemporaryDirectory(prefix="hubproof-job-") as folder:
        path = Path(folder) / DATABASE
        with closing(connect(jobs.path)) as source, closing(connect(path)) as carried:
            if source.execute("SELECT 1 FROM run WHERE job = ? AND state = 'running'", (job.id,)).fetchone():
                raise InputError("a run of it still goes on", where=f"job {job.id}", do="end it first")
            migrate(carried, path)
            merge(source, carried, job.id)
        draft = file.with_name(f".{file.name}.new")
        try:
            with zipfile.ZipFile(draft, "w", zipfile.ZIP_DEFLATED) as out:
                out.write(path, DATABASE)
                for photo in photos.values():
                    name = photo_path(jobs.path.parent, photo).name
                    out.writestr(f"{PHOTOS}/{name}", read_photo(jobs.path.parent, photo))
            draft.replace(file)
        except OSError as error:
            raise InputError(f"cannot be written: {error.strerror}", where=str(file)) from error
        finally:
            draft.unlink(missing_ok=True)  # also when a photo is gone


def import_job(jobs: Jobs, file: Path) -> Merged:
    """Merge the job of a file into this record.

    Raises:
        InputError: not such a file, changed after it was written, a job that is not the same, or one that
            cannot be open here; nothing came in then.
    """
    where = str(file)
    with tempfile.TemporaryDirectory(prefix="hubproof-job-") as folder, _undamaged(where):
        path = Path(folder) / DATABASE
        photos = _unpack(file, path)
        with closing(_checked(path, where)) as source, closing(connect(jobs.path)) as target:
            ids = [row[0] for row in source.execute("SELECT id FROM job")]
            if len(ids) != 1:
                raise InputError(f"holds {len(ids)} jobs", where=where, expected="one job")
            with Jobs.open(path) as carried:
                known = [p for end in carried.find(ids[0]).wheels for _, p in end.photos]
            _keep_photos(jobs.path.parent, known, photos, where)
            with told(jobs.path):
                return merge(source, target, ids[0])


@contextmanager
def _undamaged(where: str) -> Iterator[None]:
    """Text that is no text, figures that are none: the file was damaged on its way."""
    try:
        yield
    except (ValueError, TypeError, LookupError) as error:
        raise InputError(f"is damaged ({error})", where=where, do="export it again") from error


def _unpack(file: Path, path: Path) -> dict[str, bytes]:
    """Write the database of a job's file to `path`; returns the photos' bytes by SHA-256."""
    try:
        with zipfile.ZipFile(file) as packed:
            if sum(info.file_size for info in packed.infolist()) > LARGEST:
                raise InputError("is too large", where=str(file), expected=f"at most {LARGEST} bytes")
            path.write_bytes(packed.read(DATABASE))
            named = [name for name in packed.namelist() if name.startswith(f"{PHOTOS}/")]
            contents = [packed.read(name) for name in named]
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=str(file)) from error
    except (zipfile.BadZipFile, zlib.error, EOFError, KeyError, NotImplementedError, RuntimeError) as error:
        raise InputError("is no job", where=str(file), expected="what 'hubproof job export' wrote") from error
    return {hashlib.sha256(content).hexdigest(): content for content in contents}


def _checked(path: Path, where: str) -> sqlite3.Connection:
    """The job's record, brought up to this version, with its own chain whole."""
    with told(Path(where)):
        source = connect(path)
        try:
            source.execute("PRAGMA trusted_schema = OFF")
            migrate(source, path)
            found = verify(source, photos=False).differences
            if found:
                raise InputError(f"{found[0].subject} {found[0].text}", where=where, do="export it again")
        except BaseException:
            source.close()
            raise
    return source


def _keep_photos(data: Path, known: Iterable[Attachment], given: Mapping[str, bytes], where: str) -> None:
    for photo in known:
        content = given.get(photo.sha256 or "")
        if content is None:
            raise InputError(f"the photo {photo.name!r} is not in it", where=where, do="export it again")
        keep_photo(data, content, where=where)


def merge(source: sqlite3.Connection, target: sqlite3.Connection, job_id: str) -> Merged:
    """Bring a job from one record into another, in one transaction.

    Raises:
        InputError: the job here is another one, is closed here while the other bench went on, or the
            vehicle has another open job here.
    """
    with writing(target):
        already = unlinked(target)
        new_job = _copy_sheets(source, target, job_id)
        differing = () if new_job else _differing(source, target, job_id)
        entries, photos = _copy_entries(source, target, job_id, new_job=new_job)
        runs = _copy_runs(source, target, job_id)
        (closed,) = source.execute("SELECT closed_utc FROM job WHERE id = ?", (job_id,)).fetchone()
        if closed is not None:
            target.execute(
                "UPDATE job SET closed_utc = ? WHERE id = ? AND closed_utc IS NULL", (closed, job_id)
            )
        for what, subject, record in unlinked(target, but=already):
            _link(target, what, subject, record)
    return Merged(job_id, new_job, entries, runs, photos, closed is not None, differing)


def _link(connection: sqlite3.Connection, what: str, subject: str, record: str) -> None:
    before = queries.last_link(connection)
    connection.execute(
        "INSERT INTO chain (what, subject, form, record_sha256, link_sha256) VALUES (?, ?, ?, ?, ?)",
        (what, subject, chain.FORM, record, chain.link_sha256(before, what, subject, chain.FORM, record)),
    )


_SHEET = "vin, vehicle, odometer_km, complaint, technician, opened_utc, customer, plate"
_END = "wheel, bearing, encoder, old_part, old_lot, new_part, new_lot, torque_n_m, limits, source, sizes"


def _sheets(connection: sqlite3.Connection, job_id: str) -> tuple[Any, list[Any]] | None:
    job = connection.execute(f"SELECT {_SHEET} FROM job WHERE id = ?", (job_id,)).fetchone()  # noqa: S608
    if job is None:
        return None
    ends = connection.execute(
        f"SELECT {_END} FROM wheel_end WHERE job = (SELECT key FROM job WHERE id = ?) ORDER BY key",  # noqa: S608
        (job_id,),
    ).fetchall()
    return tuple(job), [tuple(end) for end in ends]


def _copy_sheets(source: sqlite3.Connection, target: sqlite3.Connection, job_id: str) -> bool:
    """Open the job here unless it is; True when it was not."""
    theirs, ours = _sheets(source, job_id), _sheets(target, job_id)
    assert theirs is not None
    if ours == theirs:
        return False
    if ours is not None:
        raise InputError("is another job here", where=f"job {job_id}", do="look at both before going on")
    vin = theirs[0][0]
    other = target.execute("SELECT id FROM job WHERE vin = ? AND closed_utc IS NULL", (vin,)).fetchone()
    if other is not None:
        raise InputError(f"job {other[0]} of {vin} is still open here", where=f"job {job_id}", do="close it")
    _copy(source, target, "job", "id = ?", (job_id,), closed_utc=None)
    (key,) = target.execute("SELECT key FROM job WHERE id = ?", (job_id,)).fetchone()
    where = "job = (SELECT key FROM job WHERE id = ?) ORDER BY key"
    _copy(source, target, "wheel_end", where, (job_id,), job=key)
    return True


_ENTRIES = (
    "SELECT job_entry.key AS key, coalesce(job_entry.id, job.id || '/' || job_entry.key) AS id,"
    " wheel_end.wheel AS wheel, step, answer FROM job_entry"
    " JOIN wheel_end ON wheel_end.key = job_entry.wheel_end JOIN job ON job.key = wheel_end.job"
    " WHERE job.id = ? ORDER BY place, at_utc, job_entry.id"
)


def _differing(source: sqlite3.Connection, target: sqlite3.Connection, job_id: str) -> tuple[str, ...]:
    """Steps that each bench recorded without the other, and not alike."""
    theirs, ours = ({row[1]: row for row in each.execute(_ENTRIES, (job_id,))} for each in (source, target))
    new = {(row[2], row[3]): row[4] for name, row in theirs.items() if name not in ours}
    own = {(row[2], row[3]): row[4] for name, row in ours.items() if name not in theirs}
    return tuple(
        f"{wheel}: step {step!r} {own[wheel, step]!r} here and {answer!r} there: the latest counts"
        for (wheel, step), answer in new.items()
        if (wheel, step) in own and own[wheel, step] != answer
    )


def _copy_entries(
    source: sqlite3.Connection, target: sqlite3.Connection, job_id: str, *, new_job: bool
) -> tuple[int, int]:
    """Entries that are not here, with what is attached to them; how many, and how many photos."""
    here = {row[1] for row in target.execute(_ENTRIES, (job_id,))}
    entries = photos = 0
    for key, name, wheel, _, _ in source.execute(_ENTRIES, (job_id,)).fetchall():
        if name in here:
            continue
        if (
            not new_job
            and target.execute(
                "SELECT 1 FROM job WHERE id = ? AND closed_utc IS NOT NULL", (job_id,)
            ).fetchone()
        ):
            raise InputError(
                "is closed here, and the other bench went on with it",
                where=f"job {job_id}",
                do="open a new job for what came after",
            )
        (end,) = target.execute(
            "SELECT wheel_end.key FROM wheel_end JOIN job ON job.key = wheel_end.job"
            " WHERE job.id = ? AND wheel = ?",
            (job_id, wheel),
        ).fetchone()
        _copy(source, target, "job_entry", "key = ?", (key,), wheel_end=end, id=name)
        (new_key,) = target.execute("SELECT key FROM job_entry WHERE id = ?", (name,)).fetchone()
        photos += _copy(source, target, "job_attachment", "entry = ?", (key,), entry=new_key)
        entries += 1
    return entries, photos


def _copy_runs(source: sqlite3.Connection, target: sqlite3.Connection, job_id: str) -> int:
    """Runs of the job that are not here, and results that came later; how many runs."""
    asked = (
        "SELECT key, id FROM run WHERE state <> 'running' AND (job = :job OR id IN (SELECT run FROM job_entry"
        " JOIN wheel_end ON wheel_end.key = job_entry.wheel_end JOIN job ON job.key = wheel_end.job"
        " WHERE job.id = :job) OR id IN (SELECT json_extract(settings, '$.second_run') FROM run"
        " WHERE job = :job)) ORDER BY key"
    )
    count = 0
    for key, name in source.execute(asked, {"job": job_id}).fetchall():
        found = target.execute("SELECT key FROM run WHERE id = ?", (name,)).fetchone()
        if found is None:
            _copy(source, target, "run", "key = ?", (key,))
            found = target.execute("SELECT key FROM run WHERE id = ?", (name,)).fetchone()
            for table in _of_run(target):
                _copy(source, target, table, "run = ?", (key,), run=found[0])
            count += 1
        _copy_results(source, target, key, found[0])
        words = target.execute("SELECT count(*) FROM keeping WHERE run = ?", (name,)).fetchone()[0]
        _copy(source, target, "keeping", "run = ? ORDER BY key LIMIT -1 OFFSET ?", (name, words))
    return count


def _of_run(connection: sqlite3.Connection) -> tuple[str, ...]:
    """The tables whose rows belong to a run by its key, whatever later versions add; results apart."""
    rows = connection.execute(
        "SELECT made.name FROM sqlite_master AS made, pragma_foreign_key_list(made.name) AS link"
        " WHERE made.type = 'table' AND link.\"table\" = 'run' AND link.\"to\" = 'key'"
        " AND link.\"from\" = 'run' ORDER BY made.name"
    )
    return tuple(name for (name,) in rows if name != RESULT)


def _copy_results(source: sqlite3.Connection, target: sqlite3.Connection, theirs: int, ours: int) -> None:
    here = {row[0] for row in target.execute("SELECT id FROM result WHERE run = ?", (ours,))}
    for key, name in source.execute(
        "SELECT key, id FROM result WHERE run = ? ORDER BY key", (theirs,)
    ).fetchall():
        if name not in here:
            _copy(source, target, "result", "key = ?", (key,), run=ours)
            (new,) = target.execute("SELECT key FROM result WHERE id = ?", (name,)).fetchone()
            _copy(source, target, "turn_profile", "result = ?", (key,), result=new)


def _copy(
    source: sqlite3.Connection,
    target: sqlite3.Connection,
    table: str,
    where: str,
    values: tuple[Any, ...],
    **instead: Any,
) -> int:
    """Copy rows with a new key, some columns replaced; how many."""
    columns = [row[1] for row in target.execute("SELECT * FROM pragma_table_info(?)", (table,))]
    copied = [name for name in columns if name != "key"]
    names = ", ".join(f'"{name}"' for name in copied)
    marks = ", ".join("?" for _ in copied)
    rows = source.execute(f'SELECT {names} FROM "{table}" WHERE {where}', values).fetchall()  # noqa: S608
    target.executemany(
        f'INSERT INTO "{table}" ({names}) VALUES ({marks})',  # noqa: S608 - own names
        [[instead.get(name, value) for name, value in zip(copied, row, strict=True)] for row in rows],
    )
    return len(rows)
