"""From a `ClaimInput` to the files of a claim pack, and back.

Both ways lie side by side on purpose: the verifier reads a pack into a `ClaimInput`, computes anew and
builds the pack again, so whatever is written here is checked there.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from importlib import metadata, resources

import numpy as np

from analysis.claim.bag import SIGNATURE, TAG_MANIFEST, Files, make_bag, zip_bag
from analysis.claim.compare import result_differences
from analysis.claim.documents import (
    FORMAT,
    InstrumentsDocument,
    JobDocument,
    LimitEntry,
    LimitsDocument,
    MadeWith,
    PhotoEntry,
    RunEntry,
    read_model,
    read_result,
    schema_files,
    write_json,
    write_model,
)
from analysis.claim.photos import PNG, strip_photo
from analysis.claim.report import render_report
from analysis.claim.signature import PublicKey, SigningKey, sign
from analysis.claim.summary import judged_um
from analysis.claim.tables import describe_tables
from analysis.claim.values import ClaimInput, ClaimResult, ClaimRun, Photo, RecordLink, RunHeader
from analysis.claim.worked import shown, tables_of
from analysis.claim.working import Working, work_out
from analysis.results import Model
from analysis.trace import Trace
from analysis.trace_file import parse_trace, write_trace
from config.errors import InputError
from config.limits import Limit

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
ANEW = "Computed anew for this pack. When it was measured, the station said: "
KEY_FILE, SIGNERS_FILE, GUIDE_FILE = "signing-key.pub", "allowed_signers", "how-to-check.txt"
SCRIPTS = ("compute-runout.py", "compute-endplay.py")  # for a stranger with numpy and nothing of ours


@dataclass(frozen=True, slots=True)
class Pack:
    """A finished pack: its name without ending (also the folder inside), and the bytes of the zip.

    `warnings` are for whoever makes it.
    """

    name: str
    content: bytes
    warnings: tuple[str, ...] = ()


def current_versions() -> MadeWith:
    """The versions that decide what a pack looks like."""
    return MadeWith(hubproof=metadata.version("hubproof"), typst=metadata.version("typst"))


def for_handing_over(claim: ClaimInput, *, with_customer: bool) -> tuple[ClaimInput, tuple[str, ...]]:
    """The claim as it leaves the workshop, and what was left out of it.

    Photos lose their metadata, and one whose metadata cannot be taken off stays here; customer and plate
    leave only when asked for.
    """
    photos, warnings = [], []
    for number, photo in enumerate(claim.photos, start=1):
        try:
            stripped, _ = strip_photo(photo.content, where=f"photo {number} ({photo.caption})")
        except InputError as error:
            warnings.append(f"left out: {error.line()}")
            continue
        photos.append(replace(photo, content=stripped))
    runs = tuple(replace(run, trace=_tame(run.trace)) for run in claim.runs)
    claim = replace(claim, photos=tuple(photos), runs=runs)
    if not with_customer:
        vehicle = claim.job.vehicle.model_copy(update={"plate": None})
        job = claim.job.model_copy(update={"customer": None, "vehicle": vehicle})
        claim = replace(claim, job=job)
    return claim, tuple(warnings)


def _tame(trace: Trace) -> Trace:
    """Flags that a spreadsheet would take for a formula get an apostrophe in front."""
    if trace.flag is None:
        return trace
    flags = [f"'{flag}" if flag.startswith(FORMULA_STARTS) else flag for flag in trace.flag.tolist()]
    return replace(trace, flag=np.array(flags, dtype=np.str_))


def make_pack(claim: ClaimInput, key: SigningKey, *, with_customer: bool = False) -> Pack:
    """The signed claim pack. The same claim and key give the same bytes.

    Raises:
        InputError: there is no run.
    """
    if not claim.runs:
        raise InputError("has no run to show", where=f"job {claim.job.number or claim.job.id}")
    claim, left_out = for_handing_over(claim, with_customer=with_customer)
    if claim.record is not None and claim.record.last_link_sha256 is not None:
        blinded = RecordLink(last_link_blinded=key.blinded(claim.record.last_link_sha256))
        claim = replace(claim, record=blinded)
    workings = [work_out(run) for run in claim.runs]
    claim, anew = computed_anew(claim, workings)
    tables = [tables_of(working, name) for working, name in zip(workings, run_names(claim), strict=True)]
    bag = build_files(claim, tables, key.public, current_versions())
    bag[SIGNATURE] = sign(bag[TAG_MANIFEST], key)
    name = pack_name(claim)
    return Pack(name, zip_bag(bag, name), (*left_out, *anew))


def computed_anew(claim: ClaimInput, workings: Sequence[Working]) -> tuple[ClaimInput, tuple[str, ...]]:
    """The claim with the figures that the readings give now, and what differs from when it was measured.

    Results of an earlier version of this program may differ. A pack states what it computes, so that
    whoever checks it finds the same; what was said then is kept in the run's note.
    """
    runs, warnings = [], []
    for run, working in zip(claim.runs, workings, strict=True):
        first = next(result_differences(run.result, working.result), None)
        if first is None:
            runs.append(run)
            continue
        place, told, found = first
        warnings.append(f"run {run.header.id} was computed anew: {place} was {told} and is {found}")
        said = " ".join(filter(None, [run.header.note, f"{ANEW}{_said(run.result)}"]))
        header = run.header.model_copy(update={"note": said})
        runs.append(replace(run, header=header, result=working.result))
    return replace(claim, runs=tuple(runs)), tuple(warnings)


def _said(result: ClaimResult) -> str:
    """Verdict and figure of a result in a few words."""
    value_um = judged_um(result)
    figure = "no figure" if value_um is None else f"{value_um / 1000:.4f} mm"
    verdict = getattr(result, "verdict", None)
    return f"{verdict}, {figure}" if verdict else figure


def pack_name(claim: ClaimInput) -> str:
    """``hubproof-claim-``, the job's day and the end of its id."""
    tail = "".join(
        letter for letter in claim.job.id.lower() if letter in "abcdefghijklmnopqrstuvwxyz0123456789"
    )
    return f"hubproof-claim-{claim.job.day_utc:%Y%m%d}-{tail[-8:] or 'job'}"


