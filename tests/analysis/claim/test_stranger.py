"""The scripts that lie in a pack find the same figures in its tables, with nothing but numpy."""

from __future__ import annotations

import io
import re
import subprocess
import sys
import zipfile
from dataclasses import replace
from importlib import resources
from pathlib import Path

import numpy as np
import pytest

from analysis.claim.pack import SCRIPTS, Pack, trace_csv
from analysis.claim.values import ClaimInput, ClaimRun
from analysis.claim.worked import tables_of
from analysis.claim.working import work_out
from analysis.results import EndplayResult, RunoutResult
from analysis.trace import FloatArray, Trace
from simulators.accuracy import accuracy_case
from tests.recordings import trace_of

WITHIN_MM = 1e-9


def printed(folder: Path, script: str, tables: Path, run: str) -> dict[str, FloatArray]:
    """What the script in `folder` prints, by its word; it can import numpy and nothing of ours."""
    command = [sys.executable, "-I", str(folder / script), str(tables), run]
    done = subprocess.run(command, capture_output=True, check=True, cwd="/", text=True)
    lines = [line.split() for line in done.stdout.splitlines()]
    return {word: np.array(numbers, dtype=np.float64) for word, *numbers in lines}


def told(result: RunoutResult | EndplayResult) -> dict[str, list[float | None]]:
    """The same figures as the result has them."""
    if isinstance(result, EndplayResult):
        return {"play": [result.play_mm], "strokes": [stroke.play_mm for stroke in result.strokes]}
    fim = result.fim_mm
    return {
        "as_read": [fim.as_read, *fim.per_turn_as_read],
        "judged": list(fim.per_turn),
        "repeatable": [fim.repeatable],
        "orders": [order.amplitude_mm for order in result.per_turn_orders],
    }


@pytest.fixture
def folder(pack: Pack, tmp_path: Path) -> Path:
    zipfile.ZipFile(io.BytesIO(pack.content)).extractall(tmp_path)
    return tmp_path / pack.name


def test_every_run_of_a_pack(folder: Path, claim: ClaimInput) -> None:
    names = sorted(path.stem for path in (folder / "data" / "traces").iterdir())
    for name, run in zip(names, claim.runs, strict=True):
        assert isinstance(run.result, RunoutResult | EndplayResult)
        found = printed(folder, f"compute-{run.header.kind}.py", folder / "data", name)
        for word, figures in told(run.result).items():
            assert len(figures) >= (1 if word in ("play", "repeatable") else 2)
            assert found[word] == pytest.approx(figures, abs=WITHIN_MM), (name, word)


def worn(seed: int = 0) -> Trace:
    """An angle is known, steps are fine, and something comes round 0.43 times a turn."""
    time_s = np.linspace(0.0, 20.0, 700)
    angle = 2 * np.pi * 4.2 * time_s / 20.0
    clean = 30 * np.cos(angle - 1) + 9 * np.cos(2 * angle) + 8 * np.cos(0.43 * angle + 2) + 0.2 * time_s
    noise = np.random.default_rng(seed).normal(0, 0.5, time_s.size)
    return Trace(time_s, np.round(clean + noise, 1), angle_deg=np.rad2deg(angle), resolution_um=0.1)


def coarse() -> Trace:
    """Steps that the noise does not smear: what is fitted are cells, not readings."""
    trace = worn()
    return replace(trace, reading_um=10 * np.round(trace.reading_um / 10), resolution_um=10.0)


def many() -> Trace:
    """So many readings that their means are fitted."""
    time_s = np.linspace(0.0, 30.0, 24_000)
    reading = 25 * np.cos(2 * np.pi * time_s / 9) + np.random.default_rng(2).normal(0, 0.5, time_s.size)
    return Trace(time_s, np.round(reading), angle_deg=40 * time_s, resolution_um=1.0)


@pytest.mark.parametrize(
    ("trace", "tables"),
    [
        (worn(), {"working", "turns", "model", "profiles"}),
        (coarse(), {"working", "turns", "model", "profiles"}),
        (many(), {"working", "turns", "model", "profiles", "fit"}),
        (trace_of(accuracy_case("stops", 5024)), {"working", "turns", "model", "profiles", "fit"}),
    ],
    ids=["slow movement", "coarse steps", "many readings", "stops at the studs"],
)
def test_every_way_of_fitting(claim: ClaimInput, tmp_path: Path, trace: Trace, tables: set[str]) -> None:
    run: ClaimRun = replace(claim.runs[1], trace=trace)
    working = work_out(run)
    made = tables_of(working, "run")
    assert {path.partition("/")[0] for path in made} == tables
    for path, content in {**made, "traces/run.csv": trace_csv(run)}.items():
        (tmp_path / path).parent.mkdir(exist_ok=True)
        (tmp_path / path).write_bytes(content)
    script = "compute-runout.py"
    (tmp_path / script).write_bytes(resources.files("analysis.claim").joinpath(f"{script}.txt").read_bytes())
    found = printed(tmp_path, script, tmp_path, "run")
    assert isinstance(working.result, RunoutResult)
    for word, figures in told(working.result).items():
        assert figures
        # Of stops fewer orders are told than are fitted.
        assert found[word][: len(figures)] == pytest.approx(figures, abs=WITHIN_MM), word


def test_the_movement_as_read_is_near_the_judged_one_and_never_far_below(claim: ClaimInput) -> None:
    result = claim.runs[1].result
    assert isinstance(result, RunoutResult)
    for read, judged in zip(result.fim_mm.per_turn_as_read, result.fim_mm.per_turn, strict=True):
        assert -0.001 < read - judged < 0.004  # the noise and steps that the judged one has taken out


@pytest.mark.parametrize("script", SCRIPTS)
def test_the_scripts_are_as_short_as_promised_and_told_of(folder: Path, script: str) -> None:
    code = [line for line in (folder / script).read_text("utf-8").splitlines() if line.strip()]
    assert len(code) <= 30
    assert max(map(len, code)) <= 110
    imported = {line for line in code if re.match(r"\s*(import|from)\b", line)}
    assert imported <= {"import csv", "import sys", "import numpy as np"}
    assert f"python {script} data RUN" in (folder / "how-to-check.txt").read_text("utf-8")
