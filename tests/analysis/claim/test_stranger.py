"""A script with nothing but numpy finds the same figures in an exported pack."""

from __future__ import annotations

import io
import json
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any

import pytest

from analysis.claim.pack import Pack
from analysis.claim.values import ClaimInput
from analysis.results import EndplayResult, RunoutResult

SCRIPTS = {kind: Path(__file__).with_name(f"stranger_{kind}.py") for kind in ("runout", "endplay")}
WITHIN_MM = 1e-9


@pytest.fixture
def folder(pack: Pack, tmp_path: Path) -> Path:
    zipfile.ZipFile(io.BytesIO(pack.content)).extractall(tmp_path)
    return tmp_path / pack.name


def computed(folder: Path, name: str) -> dict[str, Any]:
    script = SCRIPTS[name.rpartition("-")[2]]
    done = subprocess.run([sys.executable, script, folder, name], capture_output=True, check=True, cwd="/")
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_movement_as_read_of_every_turn_and_orders(folder: Path, claim: ClaimInput) -> None:
    result = claim.runs[1].result
    assert isinstance(result, RunoutResult)
    found = computed(folder, "02-front-left-as-found-runout")
    assert found["as_read"] == pytest.approx(result.fim_mm.as_read, abs=WITHIN_MM)
    assert len(found["per_turn_as_read"]) >= 2
    assert found["per_turn_as_read"] == pytest.approx(result.fim_mm.per_turn_as_read, abs=WITHIN_MM)
    amplitudes = [order.amplitude_mm for order in result.per_turn_orders]
    assert found["orders"] == pytest.approx(amplitudes, abs=WITHIN_MM)


def test_the_movement_as_read_is_near_the_judged_one_and_never_far_below(claim: ClaimInput) -> None:
    result = claim.runs[1].result
    assert isinstance(result, RunoutResult)
    for read, judged in zip(result.fim_mm.per_turn_as_read, result.fim_mm.per_turn, strict=True):
        assert -0.001 < read - judged < 0.004  # the noise and steps that the judged one has taken out


def test_end_play_and_the_play_of_every_stroke(folder: Path, claim: ClaimInput) -> None:
    result = claim.runs[0].result
    assert isinstance(result, EndplayResult)
    found = computed(folder, "01-front-left-as-found-endplay")
    assert found["play"] == pytest.approx(result.play_mm, abs=WITHIN_MM)
    assert found["plays"] == pytest.approx([stroke.play_mm for stroke in result.strokes], abs=WITHIN_MM)
    assert len(found["plays"]) >= 3


@pytest.mark.parametrize("script", SCRIPTS.values())
def test_the_scripts_are_as_short_as_promised(script: Path) -> None:
    code = [line for line in script.read_text("utf-8").splitlines() if line.strip()]
    assert len(code) <= 30
    assert [line for line in code if line.startswith(("import", "from"))] == [
        "import csv", "import json", "import sys", "from pathlib import Path", "import numpy as np",
    ]  # fmt: skip