def build_files(claim: ClaimInput, tables: Sequence[Files], public: PublicKey, made_with: MadeWith) -> Files:
    """Every file of the pack but the signature, by path; `tables` are those of each run's working."""
    names = run_names(claim)
    traces = {f"traces/{name}.csv": trace_csv(run) for name, run in zip(names, claim.runs, strict=True)}
    worked = {path: table for of_run in tables for path, table in of_run.items()}
    results = {
        f"results/{name}.json": write_model(_placed(run.result, f"traces/{name}.csv"))
        for name, run in zip(names, claim.runs, strict=True)
    }
    photos = {_photo_path(number, photo): photo.content for number, photo in enumerate(claim.photos, start=1)}
    limits = _limit_entries(claim)
    job = _job_document(claim, tables, limits, made_with)
    drawn = [shown(of_run, name) for of_run, name in zip(tables, names, strict=True)]
    day = claim.job.day_utc
    payload: Files = {
        **traces,
        **worked,
        **results,
        **photos,
        **schema_files(),
        "job.json": write_model(job),
        "limits.json": write_model(LimitsDocument(limits=limits)),
        "instruments.json": write_model(InstrumentsDocument(instruments=claim.instruments)),
        "datapackage.json": write_json(
            describe_tables(
                {**traces, **worked},
                name=pack_name(claim),
                created=f"{day:%Y-%m-%dT%H:%M:%SZ}",
            )
        ),
        "report.pdf": render_report(claim, drawn, public.fingerprint),
    }
    info = {
        "External-Identifier": claim.job.id,
        "External-Description": f"Wheel-end claim, format {FORMAT}",
        "Bag-Software-Agent": f"hubproof {made_with.hubproof}",
    }
    ours = resources.files("analysis.claim")
    tags = {
        **{script: ours.joinpath(f"{script}.txt").read_bytes() for script in SCRIPTS},
        KEY_FILE: f"{public.line}\n".encode(),
        SIGNERS_FILE: public.allowed_signers.encode(),
        GUIDE_FILE: ours.joinpath(GUIDE_FILE).read_bytes(),
    }
    return make_bag(payload, info, day.date(), tags)


