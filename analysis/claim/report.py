"""`report.pdf`: gathers what the report says, in the reader's words, and lets typst set it (PDF/A-2b).

Every text reaches the template as data (JSON), never as markup, and only after `printable`.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from importlib import metadata, resources
from typing import Any

import typst

from analysis.claim.drawing import Board
from analysis.claim.pictures import gauge_picture
from analysis.claim.run_page import instrument_lines, run_page
from analysis.claim.summary import (
    STAGES,
    UM_PER_MM,
    Quantity,
    blame,
    by_wheel,
    expanded_um,
    judged_um,
    limit_edges_um,
    outcome,
)
from analysis.claim.values import ClaimInput, Photo, Step, WheelFacts
from analysis.claim.wording import Wording, printable
from analysis.claim.worked import Shown
from analysis.results import Judged

LABELS = (
    "title",
    "job",
    "date",
    "limit",
    "limit_from",
    "findings",
    "as_found",
    "after_repair",
    "no_stage",
    "legend",
    "cause",
    "key",
    "key_how",
    "signed_by",
    "uncertainty_note",
    "instrument",
    "result",
    "setup",
    "budget",
    "budget_source",
    "budget_standard",
    "budget_type",
    "remarks",
    "points_to",
    "complaint",
    "steps",
    "step_when",
    "step_what",
    "step_value",
    "step_by",
    "photos",
    "methods",
    "verifying",
    "page",
)
NAME, NUMBER, SHORT, LONG = 48, 40, 90, 700  # signs of a field and of a free text on the first page


class Pictures:
    """Collects the drawings of a report; `add` gives what the template needs to place one."""

    def __init__(self) -> None:
        self.files: dict[str, bytes] = {}

    def add(self, board: Board) -> dict[str, Any]:
        """Keep the drawing as a file and describe it with its texts."""
        name = f"picture{len(self.files)}.svg"
        self.files[name] = board.svg()
        return {
            "file": name,
            "width": board.width_mm,
            "height": board.height_mm,
            "texts": [asdict(text) for text in board.texts],
        }


def render_report(claim: ClaimInput, drawn: Sequence[Shown], fingerprint: str) -> bytes:
    """The report as PDF/A-2b. The same claim, tables and fingerprint give the same bytes."""
    data, pictures = report_data(claim, drawn, fingerprint)
    template = resources.files("analysis.claim").joinpath("report.typ").read_bytes()
    # typst also takes a mapping of names to contents, the document under "main"; its stubs lag behind.
    sources: Any = {"main": template, "data.json": json.dumps(data).encode(), **pictures.files}
    document: bytes = typst.compile(
        sources,
        format="pdf",
        ignore_system_fonts=True,
        pdf_standards=["a-2b"],
        timestamp=int(claim.job.day_utc.timestamp()),
    )
    return document


def report_data(
    claim: ClaimInput, drawn: Sequence[Shown], fingerprint: str
) -> tuple[dict[str, Any], Pictures]:
    """Everything that the template sets, as plain JSON values, and the drawings it places."""
    say = Wording(claim.form.language, claim.form.first_unit)
    pictures = Pictures()
    job = claim.job
    known: dict[str | None, WheelFacts] = {facts.wheel: facts for facts in claim.wheels}
    wheels = [
        {**_wheel(wheel, lines, claim, pictures, say), "parts": _parts(known.get(wheel), claim, say)}
        for wheel, lines in by_wheel(claim.runs).items()
    ]
    runs = [
        run_page(number, run, of_run, claim, pictures.add, say)
        for number, (run, of_run) in enumerate(zip(claim.runs, drawn, strict=True), start=1)
    ]
    versions = {"hubproof": metadata.version("hubproof"), "typst": metadata.version("typst")}
    return {
        "lang": claim.form.language,
        "paper": claim.form.paper,
        "labels": {key: say(key) for key in LABELS},
        "workshop": printable(job.workshop, NAME) or say("not_stated"),
        "number": printable(job.number or job.id, NUMBER),
        "date": job.day_utc.date().isoformat(),
        "facts": _facts(claim, say),
        "complaint": printable(job.complaint, LONG, more=say("shortened")) or say("not_stated"),
        "note": printable(job.note, LONG, more=say("shortened")),
        "wheels": wheels,
        "instruments": instrument_lines(claim, say),
        "technician": _short(job.technician, say),
        "signed": say.moment(job.day_utc),
        "fingerprint": fingerprint,
        "runs": runs,
        "steps": _steps(claim, say),
        "no_steps": say("no_steps"),
        "photos": [_photo_line(number, photo, say) for number, photo in enumerate(claim.photos, start=1)],
        "methods": say.paragraphs("method"),
        "verify": say.paragraphs("verify"),
        "made": say("made", **versions),
    }, pictures


def _short(text: str, say: Wording) -> str:
    return printable(text, SHORT) or say("not_stated")


def _facts(claim: ClaimInput, say: Wording) -> list[list[str]]:
    job, vehicle = claim.job, claim.job.vehicle
    parts = (vehicle.description, vehicle.make, vehicle.model, vehicle.year)
    name = " ".join(str(part) for part in parts if part)
    odometer = (
        f"{say.number(vehicle.odometer, 0)} {vehicle.odometer_unit}" if vehicle.odometer is not None else ""
    )
    facts = [
        ("vehicle", name),
        ("vin", vehicle.vin),
        ("odometer", odometer),
        ("opened", say.moment(job.opened_utc)),
    ]
    closed = say("not_closed") if job.closed_utc is None else say.moment(job.closed_utc)
    if job.state == "stopped":
        closed = say("closed_stopped", at=closed)
    facts.append(("closed", closed))
    if vehicle.plate is not None:
        facts.append(("plate", vehicle.plate))
    if job.customer is not None:
        facts.append(("customer", job.customer))
    return [[say(key), _short(text, say)] for key, text in facts]


def _wheel(
    wheel: str | None, lines: list[Quantity], claim: ClaimInput, pictures: Pictures, say: Wording
) -> dict[str, Any]:
    part, why = blame(lines, [step for step in claim.steps if step.wheel == wheel], say)
    return {
        "name": say(wheel.replace(" ", "_")) if wheel else say("no_wheel"),
        "lines": [_line(line, pictures, say) for line in lines],
        "part": part,
        "why": why,
        "outcome": outcome(lines, say),
    }


def _parts(facts: WheelFacts | None, claim: ClaimInput, say: Wording) -> str:
    """The bearing found and the one fitted, by part and lot; empty when neither was written down.

    A part number alone fits no bearing: it was fitted where something was measured after the repair.
    """
    if facts is None:
        return ""
    repaired = any(
        run.header.wheel == facts.wheel and run.header.stage == "after repair" for run in claim.runs
    )
    latest = {step.step: step.value for step in claim.steps if step.wheel == facts.wheel and not step.skipped}
    told = []
    for key, part, lot in (
        ("part_found", facts.old_part, facts.old_lot),
        ("part_fitted" if repaired else "part_planned", facts.new_part, facts.new_lot),
    ):
        if part or lot:
            if key == "part_planned" and latest.get("replace") == "no":
                continue  # the sheet's plan was not carried out
            told.append(say(key, part=printable(part, SHORT) or "–", lot=printable(lot, SHORT) or "–"))
    return "; ".join(told)


def _line(line: Quantity, pictures: Pictures, say: Wording) -> dict[str, Any]:
    stages, found = [], []
    edges: list[float] = []
    sources: list[str] = []
    for stage in STAGES:
        figure = line.stages.get(stage)
        name = say(stage.replace(" ", "_")) if stage is not None else say("no_stage")
        if figure is None:
            if stage is not None and line.kind != "bore":
                missing = {"verdict": "", "word": say("not_measured"), "value": "", "count": ""}
                stages.append({"stage": name, **missing})
            continue
        result = figure.result
        value, expanded = judged_um(result), expanded_um(result)
        count = say("runs_of_stage", count=figure.count) if figure.count > 1 else ""
        told = {**verdict_mark(result, say), "value": figure_text(result, say), "count": count}
        stages.append({"stage": name, **told})
        if value is not None:
            found.append(("repaired" if stage == "after repair" else "found", value, expanded or 0.0))
        edges = limit_edges_um(figure.run) or edges
        if figure.run.limit is not None and figure.run.limit.source not in sources:
            sources.append(figure.run.limit.source)
    quantity = say(line.kind)
    return {
        "name": say("surface_suffix", quantity=quantity, surface=say(f"surface_{line.surface}"))
        if line.surface == "radial"
        else quantity,
        "limit": say.limit(edges),
        "source": printable("; ".join(sources), 240),
        "gauge": pictures.add(gauge_picture(found, edges, say)),
        "stages": stages,
    }


def verdict_mark(result: Judged, say: Wording) -> dict[str, str]:
    """The verdict as the template's mark (a shape) and the word beside it."""
    verdict = (result.verdict or "no verdict").replace(" ", "_")
    return {"verdict": verdict, "word": say(verdict)}