def read_pack(files: Mapping[str, bytes]) -> tuple[ClaimInput, JobDocument]:
    """The claim that a pack's files hold.

    Raises:
        InputError: a file is missing or does not hold what it should; names the file.
    """
    document = read_model(JobDocument, _file(files, "job.json"), "data/job.json")
    limits = read_model(LimitsDocument, _file(files, "limits.json"), "data/limits.json")
    instruments = read_model(InstrumentsDocument, _file(files, "instruments.json"), "data/instruments.json")
    by_id = {entry.id: entry.limit for entry in limits.limits}
    runs = tuple(_read_run(files, entry, by_id) for entry in document.runs)
    photos = tuple(
        Photo(entry.taken_utc, entry.caption, _file(files, entry.file)) for entry in document.photos
    )
    claim = ClaimInput(
        document.job,
        runs,
        instruments.instruments,
        document.steps,
        photos,
        document.form,
        document.wheels,
        document.record,
    )
    return claim, document


def _read_run(files: Mapping[str, bytes], entry: RunEntry, limits: Mapping[str, Limit]) -> ClaimRun:
    if entry.limit is not None and entry.limit not in limits:
        raise InputError(f"run {entry.id} names the limit {entry.limit!r}", where="data/limits.json")
    header = entry.model_dump(exclude={"trace", "result", "tables", "limit"})
    trace_path = f"data/{entry.trace}"
    try:
        trace, _ = parse_trace(_file(files, entry.trace).decode(), trace_path)
    except UnicodeDecodeError as error:
        raise InputError("is not UTF-8 text", where=trace_path) from error
    return ClaimRun(
        header=RunHeader.model_validate(header),
        trace=trace,
        result=read_result(_file(files, entry.result), f"data/{entry.result}"),
        limit=limits[entry.limit] if entry.limit is not None else None,
    )


def _file(files: Mapping[str, bytes], path: str) -> bytes:
    content = files.get(f"data/{path}")
    if content is None:
        raise InputError("is missing", where=f"data/{path}")
    return content


def run_names(claim: ClaimInput) -> list[str]:
    """What the files of each run are called."""
    return [_run_name(number, run) for number, run in enumerate(claim.runs, start=1)]


def _run_name(number: int, run: ClaimRun) -> str:
    """Such as ``03-front-left-as-found-runout``: sorted as the job went."""
    words = [f"{number:02d}", run.header.wheel, run.header.stage, run.header.kind]
    return "-".join(word for word in words if word).replace(" ", "-")


def _photo_path(number: int, photo: Photo) -> str:
    return f"photos/{number:02d}.{'png' if photo.content.startswith(PNG) else 'jpg'}"


def trace_csv(run: ClaimRun) -> bytes:
    """The trace file of a run."""
    text = io.StringIO(newline="")
    write_trace(run.trace, text)
    return text.getvalue().encode()


def _placed(result: Model, path: str) -> Model:
    return result.model_copy(update={"file": path})


def _limit_entries(claim: ClaimInput) -> tuple[LimitEntry, ...]:
    """Every different limit once, in the order of the runs."""
    different = dict.fromkeys(run.limit for run in claim.runs if run.limit is not None)
    return tuple(
        LimitEntry(id=f"limit-{number}", limit=limit) for number, limit in enumerate(different, start=1)
    )


def _job_document(
    claim: ClaimInput,
    tables: Sequence[Files],
    limits: tuple[LimitEntry, ...],
    made_with: MadeWith,
) -> JobDocument:
    ids = {entry.limit: entry.id for entry in limits}
    runs = [
        RunEntry(
            **dict(run.header),
            trace=f"traces/{name}.csv",
            result=f"results/{name}.json",
            tables=tuple(of_run),
            limit=ids[run.limit] if run.limit is not None else None,
        )
        for name, run, of_run in zip(run_names(claim), claim.runs, tables, strict=True)
    ]
    photos = [
        PhotoEntry(file=_photo_path(number, photo), taken_utc=photo.taken_utc, caption=photo.caption)
        for number, photo in enumerate(claim.photos, start=1)
    ]
    return JobDocument(
        made_with=made_with,
        form=claim.form,
        record=claim.record,
        job=claim.job,
        wheels=claim.wheels,
        runs=tuple(runs),
        steps=claim.steps,
        photos=tuple(photos),
    )