def figure_text(result: Judged, say: Wording) -> str:
    """The judged figure with its uncertainty in both units; a dash when there is none."""
    return say.length(judged_um(result), expanded_um=expanded_um(result))


def _steps(claim: ClaimInput, say: Wording) -> list[list[str]]:
    numbers = {run.header.id: number for number, run in enumerate(claim.runs, start=1)}
    several = len({step.wheel for step in claim.steps}) > 1
    rows = []
    for step in claim.steps:
        wheel = f"{say(step.wheel.replace(' ', '_'))}: " if step.wheel and several else ""
        more = " – ".join(
            filter(None, (f"{wheel}{say.sentence(step.what)}", step.note, _worked_out(step, say)))
        )
        row = (f"{step.at_utc:%Y-%m-%d %H:%M:%S}", more, _answer(step, numbers, say), step.by)
        rows.append([printable(text, LONG) for text in row])
    return rows


def _worked_out(step: Step, say: Wording) -> str:
    """The figures of a fit or of a disc's bolt position in one sentence; empty without them."""
    told = step.figures

    def mm(name: str) -> float | None:
        value = told.get(name)
        return UM_PER_MM * value if isinstance(value, int | float) else None

    least, most = mm("interference_least_mm"), mm("interference_most_mm")
    if least is not None and most is not None:
        return say("fit_text", least=say.length(least, fine=True), most=say.length(most, fine=True))
    predicted, studs = mm("predicted_mm"), told.get("turn_by_studs")
    if predicted is not None and isinstance(studs, int):
        return say("clocking_text", studs=studs, predicted=say.length(predicted, fine=True))
    return ""


def _answer(step: Step, numbers: Mapping[str, int], say: Wording) -> str:
    """What was recorded: the answer, which run it is, that it was skipped, that it stopped the job."""
    told = say("step_skipped", why=step.value) if step.skipped else say.sentence(step.value)
    number = numbers.get(step.run or "")
    if number is not None:
        told = say("step_run", answer=told, number=number)
    return say("step_problem", answer=told, problem=say.sentence(step.problem)) if step.problem else told


def _photo_line(number: int, photo: Photo, say: Wording) -> list[str]:
    taken = say.moment(photo.taken_utc) if photo.taken_utc is not None else say("not_stated")
    return [f"{number:02d}", taken, printable(photo.caption, LONG)]
